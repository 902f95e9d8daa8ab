//! The pad editor: one pad's path from its hit to its role, from left to right.

mod caption;
mod cloud;
mod curve;
mod hit;
mod last_cloud;
mod layers;
mod live;
mod place;
pub(super) mod reductions;
mod spectrum;
mod strokes;
mod tone;

use super::{
    compare::Compare,
    fit_control::FitControl,
    frame_context::FrameContext,
    selection::{Section, Selection},
    theme, widgets,
};
use curve::CurveView;
use egui::{Align2, Popup, Rect, RichText, Role, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::{
    engine::ScopeSource,
    kit::{PADS, Pad, Role as PadRole},
    session::Job,
};
use last_cloud::CloudCopies;
use reductions::HeldReductions;
use strokes::Strokes;

/// What the pad editor keeps between frames.
#[derive(Debug, Default)]
pub struct PadEditor {
    /// The fit of the chosen pad.
    fit: FitControl,
    /// A and B of each pad.
    compare: [Compare<Pad>; PADS],
    /// A pad that was copied.
    clipboard: Option<Pad>,
    /// Hits that "Next best" has tried, for each pad.
    tried: [Vec<(usize, usize)>; PADS],
    /// Gain-reduction meters of the chosen pad and of the main output.
    reductions: HeldReductions,
    curve: CurveView,
    cloud: CloudCopies,
    strokes: Strokes,
}

impl PadEditor {
    /// Once a frame, shown or not: starts the shaping for a moved fit.
    pub fn begin_frame(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        self.fit.start_when_rested(ui, cx);
    }

    /// Forgets what belongs to the pads of another kit.
    pub fn forget_kit(&mut self) {
        self.compare = Default::default();
        self.tried = Default::default();
    }

    /// The window closes: versions, clipboard and tried hits stay.
    pub fn close(&mut self) {
        let Self { compare, clipboard, tried, .. } = std::mem::take(self);
        *self = Self { compare, clipboard, tried, ..Self::default() };
    }

    /// Whether a thread is still computing something to show.
    pub fn is_working(&self) -> bool {
        self.curve.is_working()
    }

    /// Gain reduction of the main output's ceiling, dB, 0 and above.
    pub fn main_ceiling_db(&self) -> f32 {
        self.reductions.main_ceiling()
    }
}

/// Places that one frame of the pad editor has drawn.
pub struct PadEditorPlaces {
    /// Where the chosen pad's hit enters.
    pub entry: egui::Pos2,
    /// The role, while a sound can be dropped there.
    pub role: Option<Rect>,
}

/// Shows the chosen pad in `rect`.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut PadEditor,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) -> PadEditorPlaces {
    let painter = ui.painter().clone();
    painter.rect_filled(rect, theme::ROUND, theme::SURFACE);
    painter.rect_stroke(rect, theme::ROUND, (1.0, theme::ACCENT), egui::StrokeKind::Inside);
    let strip = Rect::from_min_size(rect.min + vec2(8.0, 6.0), vec2(rect.width() - 16.0, 40.0));
    let panel =
        Rect::from_min_max(pos2(rect.left() + 10.0, strip.bottom() + 6.0), rect.max - vec2(10.0, 8.0));
    view.reductions.follow(ui, selection.pad, cx);
    if selection.section != Section::Tone
        && let Some(meters) = cx.session.meters()
    {
        meters.scope.listen(ScopeSource::Off);
    }
    let builder = UiBuilder::new().id_salt("path").max_rect(strip);
    let role = ui.scope_builder(builder, |ui| path(ui, strip, view, selection, cx)).inner;
    ui.scope_builder(
        UiBuilder::new().id_salt(("panel", selection.pad, selection.section.word())).max_rect(panel),
        |ui| {
            ui.set_clip_rect(panel.expand(2.0));
            let pad = selection.pad;
            match selection.section {
                Section::Hit => hit::show(ui, panel, pad, cx),
                Section::Layers => layers::show(ui, panel, selection, cx),
                Section::Cloud => cloud::show(ui, panel, pad, &mut view.cloud, cx),
                Section::Tone => tone::show(ui, panel, selection, &mut view.curve, &view.reductions, cx),
                Section::Place => {
                    let ceiling_db = view.reductions.pad_ceiling();
                    place::show(ui, panel, pad, &mut view.strokes, ceiling_db, cx);
                }
                Section::Trims => place::show_trims(ui, pad, cx),
            }
        },
    );
    PadEditorPlaces { entry: pos2(strip.left() + 34.0, rect.top()), role }
}

/// The sections from left to right, and at the end the role with its fit; returns the role's place while a sound
/// can be dropped there.
fn path(
    ui: &mut Ui,
    strip: Rect,
    view: &mut PadEditor,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) -> Option<Rect> {
    let end_width = 396.0_f32.min(strip.width() * 0.46);
    let step = (strip.width() - end_width) / Section::ALL.len() as f32;
    for (i, section) in Section::ALL.into_iter().enumerate() {
        let rect = Rect::from_min_size(
            pos2(strip.left() + i as f32 * step, strip.top()),
            vec2(step - 14.0, strip.height()),
        );
        one_section(ui, rect, selection, cx, section);
        widgets::arrow(ui.painter(), pos2(rect.right() + 7.0, rect.center().y), theme::TEXT_DIM);
    }
    let end = Rect::from_min_max(pos2(strip.right() - end_width, strip.top()), strip.max);
    let role = cx.pad(selection.pad).audition.is_some().then_some(end);
    ui.scope_builder(UiBuilder::new().id_salt("role").max_rect(end), |ui| {
        ui.horizontal_centered(|ui| role_end(ui, view, selection.pad, cx));
    });
    role
}

fn one_section(ui: &mut Ui, rect: Rect, selection: &mut Selection, cx: &FrameContext<'_>, section: Section) {
    let response = ui.interact(rect, ui.scope_id().with(section.word()), Sense::click());
    let on = selection.section == section;
    let words = match cx.readings.automation.moving_of(selection.pad) {
        n if n > 0 && section == Section::Trims => format!("{n} automated"),
        _ => summary(section, cx.pad(selection.pad)),
    };
    response.widget_info(|| WidgetInfo::selected(Role::Tab, true, on, section.word()));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(words.as_str()));
    let fill = match (on, response.hovered()) {
        (true, _) => theme::ACCENT,
        (false, true) => theme::HOVERED,
        (false, false) => theme::RAISED,
    };
    let (ink, soft) = if on { (theme::ON_ACCENT, theme::ON_ACCENT) } else { (theme::TEXT, theme::TEXT_DIM) };
    let painter = ui.painter_at(rect.expand(2.0));
    painter.rect_filled(rect, theme::ROUND, fill);
    let left = rect.left() + 7.0;
    let width = rect.width() - 12.0;
    widgets::text_in(
        &painter,
        pos2(left, rect.top() + 3.0),
        Align2::LEFT_TOP,
        section.word(),
        theme::body(),
        ink,
        width,
    );
    widgets::text_in(
        &painter,
        pos2(left, rect.bottom() - 4.0),
        Align2::LEFT_BOTTOM,
        &words,
        theme::small(),
        soft,
        width,
    );
    widgets::focus_edge(&painter, rect, &response);
    if response.clicked() {
        selection.section = section;
    }
    response.on_hover_text(help(section));
}

fn help(section: Section) -> &'static str {
    match section {
        Section::Hit => "Which hit the pad is made of, and how it was changed.",
        Section::Layers => "Up to four layers of the hit: start and end, pitch, envelope and cuts.",
        Section::Cloud => "The copies around the hit that make it sound like several people.",
        Section::Tone => "Cuts, limiter, saturation, EQ and compressors.",
        Section::Place => "Level, place, choke group, and how one hit differs from the next.",
        Section::Trims => "What the host can automate, on top of the kit's own settings.",
    }
}

fn summary(section: Section, pad: &Pad) -> String {
    match section {
        Section::Hit => match &pad.audition {
            _ if pad.is_empty() => "none yet".into(),
            Some(a) => format!("no. {}", a.hit + 1),
            None => "by hand".into(),
        },
        Section::Layers => match pad.layers.iter().filter(|l| l.settings.on).count() {
            1 => "one".into(),
            n => format!("{n} of {}", pad.layers.len()),
        },
        Section::Cloud if pad.cloud.copies == 0 => "off".into(),
        Section::Cloud => format!("{} copies", pad.cloud.copies),
        Section::Tone => match tone::stages_on(&pad.tone) {
            0 => "none".into(),
            1 => "1 stage".into(),
            n => format!("{n} stages"),
        },
        Section::Place => kitwright_core::kit::PAD[0].show(pad.settings.level_db),
        Section::Trims => "host".into(),
    }
}

/// The end of the path: the role, how far towards it, another hit, A and B, and what can be done with the pad.
fn role_end(ui: &mut Ui, view: &mut PadEditor, pad: usize, cx: &FrameContext<'_>) {
    ui.spacing_mut().item_spacing.x = 5.0;
    role_button(ui, pad, cx);
    view.fit.slider(ui, cx, Some(pad), 92.0);
    next_best(ui, &mut view.tried[pad], pad, cx);
    let compare = &mut view.compare[pad];
    let side = compare.side();
    let help = "Switches between two versions of this pad; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Pad {side}"), "A or B of the pad", help).clicked()
        && let Some(other) = compare.switch(cx.pad(pad))
    {
        cx.edit_pad(pad, "A or B", |pad| *pad = other);
    }
    pad_menu(ui, &mut view.clipboard, pad, cx);
}

fn role_button(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let now = cx.pad(pad).role;
    let response = ui.add(egui::Button::new(RichText::new(now.word()).strong()).min_size(vec2(78.0, 26.0)));
    let response = widgets::named(response, Role::ComboBox, &format!("Role of pad {}", pad + 1));
    Popup::menu(&response).show(|ui| {
        for role in PadRole::ALL {
            let entry = ui.selectable_label(role == now, role.word());
            entry.widget_info(|| {
                WidgetInfo::selected(Role::MenuItem, true, role == now, format!("Role {role}"))
            });
            if entry.clicked() {
                take_role(cx, pad, role);
                ui.close();
            }
        }
    });
    let target = match &cx.pad(pad).target {
        Some(target) => format!("Its target is {}.", target.name),
        None => "Drop a drum sound here to make it the pad's target.".to_owned(),
    };
    response.on_hover_text(format!("What the pad stands for; another role shapes the hit again. {target}"));
}

fn take_role(cx: &FrameContext<'_>, pad: usize, role: PadRole) {
    match &cx.pad(pad).audition {
        Some(a) => cx.session.start(Job::SetHit { pad, source: (a.take, a.hit), role }),
        None => cx.edit_pad(pad, "role", |p| p.role = role),
    }
}

/// Puts the next-best hit on the pad; repeated presses go through all of them.
fn next_best(ui: &mut Ui, tried: &mut Vec<(usize, usize)>, pad: usize, cx: &FrameContext<'_>) {
    let audition = cx.pad(pad).audition.clone();
    let any = audition.as_ref().is_some_and(|a| !a.next_best.is_empty());
    let response = ui.add_enabled(any, egui::Button::new("Next best"));
    let response = widgets::named(response, Role::Button, "Next best hit")
        .on_hover_text("Tries the hit that serves next best in this role.");
    let Some(audition) = audition.filter(|_| response.clicked()) else { return };
    let here = (audition.take, audition.hit);
    if !tried.contains(&here) {
        tried.push(here);
    }
    let fresh = audition.next_best.iter().map(|&(t, h, _)| (t, h)).find(|next| !tried.contains(next));
    let next = fresh.or_else(|| {
        // all have been tried: from the best again
        *tried = vec![here];
        audition.next_best.first().map(|&(t, h, _)| (t, h))
    });
    if let Some(source) = next {
        cx.session.start(Job::SetHit { pad, source, role: cx.pad(pad).role });
    }
}

fn pad_menu(ui: &mut Ui, clipboard: &mut Option<Pad>, pad: usize, cx: &FrameContext<'_>) {
    let response = widgets::button(ui, "Pad...", "Pad menu", "Copy, paste, clear.");
    Popup::menu(&response).show(|ui| {
        if ui.button("Copy pad").clicked() {
            *clipboard = Some(cx.pad(pad).clone());
            ui.close();
        }
        let paste = ui.add_enabled(clipboard.is_some(), egui::Button::new("Paste pad"));
        if let Some(copied) = clipboard.clone().filter(|_| paste.clicked()) {
            cx.edit_pad(pad, "paste", |p| *p = Pad { note: p.note, ..copied });
            ui.close();
        }
        if ui.button("Clear pad").clicked() {
            cx.edit_pad(pad, "clear", |p| *p = Pad::empty(p.note, p.role));
            ui.close();
        }
    });
}
