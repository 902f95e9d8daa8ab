//! The song position, followed from frame to frame, for placed variation.

/// Grid steps per beat: sixteenths, their triplets and 64ths fall on whole steps, so that rounding in a
/// host's position cannot move a note on the grid to the next step.
const GRID_STEPS_PER_BEAT: f64 = 48.0;

/// Song position and tempo, as the host reports them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Transport {
    /// Position of the next frame in beats (quarter notes) while the host plays, else `None`.
    pub beats: Option<f64>,
    /// Tempo, beats per minute.
    pub tempo: f64,
}

/// The latest [`Transport`] and the frame it belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SongPosition {
    transport: Transport,
    /// Absolute frame at which `transport` holds.
    at: u64,
    sample_rate: f64,
}

impl SongPosition {
    pub fn new(sample_rate: f64) -> Self {
        Self { transport: Transport::default(), at: 0, sample_rate }
    }

    /// Takes the transport as it is at absolute frame `now`.
    pub fn set(&mut self, transport: Transport, now: u64) {
        (self.transport, self.at) = (transport, now);
    }

    /// Grid step of frame `now`; `None` while the host stops or reports no finite position.
    pub fn grid_step(&self, now: u64) -> Option<i64> {
        let beats = self.transport.beats.filter(|b| b.is_finite())?;
        let beat = beats + (now - self.at) as f64 * self.beats_per_frame();
        Some((beat * GRID_STEPS_PER_BEAT).round() as i64)
    }

    pub fn frames_per_grid_step(&self) -> f64 {
        1.0 / (self.beats_per_frame() * GRID_STEPS_PER_BEAT).max(1e-9)
    }

    fn beats_per_frame(&self) -> f64 {
        let tempo = if self.transport.tempo.is_finite() { self.transport.tempo.max(0.0) } else { 0.0 };
        tempo / 60.0 / self.sample_rate
    }
}
