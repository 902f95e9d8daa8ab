//! State of the take view: which take is shown, which part of it, and what is chosen in it.

use kitwright_core::kit::Document;

/// What the take view keeps between frames.
#[derive(Debug, Default)]
pub struct TakeView {
    /// The take shown.
    pub take: usize,
    /// First and last frame shown; equal before a take was shown.
    pub visible_frames: [f64; 2],
    /// The chosen hit of this take.
    pub hit: Option<usize>,
    /// The mark for splitting and adding, frames.
    pub cursor: Option<u64>,
    /// Start of a hit that is chosen once the session has added it, frames.
    pub(crate) expected: Option<u64>,
    /// Sensitivity for the next detection, -1 to 1.
    pub sensitivity: f32,
    /// Gate for the next detection: hits end so far below their peak, dB.
    pub gate_db: Option<f32>,
    /// Where the chosen pad's hit lies on the screen, for the line from there to the pad editor.
    pub(crate) hit_anchor: Option<egui::Pos2>,
    /// What of the take gets the keyboard.
    pub(crate) ground: Option<egui::Id>,
    /// The hit whose edge is dragged, with its new start and end.
    pub(crate) edge: Option<(usize, [u64; 2])>,
}

impl TakeView {
    /// Shows another take, from its beginning to its end.
    pub fn turn_to(&mut self, take: usize) {
        *self = Self { take, sensitivity: self.sensitivity, gate_db: self.gate_db, ..Self::default() };
    }

    /// After a change of the kit: drops a hit that is gone, and chooses one that was waited for.
    pub(crate) fn follow_hits(&mut self, doc: &Document) {
        let hits = doc.takes.get(self.take).map_or(&[][..], |t| &t.hits);
        self.hit = self.hit.filter(|h| *h < hits.len());
        if let Some(start) = self.expected
            && let Ok(hit) = hits.binary_search_by_key(&start, |h| h.start)
        {
            self.hit = Some(hit);
            self.expected = None;
        }
    }

    /// Zooms by `factor` (below 1: closer) around a frame.
    pub fn zoom(&mut self, factor: f64, around: f64, frames: f64) {
        let [start, end] = self.visible_frames;
        // fewer than 32 frames show nothing more
        let span = ((end - start) * factor).clamp(32.0_f64.min(frames), frames.max(1.0));
        let share = ((around - start) / (end - start)).clamp(0.0, 1.0);
        self.visible_frames[0] = around - span * share;
        self.visible_frames[1] = self.visible_frames[0] + span;
        self.keep_inside(frames);
    }

    /// Scrolls until this frame is shown.
    pub fn reveal(&mut self, frame: f64, frames: f64) {
        let [start, end] = self.visible_frames;
        if !(start..end).contains(&frame) {
            // with what follows it in sight
            self.pan(frame - start - (end - start) * 0.2, frames);
        }
    }

    /// Scrolls by frames.
    pub fn pan(&mut self, by: f64, frames: f64) {
        self.visible_frames = self.visible_frames.map(|s| s + by);
        self.keep_inside(frames);
    }

    fn keep_inside(&mut self, frames: f64) {
        let span = (self.visible_frames[1] - self.visible_frames[0]).clamp(1.0, frames.max(1.0));
        let start = self.visible_frames[0].clamp(0.0, (frames - span).max(0.0));
        self.visible_frames = [start, start + span];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zoom_keeps_the_frame_under_the_pointer_within_the_take() {
        let mut view = TakeView { visible_frames: [0.0, 1000.0], ..TakeView::default() };
        view.zoom(0.5, 400.0, 1000.0);
        assert_eq!(view.visible_frames, [200.0, 700.0]);
        view.pan(-900.0, 1000.0);
        assert_eq!(view.visible_frames, [0.0, 500.0]);
        view.zoom(100.0, 10.0, 1000.0);
        assert_eq!(view.visible_frames, [0.0, 1000.0]);
        for _ in 0..100 {
            view.zoom(0.5, 990.0, 1000.0);
        }
        assert!(view.visible_frames[1] - view.visible_frames[0] >= 32.0 && view.visible_frames[1] <= 1000.0);
    }
}
