//! A pad's tone chain at work: cuts, limiter, saturation, EQ, punch, low band, colour limiter.

use crate::{kit::Tone, settings::PadTrims};

/// Gain reductions of a chain's stages at its last frame, dB, 0 or above.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reductions {
    /// The first limiter.
    pub limiter_db: f32,
    /// The slow-attack compressor.
    pub punch_db: f32,
    /// The low-band compressor.
    pub low_band_db: f32,
    /// The last limiter.
    pub colour_db: f32,
}

/// The tone chain of one pad.
///
/// It owns these trims: `low_cut_hz`, `high_cut_hz`, `tilt_db`, `drive_db`, `punch`, `low_hold` and
/// `tone`; the engine leaves them alone.
#[derive(Debug, Clone)]
pub struct ToneChain {
    sample_rate: f64,
}

impl ToneChain {
    /// A chain with every stage off, at `sample_rate` Hz; allocates all it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        Self { sample_rate }
    }

    /// How many frames of the future [`ToneChain::process`] can use.
    pub fn lookahead(&self) -> usize {
        super::dsp::limiter::lookahead_frames(self.sample_rate)
    }

    /// Takes new settings; changes glide within 10 ms. `note_hz` is the pad's fundamental after
    /// pitching, for the bell that follows it.
    pub fn set(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        let _ = (tone, trims, note_hz);
    }

    /// Takes new settings at once, for a chain that is silent.
    pub fn set_now(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        self.set(tone, trims, note_hz);
    }

    /// Sends two channels through the chain, in place. `ahead` holds the frames that will follow them
    /// as far as they are known now (both empty when not); only the limiters look at them.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let _ = (left, right, ahead);
    }

    /// Gain reductions at the last frame.
    pub fn reductions(&self) -> Reductions {
        Reductions::default()
    }

    /// Forgets all sound and jumps to the settings last taken.
    pub fn reset(&mut self) {}

    /// Whether silence in gives silence out from now on: the engine may stop calling it.
    pub fn is_idle(&self) -> bool {
        true
    }
}
