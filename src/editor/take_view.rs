//! The take: time flows from left to right, hits are marked and say what they became.

mod body;
mod head;
mod labels;

pub use body::{HitPayload, hit_name};

use super::{desk::Desk, state::WindowState, wave::Pyramid};
use egui::{Rect, Ui, UiBuilder};
use kitwright_core::{
    kit::{Kit, Role},
    take::Take,
};
use std::sync::Arc;

/// Where one looks in the take.
#[derive(Debug, Default)]
pub struct TakeView {
    /// The take shown.
    pub take: usize,
    /// First and last frame in sight; equal before a take was shown.
    pub sight: [f64; 2],
    /// The chosen hit of this take.
    pub hit: Option<usize>,
    /// A place pointed at for splitting and adding, in frames.
    pub cursor: Option<u64>,
    /// A hit that starts here is chosen once it is there.
    pub(super) expected: Option<u64>,
    /// For hearing the take again, -1 to 1.
    pub sensitivity: f32,
    /// For hearing the take again: hits are cut off so far below their loudest moment.
    pub gate_db: Option<f32>,
    /// Where the chosen pad's hit lies on the screen, for the line that leads from it to the bench.
    pub(super) root: Option<egui::Pos2>,
    /// A hit edge under the hand: hit and its new start and end.
    pub(super) edge: Option<(usize, [u64; 2])>,
}

impl TakeView {
    /// Shows another take, from its beginning to its end.
    pub fn turn_to(&mut self, take: usize) {
        *self = Self { take, sensitivity: self.sensitivity, gate_db: self.gate_db, ..Self::default() };
    }

    /// Zooms by `factor` (below 1: closer) around a frame.
    pub fn zoom(&mut self, factor: f64, around: f64, frames: f64) {
        let [start, end] = self.sight;
        // closer than 32 frames there is nothing more to see
        let span = ((end - start) * factor).clamp(32.0_f64.min(frames), frames.max(1.0));
        let share = ((around - start) / (end - start)).clamp(0.0, 1.0);
        self.sight[0] = around - span * share;
        self.sight[1] = self.sight[0] + span;
        self.keep_inside(frames);
    }

    /// Moves what is in sight by frames.
    pub fn pan(&mut self, by: f64, frames: f64) {
        self.sight = self.sight.map(|s| s + by);
        self.keep_inside(frames);
    }

    fn keep_inside(&mut self, frames: f64) {
        let span = (self.sight[1] - self.sight[0]).clamp(1.0, frames.max(1.0));
        let start = self.sight[0].clamp(0.0, (frames - span).max(0.0));
        self.sight = [start, start + span];
    }
}

/// The take and its wave as this frame shows them.
pub(super) struct Shown {
    pub take: Arc<Take>,
    pub pyramid: Option<Arc<Pyramid>>,
    pub index: usize,
    pub users: Vec<Vec<User>>,
}

/// A pad that plays a hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct User {
    pub pad: usize,
    pub role: Role,
    /// MIDI note of the key that plays it.
    pub note: u8,
    /// Takes turns with the cast hit.
    pub alternate: bool,
}

/// Height of the line above the wave.
const HEAD: f32 = 36.0;

/// Shows the take in `rect`.
pub fn show(ui: &mut Ui, rect: Rect, state: &mut WindowState, desk: &mut Desk<'_>) {
    state.take.root = None;
    if desk.kit.takes.is_empty() {
        return;
    }
    if state.take.take >= desk.kit.takes.len() {
        state.take.turn_to(0);
    }
    let index = state.take.take;
    let take = desk.kit.takes[index].clone();
    let frames = take.frames() as f64;
    if state.take.sight[1] - state.take.sight[0] < 1.0 {
        state.take.sight = [0.0, frames.max(1.0)];
    }
    let pyramid = state.waves.get(&take, ui.ctx());
    let shown = Shown { users: users(&desk.kit, index), take, pyramid, index };
    let head_rect = Rect::from_min_size(rect.min, egui::vec2(rect.width(), HEAD));
    let body_rect = Rect::from_min_max(egui::pos2(rect.left(), rect.top() + HEAD), rect.max);
    ui.scope_builder(UiBuilder::new().id_salt("take head").max_rect(head_rect), |ui| {
        head::show(ui, state, desk, &shown)
    });
    ui.scope_builder(UiBuilder::new().id_salt("take body").max_rect(body_rect), |ui| {
        body::show(ui, body_rect, state, desk, &shown);
    });
}

/// Which pads play each hit of a take.
fn users(kit: &Kit, take: usize) -> Vec<Vec<User>> {
    let Some(entry) = kit.doc.takes.get(take) else { return Vec::new() };
    let mut users = vec![Vec::new(); entry.hits.len()];
    for (pad, built) in kit.doc.pads.iter().enumerate() {
        let cast = built.audition.as_ref().filter(|a| a.take == take && !built.is_empty()).map(|a| a.hit);
        if let Some(list) = cast.and_then(|hit| users.get_mut(hit)) {
            list.push(User { pad, role: built.role, note: built.note, alternate: false });
        }
        for slice in built.slices.iter().skip(1).filter(|s| s.take == take) {
            let hit = entry.hits.partition_point(|h| h.start <= slice.start).checked_sub(1);
            if let Some(hit) = hit.filter(|&h| Some(h) != cast)
                && entry.hits[hit].end > slice.start
            {
                users[hit].push(User { pad, role: built.role, note: built.note, alternate: true });
            }
        }
    }
    users
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zooming_keeps_the_place_under_the_pointer_and_never_leaves_the_take() {
        let mut view = TakeView { sight: [0.0, 1000.0], ..TakeView::default() };
        view.zoom(0.5, 400.0, 1000.0);
        assert_eq!(view.sight, [200.0, 700.0]);
        view.pan(-900.0, 1000.0);
        assert_eq!(view.sight, [0.0, 500.0]);
        view.zoom(100.0, 10.0, 1000.0);
        assert_eq!(view.sight, [0.0, 1000.0]);
        for _ in 0..100 {
            view.zoom(0.5, 990.0, 1000.0);
        }
        assert!(view.sight[1] - view.sight[0] >= 32.0 && view.sight[1] <= 1000.0);
    }
}
