//! The tone chain: its stages in the order in which the sound passes, and the settings of one of them.

use super::{
    controls::{self, Structure, TONE_ESSENTIALS},
    curve::CurveView,
    reductions::{self, HeldReductions},
};
use crate::editor::{frame_context::FrameContext, selection::Selection, theme, trims::Trim, widgets};
use egui::{Popup, PopupCloseBehavior, Rect, RichText, ScrollArea, Ui, UiBuilder, pos2, vec2};
use kitwright_core::{
    kit::{BAND, COMPRESSOR, CUT, DIP_AMOUNT, LIMITER, LOW_BAND_EDGE, SATURATION, TILT, Tone, ToneStage},
    settings::Setting,
};
use std::slice::from_ref;

/// How many stages do something.
pub(super) fn stages_on(tone: &Tone) -> usize {
    Tone::ORDER.into_iter().filter(|s| is_on(tone, *s)).count()
}

fn is_on(tone: &Tone, stage: ToneStage) -> bool {
    match stage {
        ToneStage::Cuts => tone.low_cut.on || tone.high_cut.on,
        ToneStage::Limiter => tone.limiter.on,
        ToneStage::Saturation => tone.saturation.on,
        ToneStage::Eq => {
            tone.tilt_db != 0.0 || tone.note_bell.on || tone.bands.iter().chain(&tone.dips).any(|b| b.on)
        }
        ToneStage::Punch => tone.punch.on,
        ToneStage::LowBand => tone.low_band.on,
        ToneStage::Colour => tone.colour.on,
    }
}

fn word(stage: ToneStage) -> &'static str {
    match stage {
        ToneStage::Cuts => "Cuts",
        ToneStage::Limiter => "Limiter",
        ToneStage::Saturation => "Saturation",
        ToneStage::Eq => "EQ",
        ToneStage::Punch => "Punch",
        ToneStage::LowBand => "Low band",
        ToneStage::Colour => "Final limiter",
    }
}

/// Width of the panel from which the ways to bypass stages and to move them have room beside the stages.
const WIDE: f32 = 1230.0;

/// Shows the tone chain of the chosen pad in `panel`.
pub(super) fn show(
    ui: &mut Ui,
    panel: Rect,
    selection: &mut Selection,
    curve: &mut CurveView,
    reductions: &HeldReductions,
    cx: &mut FrameContext<'_>,
) {
    // a stage has few settings: the curve gets the room
    let share = if panel.width() >= controls::VERY_WIDE { 0.5 } else { 0.3 };
    let picture = Rect::from_min_size(panel.min, vec2(panel.width() * share, panel.height()));
    let right = Rect::from_min_max(pos2(picture.right() + 2.0 * theme::GAP, panel.top()), panel.max);
    curve.show(ui, picture, selection.pad, cx);
    ui.scope_builder(UiBuilder::new().id_salt("tone settings").max_rect(right), |ui| {
        let tone = cx.pad(selection.pad).tone.clone();
        selection.stage = selection.stage.min(tone.order.len() - 1);
        chain(ui, selection, cx, &tone, panel.width() >= WIDE);
        let stage = tone.order[selection.stage];
        ScrollArea::vertical()
            .id_salt(("stage", selection.pad, selection.stage))
            .auto_shrink([false, false])
            .show(ui, |ui| {
                if let Some(db) = reductions.of(stage) {
                    reductions::meter(ui, &format!("the {} stage", word(stage).to_lowercase()), db);
                }
                settings(ui, (selection.pad, selection.shows_more()), cx, &tone, stage);
            });
    });
}

/// The stages from first to last; those that do something have a dot. What can be done with the shown one follows, in a
/// menu where it has no room.
fn chain(ui: &mut Ui, selection: &mut Selection, cx: &mut FrameContext<'_>, tone: &Tone, wide: bool) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = if wide { 4.0 } else { 0.0 };
        ui.spacing_mut().button_padding.x = if wide { 7.0 } else { 6.0 };
        for (i, stage) in tone.order.into_iter().enumerate() {
            stage_tab(ui, selection, cx, (i, stage), is_on(tone, stage));
        }
        if wide {
            stage_tools(ui, selection, cx, tone);
            return;
        }
        let menu =
            widgets::button(ui, "Stage", "Menu of the stage", "Bypasses stages and changes their order.");
        Popup::menu(&menu).close_behavior(PopupCloseBehavior::CloseOnClickOutside).show(|ui| {
            stage_tools(ui, selection, cx, tone);
        });
    });
}

/// One stage; a press shows its settings.
fn stage_tab(
    ui: &mut Ui,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    (i, stage): (usize, ToneStage),
    on: bool,
) {
    let bypassed = cx.session.is_bypassed(selection.pad, stage);
    let state = match (bypassed, on) {
        (true, _) => "bypassed",
        (false, true) => "on",
        (false, false) => "off",
    };
    let text = match (bypassed, on) {
        (true, _) => format!("{} ×", word(stage)),
        (false, true) => format!("{} •", word(stage)),
        (false, false) => word(stage).to_owned(),
    };
    let help = format!(
        "{}, {state}. Shows this stage; the sound passes the stages from left to right.",
        word(stage)
    );
    let name = format!("Stage {}", word(stage));
    let tab = widgets::toggle(ui, selection.stage == i, &text, &name, &help);
    ui.ctx().accesskit_node_builder(tab.id, |node| node.set_value(state));
    if tab.clicked() {
        selection.stage = i;
    }
}

/// Bypasses, and the order of the stages.
fn stage_tools(ui: &mut Ui, selection: &mut Selection, cx: &mut FrameContext<'_>, tone: &Tone) {
    let (pad, at) = (selection.pad, selection.stage);
    bypass_stage(ui, pad, cx, tone.order[at]);
    bypass(ui, pad, cx);
    for (text, name, to) in
        [("Earlier", "Stage earlier", at.checked_sub(1)), ("Later", "Stage later", Some(at + 1))]
    {
        let Some(to) = to.filter(|t| *t < tone.order.len()) else { continue };
        if widgets::button(ui, text, name, "Changes the order of the stages.").clicked() {
            cx.edit_pad(pad, "tone order", |p| p.tone.order.swap(at, to));
            selection.stage = to;
        }
    }
}

/// Bypasses the shown stage at equal loudness, to compare; the kit stays as it is.
fn bypass_stage(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>, stage: ToneStage) {
    let out = cx.session.is_bypassed(pad, stage);
    let help = "Bypasses this stage at equal loudness, to compare.";
    let text = if out { "Stage bypassed" } else { "Bypass stage" };
    if widgets::toggle(ui, out, text, &format!("Bypass {}", word(stage)), help).clicked() {
        cx.session.bypass(pad, stage, !out);
    }
}

/// Bypasses the whole chain at equal loudness; a host trim, so that it can be automated.
fn bypass(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    let trim = Trim::pad(pad, "tone");
    let out = cx.trims.get(trim) < 0.5;
    let help = "Bypasses the whole tone chain at equal loudness, to compare.";
    let text = match (out, cx.readings.automation.moves(trim)) {
        (true, true) => "Host: bypassed",
        (false, true) => "Host: active",
        (true, false) => "All bypassed",
        (false, false) => "Bypass all",
    };
    let button = widgets::toggle(ui, out, text, "Bypass the tone", help);
    ui.ctx().accesskit_node_builder(button.id, |node| node.set_value(text));
    cx.menu_of_button(trim, &button);
    if button.clicked() {
        cx.trims.put(trim, if out { 1.0 } else { 0.0 });
    }
}

fn settings(ui: &mut Ui, pad: (usize, bool), cx: &FrameContext<'_>, tone: &Tone, stage: ToneStage) {
    match stage {
        ToneStage::Cuts => {
            section(ui, pad, cx, ["Low cut"; 2], &CUT, &tone.low_cut, |t| &mut t.low_cut);
            section(ui, pad, cx, ["High cut"; 2], &CUT, &tone.high_cut, |t| &mut t.high_cut);
        }
        ToneStage::Limiter => {
            section(ui, pad, cx, ["Limiter"; 2], &LIMITER, &tone.limiter, |t| &mut t.limiter);
        }
        ToneStage::Saturation => {
            section(ui, pad, cx, ["Saturation"; 2], &SATURATION, &tone.saturation, |t| &mut t.saturation);
        }
        ToneStage::Eq => {
            for (i, name) in ["Low shelf", "Bell", "High shelf"].into_iter().enumerate() {
                let id = format!("band {}", i + 1);
                section(ui, pad, cx, [name, &id], &BAND, &tone.bands[i], move |t| &mut t.bands[i]);
            }
            if pad.1 || tone.note_bell.on {
                section(ui, pad, cx, ["Bell on the note"; 2], &BAND, &tone.note_bell, |t| &mut t.note_bell);
            }
            if !tone.dips.is_empty() {
                section(ui, pad, cx, ["Dips", "tone"], from_ref(&DIP_AMOUNT), tone, |t| t);
            }
            for i in (0..tone.dips.len()).filter(|_| pad.1) {
                let name = format!("Dip {}", i + 1);
                section(ui, pad, cx, [&name; 2], &BAND, &tone.dips[i], move |t| &mut t.dips[i]);
            }
            section(ui, pad, cx, ["Tilt", "tone"], from_ref(&TILT), tone, |t| t);
        }
        ToneStage::Punch => section(ui, pad, cx, ["Punch"; 2], &COMPRESSOR, &tone.punch, |t| &mut t.punch),
        ToneStage::LowBand => {
            section(ui, pad, cx, ["Low band"; 2], &COMPRESSOR, &tone.low_band, |t| &mut t.low_band);
            section(ui, pad, cx, ["Crossover", "tone"], from_ref(&LOW_BAND_EDGE), tone, |t| t);
        }
        ToneStage::Colour => {
            section(ui, pad, cx, ["Final limiter", "last limiter"], &LIMITER, &tone.colour, |t| {
                &mut t.colour
            });
        }
    }
}

/// A table's controls under its title, with the name of the structure in the document; `reach` finds the structure in a
/// tone chain.
fn section<T: 'static>(
    ui: &mut Ui,
    (pad, more): (usize, bool),
    cx: &FrameContext<'_>,
    [title, id]: [&str; 2],
    table: &'static [Setting<T>],
    now: &T,
    reach: impl Fn(&mut Tone) -> &mut T,
) {
    let id = id.to_lowercase();
    let owner = format!("Pad {} {}", pad + 1, title.to_lowercase());
    let structure = Structure { owner, id: &id, essential: TONE_ESSENTIALS, more };
    if !table.iter().any(|s| structure.shows(cx.pad(pad), s)) {
        return;
    }
    ui.label(RichText::new(title).font(theme::small()).color(theme::TEXT_DIM));
    controls::table(ui, cx, pad, &structure, table, now, |p, setting, value| {
        (setting.set)(reach(&mut p.tone), value);
    });
    ui.add_space(theme::GAP);
}
