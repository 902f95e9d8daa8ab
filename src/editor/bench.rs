//! The bench: one pad's path from its hit to its role, from left to right.

pub(super) mod cloud;
mod curve;
mod hit;
mod layers;
pub(super) mod live;
pub(super) mod place;
pub(super) mod reductions;
pub(super) mod spectrum;
pub(super) mod strokes;
mod tone;

use super::{
    desk::Desk,
    state::{PendingFit, Station, WindowState},
    theme, widgets,
};
use egui::{Align2, Popup, Rect, RichText, Role, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::{
    engine::Source,
    kit::{Pad, Role as PadRole},
    session::Job,
};

/// Height of a line of words above or below a picture, points.
const CAPTION: f32 = 17.0;

/// Shows the chosen pad in `rect`; gives the place where its hit enters.
pub fn show(ui: &mut Ui, rect: Rect, state: &mut WindowState, desk: &mut Desk<'_>) -> egui::Pos2 {
    let painter = ui.painter().clone();
    painter.rect_filled(rect, theme::ROUND, theme::WOOD);
    painter.rect_stroke(rect, theme::ROUND, (1.0, theme::AMBER), egui::StrokeKind::Inside);
    let strip = Rect::from_min_size(rect.min + vec2(8.0, 6.0), vec2(rect.width() - 16.0, 40.0));
    let panel =
        Rect::from_min_max(pos2(rect.left() + 10.0, strip.bottom() + 6.0), rect.max - vec2(10.0, 8.0));
    state.reductions.follow(ui, state.pad, desk);
    if state.station != Station::Tone
        && let Some(meters) = desk.session.meters()
    {
        meters.scope.listen(Source::Off);
    }
    ui.scope_builder(UiBuilder::new().id_salt("path").max_rect(strip), |ui| path(ui, strip, state, desk));
    ui.scope_builder(
        UiBuilder::new().id_salt(("panel", state.pad, state.station.word())).max_rect(panel),
        |ui| {
            ui.set_clip_rect(panel.expand(2.0));
            match state.station {
                Station::Hit => hit::show(ui, panel, state, desk),
                Station::Layers => layers::show(ui, panel, state, desk),
                Station::Cloud => cloud::show(ui, panel, state, desk),
                Station::Tone => tone::show(ui, panel, state, desk),
                Station::Place => place::show(ui, panel, state, desk),
                Station::Trims => place::show_trims(ui, state, desk),
            }
        },
    );
    pos2(strip.left() + 34.0, rect.top())
}

/// The stations from left to right, and at the end the role with its fit.
fn path(ui: &mut Ui, strip: Rect, state: &mut WindowState, desk: &mut Desk<'_>) {
    let end_width = 396.0_f32.min(strip.width() * 0.46);
    let step = (strip.width() - end_width) / Station::ALL.len() as f32;
    for (i, station) in Station::ALL.into_iter().enumerate() {
        let rect = Rect::from_min_size(
            pos2(strip.left() + i as f32 * step, strip.top()),
            vec2(step - 14.0, strip.height()),
        );
        one_station(ui, rect, state, desk, station);
        widgets::arrow(ui.painter(), pos2(rect.right() + 7.0, rect.center().y), theme::INK_SOFT);
    }
    let end = Rect::from_min_max(pos2(strip.right() - end_width, strip.top()), strip.max);
    state.aim = desk.pad(state.pad).audition.is_some().then_some(end);
    ui.scope_builder(UiBuilder::new().id_salt("role").max_rect(end), |ui| {
        ui.horizontal_centered(|ui| role_end(ui, state, desk));
    });
}

fn one_station(ui: &mut Ui, rect: Rect, state: &mut WindowState, desk: &Desk<'_>, station: Station) {
    let response = ui.interact(rect, ui.scope_id().with(station.word()), Sense::click());
    let on = state.station == station;
    let words = match state.automation.moving_of(state.pad) {
        n if n > 0 && station == Station::Trims => format!("host moves {n}"),
        _ => summary(station, desk.pad(state.pad)),
    };
    response.widget_info(|| WidgetInfo::selected(Role::Tab, true, on, station.word()));
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
        station.word(),
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
        state.station = station;
    }
    response.on_hover_text(help(station));
}

fn help(station: Station) -> &'static str {
    match station {
        Station::Hit => "Which hit the pad is made of, and what was done to it.",
        Station::Layers => {
            "Up to four readings of the hit: where it starts and ends, its pitch, envelope and cuts."
        }
        Station::Cloud => "The copies around the hit that make it sound like several people.",
        Station::Tone => "Cuts, limiter, saturation, EQ and compressors.",
        Station::Place => "Level, place, choke group, and how one hit differs from the next.",
        Station::Trims => "What the host can automate, on top of everything else.",
    }
}

fn summary(station: Station, pad: &Pad) -> String {
    match station {
        Station::Hit => match &pad.audition {
            _ if pad.is_empty() => "none yet".into(),
            Some(a) => format!("no. {}", a.hit + 1),
            None => "by hand".into(),
        },
        Station::Layers => match pad.layers.iter().filter(|l| l.settings.on).count() {
            1 => "one".into(),
            n => format!("{n} of {}", pad.layers.len()),
        },
        Station::Cloud if pad.cloud.copies == 0 => "off".into(),
        Station::Cloud => format!("{} copies", pad.cloud.copies),
        Station::Tone => match tone::stages_on(&pad.tone) {
            0 => "none".into(),
            1 => "1 stage".into(),
            n => format!("{n} stages"),
        },
        Station::Place => kitwright_core::kit::PAD[0].show(pad.settings.level_db),
        Station::Trims => "host".into(),
    }
}

/// The end of the path: the role, how far towards it, another hit, A and B, and what can be done with the pad.
fn role_end(ui: &mut Ui, state: &mut WindowState, desk: &mut Desk<'_>) {
    ui.spacing_mut().item_spacing.x = 5.0;
    role_button(ui, state, desk);
    fit_rule(ui, state, desk, Some(state.pad), 92.0);
    next_best(ui, state, desk);
    let side = state.compare.pad_side(state.pad);
    let help = "Turns between two states of this pad; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Pad {side}"), "A or B of the pad", help).clicked()
        && let Some(other) = state.compare.turn_pad(state.pad, desk.pad(state.pad))
    {
        desk.edit_pad(state.pad, "A or B", |pad| *pad = other);
    }
    pad_menu(ui, state, desk);
}

fn role_button(ui: &mut Ui, state: &mut WindowState, desk: &Desk<'_>) {
    let pad = state.pad;
    let now = desk.pad(pad).role;
    let response = ui.add(egui::Button::new(RichText::new(now.word()).strong()).min_size(vec2(78.0, 26.0)));
    let response = widgets::named(response, Role::ComboBox, &format!("Role of pad {}", pad + 1));
    Popup::menu(&response).show(|ui| {
        for role in PadRole::ALL {
            let entry = ui.selectable_label(role == now, role.word());
            entry.widget_info(|| {
                WidgetInfo::selected(Role::MenuItem, true, role == now, format!("Role {role}"))
            });
            if entry.clicked() {
                take_role(desk, pad, role);
                ui.close();
            }
        }
    });
    let aim = match &desk.pad(pad).target {
        Some(target) => format!("It comes close to {}.", target.name),
        None => "Drop a drum sound here for the pad to come close to it.".to_owned(),
    };
    response.on_hover_text(format!("What the pad stands for; another role shapes the hit anew. {aim}"));
}

fn take_role(desk: &Desk<'_>, pad: usize, role: PadRole) {
    match &desk.pad(pad).audition {
        Some(a) => desk.session.start(Job::SetHit { pad, source: (a.take, a.hit), role }),
        None => desk.edit_pad(pad, "role", |p| p.role = role),
    }
}

/// The fit of a pad, or of the kit; the work starts once the hand rests.
pub fn fit_rule(ui: &mut Ui, state: &mut WindowState, desk: &Desk<'_>, pad: Option<usize>, width: f32) {
    let now = pad.map_or(desk.kit.doc.fit, |p| desk.pad(p).fit);
    let pending = state.pending_fit.filter(|p| p.pad == pad);
    let owner = pad.map_or_else(|| "Whole".to_owned(), |p| format!("Pad {}", p + 1));
    let shown = pending.or(state.sent_fit.filter(|p| p.pad == pad)).map_or(now, |p| p.fit);
    let of = match pad {
        None => FitOf::Kit,
        Some(p) if desk.pad(p).role.is_scored() || desk.pad(p).target.is_some() => FitOf::Pad,
        Some(_) => FitOf::Percussion,
    };
    let moved = widgets::rule(ui, &Fit(of), &owner, shown, width);
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
fn next_best(ui: &mut Ui, state: &mut WindowState, desk: &Desk<'_>) {
    let pad = state.pad;
    let audition = desk.pad(pad).audition.clone();
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
        desk.session.start(Job::SetHit { pad, source, role: desk.pad(pad).role });
    }
}

fn pad_menu(ui: &mut Ui, state: &mut WindowState, desk: &Desk<'_>) {
    let pad = state.pad;
    let response = widgets::button(ui, "Pad...", "What to do with the pad", "Copy, paste, clear.");
    Popup::menu(&response).show(|ui| {
        if ui.button("Copy pad").clicked() {
            state.clipboard = Some(desk.pad(pad).clone());
            ui.close();
        }
        let paste = ui.add_enabled(state.clipboard.is_some(), egui::Button::new("Paste pad"));
        if let Some(copied) = state.clipboard.clone().filter(|_| paste.clicked()) {
            desk.edit_pad(pad, "paste", |p| *p = Pad { note: p.note, ..copied });
            ui.close();
        }
        if ui.button("Clear pad").clicked() {
            desk.edit_pad(pad, "clear", |p| *p = Pad::empty(p.note, p.role));
            ui.close();
        }
    });
}
