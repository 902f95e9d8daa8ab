//! The line above the take: the takes, tools for the chosen hit, zoom.

use super::{position::TakeView, shown::ShownTake};
use crate::editor::{file_browser::FilePurpose, frame_context::FrameContext, record, theme, widgets};
use egui::{Align, Align2, Layout, RichText, Role, Sense, Ui, WidgetInfo, vec2};
use kitwright_core::{
    listen::{DECAYED_DB, DetectOptions},
    session::{HitEdit, Job},
    settings::{Curve, Setting, Unit},
};

static SENSITIVITY: Setting<f32> = Setting {
    id: "sensitivity",
    name: "Sensitivity",
    unit: Unit::Percent,
    min: -1.0,
    max: 1.0,
    curve: Curve::Linear,
    default: 0.0,
    help: "Left: fewer hits. Right: more hits. Then press Detect again.",
    get: |v| *v,
    set: |v, new| *v = new,
};

static GATE: Setting<f32> = Setting {
    id: "gate",
    name: "Gate",
    unit: Unit::Decibels,
    min: -DECAYED_DB,
    max: -1.0,
    curve: Curve::Linear,
    default: -DECAYED_DB,
    help: "Hits end where they fall this far below their peak; at -60 dB they decay to their end. Then press Detect again.",
    get: |v| *v,
    set: |v, new| *v = new,
};

/// Width of the window from which the line has room for the menu of recording.
const ROOM_FOR_MORE: f32 = 960.0;

/// Shows the line; `pad` is the chosen pad.
pub(super) fn show(
    ui: &mut Ui,
    view: &mut TakeView,
    pad: usize,
    cx: &mut FrameContext<'_>,
    shown: &ShownTake,
) {
    // the tallest control sets the height, so that all are aligned
    ui.set_min_height(widgets::CONTROL_HEIGHT);
    ui.horizontal_centered(|ui| {
        ui.set_min_height(widgets::CONTROL_HEIGHT);
        takes(ui, view, cx);
        ui.separator();
        match view.hit.filter(|&h| h < shown.users.len()) {
            Some(hit) => hit_tools(ui, view, pad, cx, shown, hit),
            None => take_tools(ui, view, cx, shown),
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            zoom_tools(ui, view, shown);
            faults(ui, cx, shown);
        });
    });
}

fn takes(ui: &mut Ui, view: &mut TakeView, cx: &mut FrameContext<'_>) {
    for (i, entry) in cx.kit.doc.takes.iter().enumerate() {
        let seconds = entry.frames as f64 / f64::from(entry.sample_rate.max(1));
        let help = format!(
            "{}: {seconds:.1} s, {} Hz, {}, {} hits. {}",
            entry.name,
            entry.sample_rate,
            if entry.channels == 1 { "mono" } else { "stereo" },
            entry.hits.len(),
            cx.kit.takes.get(i).map(|t| t.notices.join(" ")).unwrap_or_default()
        );
        // several takes share the line
        let several = cx.kit.doc.takes.len() > 1;
        let short = if several { format!("Take {}", i + 1) } else { entry.name.chars().take(18).collect() };
        let on = view.take == i;
        if widgets::toggle(ui, on, &short, &format!("Take {}: {}", i + 1, entry.name), &help).clicked() && !on
        {
            view.turn_to(i);
        }
    }
    let last = view.take;
    if cx.kit.doc.takes.len() > 1
        && widgets::button(
            ui,
            "×",
            "Remove the take",
            "Removes this take from the kit; this works only while no pad or key part plays it.",
        )
        .clicked()
    {
        cx.session.start(Job::RemoveTake(last));
    }
    if widgets::button(
        ui,
        "Add take",
        "Add take",
        "One more recording of the same instrument; the pads stay.",
    )
    .clicked()
    {
        cx.browse(FilePurpose::AddTake, "");
    }
    if cx.session.recording().is_none() {
        record::button(ui, "Record", cx);
        if ui.ctx().content_rect().width() >= ROOM_FOR_MORE {
            record::more_button(ui, last, cx);
        }
    }
}

fn take_tools(ui: &mut Ui, view: &mut TakeView, cx: &FrameContext<'_>, shown: &ShownTake) {
    let hits = if shown.users.len() == 1 { "1 hit".into() } else { format!("{} hits", shown.users.len()) };
    ui.label(RichText::new(hits).color(theme::TEXT_DIM));
    let moved = widgets::slider(ui, &SENSITIVITY, "Detection", view.sensitivity, 96.0);
    if let Some(value) = moved.value {
        view.sensitivity = value;
    }
    let moved = widgets::slider(ui, &GATE, "Detection", -view.gate_db.unwrap_or(DECAYED_DB), 84.0);
    if let Some(value) = moved.value {
        view.gate_db = Some(-value).filter(|db| *db < DECAYED_DB);
    }
    if widgets::button(
        ui,
        "Detect again",
        "Detect the hits again",
        "Detects the hits again; hits set by hand stay, removed ones stay removed.",
    )
    .clicked()
    {
        let options = DetectOptions { sensitivity: view.sensitivity, gate_db: view.gate_db };
        cx.session.start(Job::DetectAgain(shown.index, options));
    }
    let help = "Casts the hits of all takes to the pads again; Undo brings the old pads back.";
    if widgets::button(ui, "Recast", "Recast the kit", help).clicked() {
        cx.session.start(Job::Recast);
    }
    if let Some(cursor) = view.cursor
        && widgets::button(ui, "Add hit", "Add a hit at the mark", "A new hit from the mark to the next one.")
            .clicked()
    {
        cx.session.start(Job::EditHits(shown.index, HitEdit::Add(cursor)));
        view.expected = Some(cursor);
    }
}

fn hit_tools(
    ui: &mut Ui,
    view: &mut TakeView,
    pad: usize,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
    hit: usize,
) {
    let take = shown.index;
    let Some(entry) = cx.kit.doc.takes[take].hits.get(hit) else { return };
    let at = entry.start as f64 / f64::from(shown.take.sample_rate);
    ui.label(RichText::new(format!("Hit {}", hit + 1)).color(theme::ACCENT).strong())
        .on_hover_text(format!("{at:.3} s, {:.1} dB at its peak", entry.description.peak_db));
    if widgets::button(ui, "Play", "Play the hit", "Plays it as it was recorded.").clicked() {
        cx.session.preview(take, entry.start, entry.end);
    }
    if widgets::button(
        ui,
        &format!("Onto pad {}", pad + 1),
        "Put the hit on the pad",
        "Makes the chosen pad of this hit; dragging the hit onto any pad does the same.",
    )
    .clicked()
    {
        cx.session.start(Job::SetHit { pad, source: (take, hit), role: cx.pad(pad).role });
    }
    // always in their places: what cannot be done is disabled
    let split_at = view.cursor.filter(|c| (entry.start + 1..entry.end).contains(c));
    let help = "Two hits, the second from the mark on.";
    let no = "Click into the hit to set the mark where it is to be split.";
    let split = ui.add_enabled_ui(split_at.is_some(), |ui| {
        widgets::button(ui, "Split", "Split the hit at the mark", help).on_disabled_hover_text(no)
    });
    if let Some(at) = split_at.filter(|_| split.inner.clicked()) {
        cx.session.start(Job::EditHits(take, HitEdit::Split { hit, at }));
        view.expected = Some(at);
    }
    let help = "One hit of this one and the next.";
    let merge = ui.add_enabled_ui(hit + 1 < shown.users.len(), |ui| {
        let button = widgets::button(ui, "Merge", "Merge the hit with the next", help);
        button.on_disabled_hover_text("There is no hit after this one.")
    });
    if merge.inner.clicked() {
        cx.session.start(Job::EditHits(take, HitEdit::Merge(hit)));
    }
    if widgets::button(ui, "Remove", "Remove the hit", "Forgets the hit; pads made of it keep their sound.")
        .clicked()
    {
        cx.session.start(Job::EditHits(take, HitEdit::Remove(hit)));
        view.hit = None;
    }
    if widgets::button(ui, "Deselect", "Deselect the hit", "Back to the tools of the whole take.").clicked() {
        view.hit = None;
    }
}

/// Narrowest room in which the faults of a take are said, points: "noise only…".
const LEAST_ROOM: f32 = 72.0;

/// What is amiss with the recording, in what room is left; all of it on the pointer's wish. Laid out from the right.
fn faults(ui: &mut Ui, cx: &FrameContext<'_>, shown: &ShownTake) {
    let found = cx.readings.waves.faults(&shown.take);
    let Some(first) = found.first() else { return };
    // what to do stands behind the colon
    let what = first.split(':').next().unwrap_or(first);
    let more = found.len() - 1;
    let text = if more > 0 { format!("{what}, and {more} more") } else { what.to_owned() };
    let ink = theme::TEXT_DIM;
    let wide = ui.painter().layout_no_wrap(text.clone(), theme::small(), ink).size().x;
    let room = ui.available_width() - theme::GAP;
    if room < LEAST_ROOM.min(wide) {
        return;
    }
    let (place, response) =
        ui.allocate_exact_size(vec2(wide.min(room), widgets::CONTROL_HEIGHT), Sense::hover());
    widgets::text_in(
        ui.painter(),
        place.left_center(),
        Align2::LEFT_CENTER,
        &text,
        theme::small(),
        ink,
        place.width(),
    );
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, format!("The recording is {text}")));
    response.on_hover_text(format!("{}:\n{}", shown.take.name, found.join("\n")));
}

/// Laid out from the right.
fn zoom_tools(ui: &mut Ui, view: &mut TakeView, shown: &ShownTake) {
    let frames = shown.take.frames() as f64;
    let middle = (view.visible_frames[0] + view.visible_frames[1]) / 2.0;
    if widgets::button(ui, "All", "Show the whole take", "From the beginning to the end.").clicked() {
        view.visible_frames = [0.0, frames.max(1.0)];
    }
    if widgets::button(ui, "+", "Zoom in", "Scrolling over the take does the same.").clicked() {
        view.zoom(0.5, middle, frames);
    }
    if widgets::button(ui, "-", "Zoom out", "Scrolling over the take does the same.").clicked() {
        view.zoom(2.0, middle, frames);
    }
}
