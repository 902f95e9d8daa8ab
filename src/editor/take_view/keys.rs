//! The take by keyboard: its hits, and the edges of the chosen one.

use super::{
    chosen_hit::{choose, within_neighbours},
    position::TakeView,
    shown::ShownTake,
};
use crate::editor::{frame_context::FrameContext, selection::Selection};
use egui::{EventFilter, Key, Modifiers, Response, Ui};
use kitwright_core::session::{HitEdit, Job};

/// The keyboard's way through the hits: the take is one stop for Tab; arrows, Home and End choose a hit and play it, with
/// Shift they move its end and with Alt its start; Enter puts it onto the chosen pad, Delete removes it, Escape lets it go.
pub(super) fn hit_keys(
    ui: &Ui,
    ground: &Response,
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
) {
    if !ground.has_focus() {
        return;
    }
    let filter = EventFilter { horizontal_arrows: true, escape: view.hit.is_some(), ..Default::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(ground.id, filter));
    if let Some(hit) = view.hit.filter(|h| *h < shown.users.len())
        && edge_keys(ui, ground.rect.width(), view, cx, shown, hit)
    {
        return;
    }
    let pressed = |key| ui.input(|i| i.key_pressed(key));
    let count = shown.users.len();
    let next = match view.hit {
        _ if count == 0 => None,
        _ if pressed(Key::Home) => Some(0),
        _ if pressed(Key::End) => Some(count - 1),
        None if pressed(Key::ArrowRight) || pressed(Key::ArrowLeft) => Some(0),
        Some(hit) if pressed(Key::ArrowRight) => Some((hit + 1).min(count - 1)),
        Some(hit) if pressed(Key::ArrowLeft) => Some(hit.saturating_sub(1)),
        _ => None,
    };
    if let Some(hit) = next {
        choose(view, selection, cx, shown, hit);
        view.reveal(cx.kit.doc.takes[shown.index].hits[hit].start as f64, shown.take.frames() as f64);
    } else if let Some(hit) = view.hit.filter(|_| pressed(Key::Delete)) {
        cx.session.start(Job::EditHits(shown.index, HitEdit::Remove(hit)));
        view.hit = None;
    } else if let Some(hit) = view.hit.filter(|_| pressed(Key::Enter)) {
        let pad = selection.pad;
        cx.session.start(Job::SetHit { pad, source: (shown.index, hit), role: cx.pad(pad).role });
    } else if pressed(Key::Escape) {
        view.hit = None;
    }
}

/// Points on the screen by which one press of an arrow moves an edge of a hit.
const EDGE_STEP: f32 = 3.0;
/// The same in time, ms: at least and at most.
const EDGE_STEP_MS: [f64; 2] = [1.0, 5.0];

/// Moves the start (Alt) or the end (Shift) of a hit with the arrows; returns whether it was one of these keys.
fn edge_keys(
    ui: &Ui,
    width: f32,
    view: &TakeView,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
    hit: usize,
) -> bool {
    let pressed = |modifiers, key| ui.input_mut(|i| i.consume_key(modifiers, key));
    let way = |modifiers| {
        let (left, right) = (pressed(modifiers, Key::ArrowLeft), pressed(modifiers, Key::ArrowRight));
        f64::from(i8::from(right) - i8::from(left))
    };
    let (of_start, of_end) = (way(Modifiers::ALT), way(Modifiers::SHIFT));
    if of_start == 0.0 && of_end == 0.0 {
        return false;
    }
    let per_point = (view.visible_frames[1] - view.visible_frames[0]) / f64::from(width.max(1.0));
    // far out a point is longer than a hit
    let [finest, coarsest] = EDGE_STEP_MS.map(|ms| ms * f64::from(shown.take.sample_rate) / 1000.0);
    let step = (per_point * f64::from(EDGE_STEP)).clamp(finest, coarsest);
    let entry = &cx.kit.doc.takes[shown.index];
    let moved = |frame: u64, way: f64| {
        (frame as f64 + way * step).clamp(0.0, shown.take.frames() as f64).round() as u64
    };
    let edges = [moved(entry.hits[hit].start, of_start), moved(entry.hits[hit].end, of_end)];
    let [start, end] = within_neighbours(entry, hit, edges);
    cx.session.start(Job::EditHits(shown.index, HitEdit::Reshape { hit, start, end }));
    true
}
