//! Level, pan, note, choke group and variation; and the trims that a host automates.

use super::{
    controls::{self, PAD_ESSENTIALS, Structure, TRIM_ESSENTIALS, VARIATION_ESSENTIALS},
    reductions,
    strokes::{self, Strokes},
};
use crate::editor::{
    frame_context::FrameContext, learn::LearnFor, notes, theme, trim_grid, trims::Trim, widgets,
};
use egui::{Rect, RichText, ScrollArea, Ui, UiBuilder, pos2, vec2};
use kitwright_core::{
    kit::{PAD, VARIATION, VariationMode},
    settings::PAD_TRIMS,
};
use std::sync::atomic::Ordering::{Acquire, Relaxed};

/// Width from which the picture has room beside both groups of settings.
const WIDE: f32 = 1100.0;
/// Height from which the groups stand one below the other, beside a wider picture.
const HIGH: f32 = 320.0;
/// Most height of the upper group: three rows of settings and what stands around them.
const ABOVE: f32 = 220.0;
/// Least and most width of the groups then.
const GROUP_WIDTH: [f32; 2] = [560.0, 760.0];

/// Shows level, pan, note and variation of a pad in `panel`, with `more` all of their settings; `ceiling_db` is the gain
/// reduction of its own output.
pub(super) fn show(
    ui: &mut Ui,
    panel: Rect,
    (pad, more): (usize, bool),
    strokes: &mut Strokes,
    ceiling_db: f32,
    cx: &mut FrameContext<'_>,
) {
    if let Some(meters) = cx.session.meters() {
        strokes.follow(&meters, pad);
    }
    let Places { picture, groups } = Places::of(panel);
    if let Some(picture) = picture {
        strokes::draw(ui, picture, strokes, &cx.pad(pad).variation);
    }
    let group = |ui: &mut Ui, name: &str, rect: Rect, add: &mut dyn FnMut(&mut Ui)| {
        ui.scope_builder(UiBuilder::new().id_salt(name).max_rect(rect), |ui| {
            ScrollArea::vertical().id_salt(name).auto_shrink([false, false]).show(ui, |ui| add(ui));
        });
    };
    group(ui, "kit", groups[0], &mut |ui| level_and_note(ui, (pad, more), ceiling_db, cx));
    group(ui, "variation", groups[1], &mut |ui| variation(ui, (pad, more), cx));
}

/// Where the section's parts stand.
struct Places {
    picture: Option<Rect>,
    groups: [Rect; 2],
}

impl Places {
    /// Side by side, the groups one below the other where there is room, the picture left out where there is none.
    fn of(panel: Rect) -> Self {
        let gap = 2.0 * theme::GAP;
        if panel.width() < WIDE {
            let half = (panel.width() - gap) / 2.0;
            return Self { picture: None, groups: beside(panel, half, gap) };
        }
        if panel.height() < HIGH {
            let (picture, rest) =
                panel.split_left_right_at_x(panel.left() + (panel.width() * 0.36).min(480.0));
            let rest = rest.with_min_x(rest.left() + gap);
            return Self { picture: Some(picture), groups: beside(rest, (rest.width() - gap) / 2.0, gap) };
        }
        let width = (panel.width() * 0.36).clamp(GROUP_WIDTH[0], GROUP_WIDTH[1]);
        let (picture, rest) = panel.split_left_right_at_x(panel.right() - width - gap);
        let rest = rest.with_min_x(rest.left() + gap);
        let (above, below) = rest.split_top_bottom_at_y(rest.top() + (rest.height() * 0.54).min(ABOVE));
        Self { picture: Some(picture), groups: [above, below] }
    }
}

/// Two parts of this width, one beside the other.
fn beside(rect: Rect, width: f32, gap: f32) -> [Rect; 2] {
    [0.0, 1.0].map(|place| {
        Rect::from_min_size(pos2(rect.left() + place * (width + gap), rect.top()), vec2(width, rect.height()))
    })
}

fn level_and_note(ui: &mut Ui, (pad, more): (usize, bool), ceiling_db: f32, cx: &mut FrameContext<'_>) {
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Level and note").color(theme::TEXT_DIM));
        ui.add_space(theme::GAP);
        note_row(ui, pad, cx);
    });
    let owner = format!("Pad {}", pad + 1);
    let structure = Structure { owner, id: "", essential: PAD_ESSENTIALS, more };
    controls::table(ui, cx, pad, &structure, &PAD, &cx.pad(pad).settings, |p, setting, value| {
        (setting.set)(&mut p.settings, value);
    });
    reductions::meter(ui, "the pad's ceiling", ceiling_db);
}

fn variation(ui: &mut Ui, (pad, more): (usize, bool), cx: &FrameContext<'_>) {
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new("Variation").color(theme::TEXT_DIM));
        freeze(ui, pad, cx);
    });
    last_draw(ui, pad, cx);
    let owner = format!("Pad {} variation", pad + 1);
    let structure = Structure { owner, id: "variation", essential: VARIATION_ESSENTIALS, more };
    controls::table(ui, cx, pad, &structure, &VARIATION, &cx.pad(pad).variation, |p, setting, value| {
        (setting.set)(&mut p.variation, value);
    });
}

/// The MIDI note that plays the pad.
fn note_row(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    ui.horizontal(|ui| {
        let note = cx.pad(pad).note;
        ui.label(RichText::new("Played by").color(theme::TEXT_DIM));
        for (text, name, step) in [("-", "Note down", -1_i16), ("+", "Note up", 1)] {
            if widgets::button(ui, text, name, "The next free key in this direction.").clicked()
                && let Some(free) = next_free(cx, note, step)
            {
                notes::set_note(cx, pad, free);
            }
        }
        if let Some(typed) = notes::note_field(ui, &format!("Note of pad {}", pad + 1), note) {
            notes::set_note(cx, pad, typed);
        }
        let help = "Takes the next key that is played on MIDI as the pad's note.";
        notes::learn_button(ui, cx, LearnFor::Pad(pad), "Learn the note of the pad", help);
    });
}

fn next_free(cx: &FrameContext<'_>, from: u8, step: i16) -> Option<u8> {
    let mut note = i16::from(from) + step;
    while (0..=127).contains(&note) {
        if cx.kit.doc.pads.iter().all(|p| i16::from(p.note) != note) {
            return u8::try_from(note).ok();
        }
        note += step;
    }
    None
}

/// Holds one draw, or lets the draws go on.
fn freeze(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let frozen = cx.pad(pad).variation.mode == VariationMode::Held;
    let help = "Freezes one variation: every stroke sounds the same until it is unfrozen.";
    if widgets::toggle(ui, frozen, if frozen { "Frozen" } else { "Freeze" }, "Freeze the variation", help)
        .clicked()
    {
        cx.edit_pad(pad, "freeze", |p| {
            p.variation.mode = if frozen { VariationMode::Live } else { VariationMode::Held }
        });
    }
    if frozen
        && widgets::button(ui, "Another", "Another frozen variation", "Freezes a different variation.")
            .clicked()
    {
        cx.edit_pad(pad, "draw", |p| p.variation.frozen = (p.variation.frozen + 1.0) % 10_000.0);
    }
}

/// What was drawn for the last stroke of the pad.
fn last_draw(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let Some(meters) = cx.session.meters().filter(|m| m.pad_triggers[pad].load(Acquire) > 0) else { return };
    let last = &meters.last_trigger[pad];
    let number = |field: &std::sync::atomic::AtomicU32| f32::from_bits(field.load(Relaxed));
    let (slice, copies) = (last.slice.load(Relaxed) + 1, last.grains.load(Relaxed));
    let words = format!(
        "last stroke: hit {slice} of {}, {:+.0} ct, {:+.1} dB, start {:+.1} ms, {copies} copies",
        cx.pad(pad).slices.len().max(1),
        number(&last.pitch_st) * 100.0,
        number(&last.level_db),
        number(&last.start_ms),
    );
    ui.label(RichText::new(words).font(theme::small()).color(theme::TEXT));
}

/// What the host automates, with `more` all of it; one that it moves says so.
pub(super) fn show_trims(ui: &mut Ui, pad: usize, more: bool, cx: &mut FrameContext<'_>) {
    let owner = format!("Pad {} trim", pad + 1);
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        let shown = |id: &str| more || TRIM_ESSENTIALS.contains(&id);
        trim_grid::show(ui, &owner, &PAD_TRIMS, shown, cx, |i| Trim::Pad(pad, i));
    });
}
