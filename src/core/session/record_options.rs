//! How a recording begins and ends, and what is seen of it while it runs.

use crate::take::Take;

/// How a recording begins and ends.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RecordOptions {
    /// Counts in first; nothing before its end is recorded.
    pub count_in: Option<CountIn>,
    /// Begins 200 ms before the first hit instead of at once.
    pub from_first_hit: bool,
    /// Ends by itself 1 s after the last hit, once nothing has come for 4 s.
    pub until_silence: bool,
}

/// Beats that are heard before a recording begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountIn {
    /// How many; 16 at most count.
    pub beats: u8,
    /// Beats per minute, 20 to 999.
    pub tempo: f32,
}

impl CountIn {
    /// Length of one beat, s.
    fn beat_seconds(self) -> f64 {
        60.0 / f64::from(if self.tempo.is_finite() { self.tempo } else { 120.0 }.clamp(20.0, 999.0))
    }

    pub(super) fn frames(self, rate: u32) -> u64 {
        (f64::from(self.beats.min(16)) * self.beat_seconds() * f64::from(rate)) as u64
    }

    /// Its clicks, the first one higher: 20 ms each.
    pub(super) fn clicks(self, rate: u32) -> Take {
        let per_beat = self.beat_seconds() * f64::from(rate);
        let samples = (0..self.frames(rate)).map(|i| {
            let beat = (i as f64 / per_beat).floor();
            let t = (i as f64 - beat * per_beat) / f64::from(rate);
            let hz = if beat == 0.0 { 1760.0 } else { 880.0 };
            let fade = (1.0 - t / 0.02).max(0.0);
            (0.3 * fade * libm::sin(std::f64::consts::TAU * hz * t)) as f32
        });
        Take::from_samples("count-in", rate, vec![samples.collect()])
    }
}

/// What a recording does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RecordingPhase {
    /// The count-in runs.
    CountIn,
    /// It waits for the first hit.
    Waiting,
    /// It records.
    Running,
}

/// State of a running recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recording {
    /// What it does.
    pub phase: RecordingPhase,
    /// Length so far, s; of a count-in, what is left of it.
    pub seconds: f32,
    /// Highest magnitude since the meter was last read, as a fraction of full scale.
    pub peak: f32,
    /// Length lost because the machine stalled, s; 0 in a complete recording.
    pub lost_seconds: f32,
}
