//! Whether something outside the window changed since the last look: nothing is drawn when nothing changes.

use kitwright_core::{kit::PADS, session::Session};
use std::sync::atomic::Ordering::Relaxed;

/// Peak below which the output counts as silent.
const SILENCE: f32 = 1e-4;

/// What makes a frame worth drawing.
#[derive(PartialEq, Default)]
pub(super) struct Glance {
    revision: u64,
    step: String,
    /// In thousandths: progress moves the bar by less than a pixel otherwise.
    done: u32,
    error: Option<String>,
    strokes: [u32; PADS],
    sounding: bool,
    recording: bool,
    side_input_heard: bool,
}

impl Glance {
    /// A look at the session: a few loads and two short locks.
    pub fn at(session: &Session) -> Self {
        let job = session.job();
        let meters = session.meters();
        Self {
            revision: session.revision(),
            done: job.as_ref().map_or(0, |j| (j.done * 1000.0) as u32),
            step: job.map(|j| j.step).unwrap_or_default(),
            error: session.error().map(|e| e.to_string()),
            strokes: std::array::from_fn(|p| meters.as_ref().map_or(0, |m| m.pad_strokes[p].load(Relaxed))),
            recording: session.recording().is_some(),
            side_input_heard: session.side_input_heard(),
            sounding: meters.is_some_and(|m| f32::from_bits(m.main_peak.load(Relaxed)) > SILENCE),
        }
    }

    /// Whether a frame is due after `self` when the last look gave `before`.
    pub fn calls_for_a_frame(&self, before: &Self) -> bool {
        self.sounding || self != before
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn nothing_is_drawn_until_something_changes() {
        let session = Session::new();
        let first = Glance::at(&session);
        assert!(!Glance::at(&session).calls_for_a_frame(&first));
        session.edit("name", |kit| kit.doc.name = "other".into());
        let edited = Glance::at(&session);
        assert!(edited.calls_for_a_frame(&first));
        let meters: Arc<kitwright_core::engine::Meters> = Arc::default();
        session.attach_engine(48_000.0, meters.clone());
        assert!(!Glance::at(&session).calls_for_a_frame(&edited));
        meters.pad_strokes[3].fetch_add(1, Relaxed);
        assert!(Glance::at(&session).calls_for_a_frame(&edited));
        let struck = Glance::at(&session);
        meters.main_peak.store(0.5_f32.to_bits(), Relaxed);
        let sounding = Glance::at(&session);
        assert!(sounding.calls_for_a_frame(&struck) && sounding.calls_for_a_frame(&sounding));
    }
}
