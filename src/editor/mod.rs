//! The window: shows, plays and changes a kit.
//!
//! [`ui`] draws one frame from a [`Session`] and knows nothing of hosts; `plugin::window` runs it inside one. From
//! top to bottom: the take, with time from left to right; the pad editor, which shows the path of one pad from its
//! hit to its role; and the kit, along the keys that play it. Lines connect the hit, the pad editor and the pad.
//!
//! | part | what it holds |
//! | --- | --- |
//! | `theme` | palette, type scale, distances |
//! | `widgets` | the controls for settings |
//! | `wave` | waveforms at any zoom |
//! | `take_view` | the take and its hits |
//! | `pad_editor` | one pad |
//! | `kit_view` | sixteen pads along their keys |
//! | `keys_box`, `piano`, `notes` | hits over the keyboard: bass and chords; drawn keys; MIDI notes typed and learned |
//! | `finished`, `character`, `equal_loudness` | the pads as they are heard, what they are like, compared with the hit |
//! | `score_text`, `pad_facts` | a pad's score in words; what is weak, shared or tuned about it |
//! | `header`, `file_browser`, `about` | files, undo |
//! | `status`, `unsaved`, `first_start` | progress, errors, messages; unsaved work; the empty window |
//! | `drops`, `record` | files dropped onto the window, recording the side input |
//! | `library` | the folder of kits |
//! | `trims`, `host_facts` | host parameters, and what the host says |
//!
//! [`WindowState`] holds one state for each view, defined in the view's file. A view gets its own state, the
//! [`Selection`] and a [`frame_context::FrameContext`].

pub mod about;
mod automation;
mod character;
pub mod compare;
mod dragged;
pub mod drops;
pub mod envelope;
mod equal_loudness;
pub mod file_browser;
pub mod finished;
mod first_start;
mod fit_control;
pub mod frame_context;
mod groove_view;
pub mod header;
mod held_pads;
mod host_facts;
mod keys_box;
pub mod kit_view;
mod learn;
pub mod library;
mod lights;
mod marked;
mod notes;
pub mod pad_editor;
mod pad_facts;
mod piano;
pub mod record;
mod regions;
mod score_text;
mod selection;
mod side_input;
mod state;
mod status;
mod stored_window;
pub mod take_view;
pub mod theme;
mod trim_grid;
pub mod trims;
mod unsaved;
pub mod wave;
pub mod widgets;

pub use selection::{Section, Selection};
pub use state::WindowState;
pub use stored_window::StoredWindow;
pub use trims::{Indication, PlainTrims, Track, Trim, TrimAccess};

use automation::NotedTrims;
use drops::DropTargets;
use egui::{Pos2, Rect, Ui, UiBuilder, pos2, vec2};
use file_browser::{FileBrowser, Outcome};
use frame_context::FrameContext;
use kitwright_core::session::{Job, Session};
use std::{path::PathBuf, sync::Arc};

/// One frame of the window.
pub fn ui(ui: &mut Ui, state: &mut WindowState, session: &Session, trims: &mut dyn TrimAccess) {
    // apart from the state for this frame: views get both
    let mut readings = std::mem::take(&mut state.readings);
    readings.automation.follow(trims, ui.input(|i| i.time));
    let mut noted = NotedTrims { trims, moved: Vec::new() };
    let (kit, readings_now) = (session.kit(), &mut readings);
    frame(
        ui,
        state,
        &mut FrameContext { session, kit, trims: &mut noted, readings: readings_now, browse: None },
    );
    // a control that is shown no more while it is held, or is let go of outside the window, does not end its gesture
    if !ui.input(|i| i.pointer.any_down()) {
        noted.trims.end_all();
    }
    noted.moved.into_iter().for_each(|trim| readings.automation.by_hand(trim));
    if readings.automation.any() {
        ui.ctx().request_repaint_after(std::time::Duration::from_millis(100));
    }
    state.readings = readings;
}

/// One frame, with its context.
fn frame(ui: &mut Ui, state: &mut WindowState, cx: &mut FrameContext<'_>) {
    notice_new_kit(state, cx);
    if let Some(trims) = cx.session.take_loaded_trims() {
        cx.trims.put_all(&trims);
    }
    cx.session.take_opened().iter().for_each(|file| state.memory.remember(file));
    drops::take(ui, &state.drop_targets, &mut state.selection, &mut state.unsaved, cx);
    state.header.begin_frame(ui, cx);
    state.pad_editor.begin_frame(ui, cx);
    cx.readings.lights.follow(ui, cx.session);
    cx.readings.held.follow(ui, cx.session);
    notes::take_learned(ui, cx);
    if let Some(struck) = cx.readings.lights.take_struck()
        && state.selection.follow
        && !cx.session.groove().playing
    {
        state.selection.pad = struck;
    }
    state.side.follow(cx.session);
    state.drop_targets = DropTargets::default();
    let rect = ui.ctx().content_rect();
    ui.set_clip_rect(rect);
    ui.painter().rect_filled(rect, 0, theme::BACKGROUND);
    header::step_keys(ui, cx);
    cx.kit = cx.session.kit();
    // a kit emptied by undo is no first start
    let first = cx.kit.takes.is_empty()
        && cx.kit.doc.pads.iter().all(|p| p.is_empty())
        && cx.session.redo_names().is_empty();
    let rect = top(ui, rect, first, state, cx);
    let (rect, line) = rect.split_top_bottom_at_y(rect.bottom() - status::HEIGHT);
    if first {
        first_start::show(ui, rect, &mut state.unsaved, cx);
    } else {
        kit_view::play_keys(ui, cx);
        views(ui, rect, state, cx);
    }
    // after the views: it explains what is under the pointer
    bottom(ui, line, state.side.peak(), cx);
    boxes(ui, state, cx);
    drops::hint(ui, &state.drop_targets, state.selection.pad, cx);
}

/// Height of the views below which they leave out what is not needed.
const LOW: f32 = 560.0;

/// Take, pad editor and kit, from top to bottom.
fn views(ui: &mut Ui, rect: Rect, state: &mut WindowState, cx: &mut FrameContext<'_>) {
    let rect = rect.shrink2(vec2(12.0, 4.0));
    // low windows save where nothing is read
    let low = rect.height() < LOW;
    let gap = if low { 10.0 } else { 12.0 };
    // the kit is the instrument and gets the room; the pad editor scrolls where the window is small
    let tallest = if kit_view::is_one_row(rect.width()) { 280.0 } else { 420.0 };
    let kit_height = (rect.height() * 0.36).clamp(if low { 172.0 } else { 180.0 }, tallest);
    let take_height = if low { 104.0 } else { (rect.height() * 0.22).clamp(112.0, 320.0) };
    let take = Rect::from_min_size(rect.min, vec2(rect.width(), take_height));
    let kit = Rect::from_min_max(pos2(rect.left(), rect.bottom() - kit_height), rect.max);
    let editor =
        Rect::from_min_max(pos2(rect.left(), take.bottom() + gap), pos2(rect.right(), kit.top() - gap));
    let part =
        |ui: &mut Ui, name: &str, rect| UiBuilder::new().id_salt(name).max_rect(rect).layout(*ui.layout());
    let builder = part(ui, "take", take);
    let selection = &mut state.selection;
    ui.scope_builder(builder, |ui| take_view::show(ui, take, &mut state.take, selection, cx));
    let builder = part(ui, "kit", kit);
    let pads = ui.scope_builder(builder, |ui| kit_view::show(ui, kit, selection, cx)).inner;
    let builder = part(ui, "pad editor", editor);
    let show = |ui: &mut Ui| pad_editor::show(ui, editor, &mut state.pad_editor, selection, cx);
    let path = ui.scope_builder(builder, show).inner;
    state.drop_targets = DropTargets { pads: pads.pads, role: path.role };
    let regions = [state.header.first, state.take.ground, path.tab, pads.surface];
    state.regions.follow(ui, regions.into_iter().flatten().collect());
    let hit = state.take.hit_anchor.map(|at| pos2(at.x, take.bottom()));
    let colour = theme::family(cx.pad(selection.pad).role);
    connectors(ui, hit, path.entry, pads.chosen, editor, colour);
}

/// The lines from the hit to the pad editor and from the pad editor to the pad.
fn connectors(ui: &Ui, hit: Option<Pos2>, entry: Pos2, pad: Pos2, editor: Rect, colour: egui::Color32) {
    let stroke = egui::Stroke::new(2.0, colour);
    if let Some(hit) = hit {
        let middle = (hit.y + entry.y) / 2.0;
        ui.painter().add(egui::epaint::CubicBezierShape::from_points_stroke(
            [hit, pos2(hit.x, middle + 4.0), pos2(entry.x, middle - 4.0), entry],
            false,
            egui::Color32::TRANSPARENT,
            stroke,
        ));
    }
    let from = pos2(entry.x, editor.bottom());
    let middle = (from.y + pad.y) / 2.0;
    ui.painter().add(egui::epaint::CubicBezierShape::from_points_stroke(
        [from, pos2(from.x, middle + 2.0), pos2(pad.x, middle - 2.0), pad],
        false,
        egui::Color32::TRANSPARENT,
        stroke,
    ));
}

/// The top line; returns the space below it.
fn top(ui: &mut Ui, rect: Rect, first: bool, state: &mut WindowState, cx: &mut FrameContext<'_>) -> Rect {
    let head = Rect::from_min_size(rect.min, vec2(rect.width(), header::HEIGHT));
    ui.scope_builder(UiBuilder::new().id_salt("top").max_rect(head), |ui| {
        ui.horizontal_centered(|ui| {
            if first {
                header::show_empty(ui, head, &mut state.header, &mut state.memory, cx);
            } else {
                header::show(ui, head, &mut state.header, &mut state.memory, cx);
            }
        });
    });
    Rect::from_min_max(pos2(rect.left(), head.bottom()), rect.max)
}

/// The status line.
fn bottom(ui: &mut Ui, line: Rect, side_peak: f32, cx: &mut FrameContext<'_>) {
    ui.scope_builder(UiBuilder::new().id_salt("status").max_rect(line), |ui| {
        ui.horizontal_centered(|ui| status::show(ui, line, side_peak, cx));
    });
}

/// Dialogs over the window: the file browser, About, the output.
fn boxes(ui: &mut Ui, state: &mut WindowState, cx: &mut FrameContext<'_>) {
    header::output_box(ui, &mut state.header, state.pad_editor.main_ceiling_db(), cx);
    about::show(ui.ctx(), &mut state.header.about);
    let chosen = state.take.hit.map(|hit| (state.take.take, hit));
    keys_box::show(ui, &mut state.header.keys, chosen, cx);
    library::show(ui, &mut state.header.library, &mut state.library, &mut state.unsaved, cx);
    state.unsaved.show(ui, cx);
    if let Some(request) = cx.browse.take() {
        state.browser = Some(FileBrowser::new(request.purpose, &state.memory, &request.name, ui.ctx()));
    }
    state.unsaved.follow(cx, state.browser.is_some());
    let Some(browser) = &mut state.browser else { return };
    match browser.show(ui.ctx(), &mut state.memory, (cx.kit.doc.fit, cx.session.groove())) {
        Outcome::Open => {}
        Outcome::Cancelled => state.browser = None,
        Outcome::Chosen(job) => {
            state.browser = None;
            cx.readings.written = written_by(&job);
            state.unsaved.start(job, cx);
        }
    }
}

/// The file or folder that a job writes.
fn written_by(job: &Job) -> Option<PathBuf> {
    match job {
        Job::SaveKit(path)
        | Job::Export(path)
        | Job::SavePattern { file: path, .. }
        | Job::ExportSampler { folder: path, .. }
        | Job::ExportPad { file: path, .. } => Some(path.clone()),
        _ => None,
    }
}

/// After a change of the kit: drops what belongs to takes that are gone.
fn notice_new_kit(state: &mut WindowState, cx: &mut FrameContext<'_>) {
    let other_version = state.header.take_switched();
    let Some(last) = &state.last_kit else {
        state.last_kit = Some(cx.kit.clone());
        return;
    };
    if Arc::ptr_eq(last, &cx.kit) {
        return;
    }
    let same_takes = last.takes.len() <= cx.kit.takes.len()
        && last.takes.iter().zip(&cx.kit.takes).all(|(a, b)| Arc::ptr_eq(a, b));
    if !same_takes {
        let filled = cx.kit.doc.pads.iter().position(|p| !p.is_empty());
        if cx.pad(state.selection.pad).is_empty() {
            state.selection.pad = filled.unwrap_or(state.selection.pad);
        }
        cx.readings.waves.keep(&cx.kit.takes);
        state.take.turn_to(0);
        if !other_version {
            state.header.forget_kit();
        }
        state.pad_editor.forget_kit();
    }
    if same_takes && last.takes.len() < cx.kit.takes.len() && !last.takes.is_empty() {
        state.take.turn_to(cx.kit.takes.len() - 1);
    }
    state.take.follow_hits(&cx.kit.doc);
    state.last_kit = Some(cx.kit.clone());
}
