//! The pad editor: one pad's path from its hit to its role, from left to right.

mod caption;
mod cloud;
mod curve;
mod hit;
pub(super) mod last_cloud;
mod layers;
pub(super) mod live;
mod place;
pub(super) mod reductions;
pub(super) mod spectrum;
pub(super) mod strokes;
mod tone;

use super::{
    frame_context::FrameContext,
    selection::Section,
    state::{PendingFit, WindowState},
    theme, widgets,
};
use egui::{Align2, Popup, Rect, RichText, Role, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::{
    engine::Source,
    kit::{Pad, Role as PadRole},
    session::Job,
};

/// Shows the chosen pad in `rect`; gives the place where its hit enters.
pub fn show(ui: &mut Ui, rect: Rect, state: &mut WindowState, cx: &mut FrameContext<'_>) -> egui::Pos2 {
    let painter = ui.painter().clone();
    painter.rect_filled(rect, theme::ROUND, theme::WOOD);
    painter.rect_stroke(rect, theme::ROUND, (1.0, theme::AMBER), egui::StrokeKind::Inside);
    let strip = Rect::from_min_size(rect.min + vec2(8.0, 6.0), vec2(rect.width() - 16.0, 40.0));
    let panel =
        Rect::from_min_max(pos2(rect.left() + 10.0, strip.bottom() + 6.0), rect.max - vec2(10.0, 8.0));
    state.reductions.follow(ui, state.selection.pad, cx);
    if state.selection.section != Section::Tone
        && let Some(meters) = cx.session.meters()
    {
        meters.scope.listen(Source::Off);
    }
    ui.scope_builder(UiBuilder::new().id_salt("path").max_rect(strip), |ui| path(ui, strip, state, cx));
    ui.scope_builder(
        UiBuilder::new()
            .id_salt(("panel", state.selection.pad, state.selection.section.word()))
            .max_rect(panel),
        |ui| {
            ui.set_clip_rect(panel.expand(2.0));
            match state.selection.section {
                Section::Hit => hit::show(ui, panel, state, cx),
                Section::Layers => layers::show(ui, panel, state, cx),
                Section::Cloud => cloud::show(ui, panel, state, cx),
                Section::Tone => tone::show(ui, panel, state, cx),
                Section::Place => place::show(ui, panel, state, cx),
                Section::Trims => place::show_trims(ui, state, cx),
            }
        },
    );
    pos2(strip.left() + 34.0, rect.top())
}

/// The sections from left to right, and at the end the role with its fit.
fn path(ui: &mut Ui, strip: Rect, state: &mut WindowState, cx: &mut FrameContext<'_>) {
    let end_width = 396.0_f32.min(strip.width() * 0.46);
    let step = (strip.width() - end_width) / Section::ALL.len() as f32;
    for (i, section) in Section::ALL.into_iter().enumerate() {
        let rect = Rect::from_min_size(
            pos2(strip.left() + i as f32 * step, strip.top()),
            vec2(step - 14.0, strip.height()),
        );
        one_section(ui, rect, state, cx, section);
        widgets::arrow(ui.painter(), pos2(rect.right() + 7.0, rect.center().y), theme::INK_SOFT);
    }
    let end = Rect::from_min_max(pos2(strip.right() - end_width, strip.top()), strip.max);
    state.drop_targets.role = cx.pad(state.selection.pad).audition.is_some().then_some(end);
    ui.scope_builder(UiBuilder::new().id_salt("role").max_rect(end), |ui| {
        ui.horizontal_centered(|ui| role_end(ui, state, cx));
    });
}

fn one_section(ui: &mut Ui, rect: Rect, state: &mut WindowState, cx: &FrameContext<'_>, section: Section) {
    let response = ui.interact(rect, ui.scope_id().with(section.word()), Sense::click());
    let on = state.selection.section == section;
    let words = match state.automation.moving_of(state.selection.pad) {
        n if n > 0 && section == Section::Trims => format!("{n} automated"),
        _ => summary(section, cx.pad(state.selection.pad)),
    };
    response.widget_info(|| WidgetInfo::selected(Role::Tab, true, on, section.word()));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(words.as_str()));
    let fill = match (on, response.hovered()) {
        (true, _) => theme::AMBER,
        (false, true) => theme::WOOD_LIT,
        (false, false) => theme::WOOD_HIGH,
    };
    let (ink, soft) = if on { (theme::ON_AMBER, theme::ON_AMBER) } else { (theme::INK, theme::INK_SOFT) };
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
        state.selection.section = section;
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
fn role_end(ui: &mut Ui, state: &mut WindowState, cx: &mut FrameContext<'_>) {
    ui.spacing_mut().item_spacing.x = 5.0;
    role_button(ui, state, cx);
    fit_slider(ui, state, cx, Some(state.selection.pad), 92.0);
    next_best(ui, state, cx);
    let side = state.compare.pad_side(state.selection.pad);
    let help = "Switches between two versions of this pad; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Pad {side}"), "A or B of the pad", help).clicked()
        && let Some(other) = state.compare.turn_pad(state.selection.pad, cx.pad(state.selection.pad))
    {
        cx.edit_pad(state.selection.pad, "A or B", |pad| *pad = other);
    }
    pad_menu(ui, state, cx);
}

fn role_button(ui: &mut Ui, state: &mut WindowState, cx: &FrameContext<'_>) {
    let pad = state.selection.pad;
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
    let aim = match &cx.pad(pad).target {
        Some(target) => format!("Its target is {}.", target.name),
        None => "Drop a drum sound here to make it the pad's target.".to_owned(),
    };
    response.on_hover_text(format!("What the pad stands for; another role shapes the hit again. {aim}"));
}

fn take_role(cx: &FrameContext<'_>, pad: usize, role: PadRole) {
    match &cx.pad(pad).audition {
        Some(a) => cx.session.start(Job::SetHit { pad, source: (a.take, a.hit), role }),
        None => cx.edit_pad(pad, "role", |p| p.role = role),
    }
}

/// The fit of a pad, or of the kit; shaping starts once the slider has rested.
pub fn fit_slider(
    ui: &mut Ui,
    state: &mut WindowState,
    cx: &FrameContext<'_>,
    pad: Option<usize>,
    width: f32,
) {
    let now = pad.map_or(cx.kit.doc.fit, |p| cx.pad(p).fit);
    let pending = state.pending_fit.filter(|p| p.pad == pad);
    let owner = pad.map_or_else(|| "Whole".to_owned(), |p| format!("Pad {}", p + 1));
    let shown = pending.or(state.sent_fit.filter(|p| p.pad == pad)).map_or(now, |p| p.fit);
    let of = match pad {
        None => FitOf::Kit,
        Some(p) if cx.pad(p).role.is_scored() || cx.pad(p).target.is_some() => FitOf::Pad,
        Some(_) => FitOf::Percussion,
    };
    let moved = widgets::slider(ui, &Fit(of), &owner, shown, width);
    if let Some(fit) = moved.value.or(pending.map(|p| p.fit)) {
        let time = ui.input(|i| i.time);
        let changed = moved.value.is_some();
        state.pending_fit = Some(PendingFit {
            pad,
            fit,
            moved_at: if changed { time } else { pending.map_or(time, |p| p.moved_at) },
            held: (pending.is_some_and(|p| p.held) || moved.began) && !moved.ended,
        });
    }
}

/// The fit as a setting: it belongs to pads and to the kit, and takes work to change.
struct Fit(FitOf);

/// Whose fit it is.
#[derive(PartialEq)]
enum FitOf {
    Kit,
    Pad,
    /// A pad that is shaped towards no drum.
    Percussion,
}

impl widgets::Described for Fit {
    fn name(&self) -> &'static str {
        if self.0 == FitOf::Kit { "Kit fit" } else { "Fit" }
    }
    fn help(&self) -> &'static str {
        match self.0 {
            FitOf::Kit => "How far every pad is shaped towards its role: 0 % is each hit as it was recorded.",
            FitOf::Pad => "How far the hit is shaped towards its role: 0 % is the hit as it was recorded.",
            FitOf::Percussion => {
                "How far the hit is tidied up: 0 % is the hit as it was recorded. Percussion is shaped towards no drum."
            }
        }
    }
    fn unit(&self) -> kitwright_core::settings::Unit {
        kitwright_core::settings::Unit::Percent
    }
    fn bounds(&self) -> [f32; 2] {
        [0.0, 1.0]
    }
    fn default(&self) -> f32 {
        0.7
    }
    fn to_travel(&self, value: f32) -> f32 {
        value.clamp(0.0, 1.0)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        travel.clamp(0.0, 1.0)
    }
    fn clamp(&self, value: f32) -> f32 {
        value.clamp(0.0, 1.0)
    }
    fn show(&self, value: f32) -> String {
        format!("{:.0} %", value * 100.0)
    }
    fn read(&self, text: &str) -> Option<f32> {
        let number: f32 = text.trim().trim_end_matches('%').trim().replace(',', ".").parse().ok()?;
        number.is_finite().then(|| (number / 100.0).clamp(0.0, 1.0))
    }
}

/// Puts the next-best hit on the pad; pressing on goes through all of them.
fn next_best(ui: &mut Ui, state: &mut WindowState, cx: &FrameContext<'_>) {
    let pad = state.selection.pad;
    let audition = cx.pad(pad).audition.clone();
    let any = audition.as_ref().is_some_and(|a| !a.next_best.is_empty());
    let response = ui.add_enabled(any, egui::Button::new("Next best"));
    let response = widgets::named(response, Role::Button, "Next best hit")
        .on_hover_text("Tries the hit that serves next best in this role.");
    let Some(audition) = audition.filter(|_| response.clicked()) else { return };
    let tried = &mut state.tried[pad];
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

fn pad_menu(ui: &mut Ui, state: &mut WindowState, cx: &FrameContext<'_>) {
    let pad = state.selection.pad;
    let response = widgets::button(ui, "Pad...", "Pad menu", "Copy, paste, clear.");
    Popup::menu(&response).show(|ui| {
        if ui.button("Copy pad").clicked() {
            state.clipboard = Some(cx.pad(pad).clone());
            ui.close();
        }
        let paste = ui.add_enabled(state.clipboard.is_some(), egui::Button::new("Paste pad"));
        if let Some(copied) = state.clipboard.clone().filter(|_| paste.clicked()) {
            cx.edit_pad(pad, "paste", |p| *p = Pad { note: p.note, ..copied });
            ui.close();
        }
        if ui.button("Clear pad").clicked() {
            cx.edit_pad(pad, "clear", |p| *p = Pad::empty(p.note, p.role));
            ui.close();
        }
    });
}
