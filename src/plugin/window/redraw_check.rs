//! Redraw check: whether anything that the window shows has changed, so that an idle window draws no frames.

use kitwright_core::{kit::PADS, session::Session};
use std::sync::atomic::Ordering::Relaxed;

/// Peak, a gain, below which the output counts as silent.
const SILENT_PEAK: f32 = 1e-4;

/// What the window shows of the session and its engine.
#[derive(PartialEq, Default)]
pub(super) struct VisibleState {
    revision: u64,
    step: String,
    /// In thousandths: a smaller step moves the bar by less than a pixel.
    done: u32,
    error: Option<String>,
    strokes: [u32; PADS],
    sounding: bool,
    recording: bool,
    side_input_has_signal: bool,
}

impl VisibleState {
    /// Reads the session: a few atomic loads and two short locks.
    pub fn of(session: &Session) -> Self {
        let job = session.job();
        let meters = session.meters();
        Self {
            revision: session.revision(),
            done: job.as_ref().map_or(0, |j| (j.done * 1000.0) as u32),
            step: job.map(|j| j.step).unwrap_or_default(),
            error: session.error().map(|e| e.to_string()),
            strokes: std::array::from_fn(|p| meters.as_ref().map_or(0, |m| m.pad_triggers[p].load(Relaxed))),
            recording: session.recording().is_some(),
            side_input_has_signal: session.side_input_has_signal(),
            sounding: meters.is_some_and(|m| f32::from_bits(m.main_peak.load(Relaxed)) > SILENT_PEAK),
        }
    }

    /// Whether a frame must be drawn: something sounds, or differs from the check before.
    pub fn needs_frame_after(&self, before: &Self) -> bool {
        self.sounding || self != before
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn frames_are_drawn_only_for_changes_and_sound() {
        let session = Session::new();
        let first = VisibleState::of(&session);
        assert!(!VisibleState::of(&session).needs_frame_after(&first));
        session.edit("name", |kit| kit.doc.name = "other".into());
        let edited = VisibleState::of(&session);
        assert!(edited.needs_frame_after(&first));
        let meters: Arc<kitwright_core::engine::Meters> = Arc::default();
        session.attach_engine(48_000.0, meters.clone());
        assert!(!VisibleState::of(&session).needs_frame_after(&edited));
        meters.pad_triggers[3].fetch_add(1, Relaxed);
        assert!(VisibleState::of(&session).needs_frame_after(&edited));
        let triggered = VisibleState::of(&session);
        meters.main_peak.store(0.5_f32.to_bits(), Relaxed);
        let sounding = VisibleState::of(&session);
        assert!(sounding.needs_frame_after(&triggered) && sounding.needs_frame_after(&sounding));
    }
}
