//! Holding loudness: how much louder or softer a stage made the sound, as it goes.
//!
//! Loudness is the K-weighted power of ITU-R BS.1770-5 (a shelf for the head, a high pass), averaged
//! over [`MEMORY_MS`]. Because both averages begin together, their ratio is right from the first
//! milliseconds of a hit on; a small prior keeps it at 1 before there is sound to judge by.

use super::{
    denormal::flush,
    eq::{Filter, Section},
    math::one_pole,
};

/// Memory of the power averages, ms: the window of momentary loudness (EBU Tech 3341).
pub const MEMORY_MS: f64 = 400.0;
/// Power that both averages are given in advance: -60 dB.
const PRIOR: f64 = 1e-6;
/// Largest correction, as a power ratio: 48 dB.
const MOST: f64 = 63_096.0;

/// K-weighted power of two channels.
#[derive(Debug, Clone, Copy)]
pub struct Power {
    filters: [Filter; 2],
    keep: f64,
    power: f64,
}

impl Power {
    /// At rest.
    pub fn new(sample_rate: f64) -> Self {
        // The standard gives coefficients at 48 kHz; these are the prototypes behind them (f0, gain, Q
        // as found by de-warping, common knowledge), designed for any rate.
        let shelf = Section::high_shelf(1681.97, 4.0, std::f64::consts::FRAC_1_SQRT_2, sample_rate);
        let high = Section::high_pass(38.135, 0.5003, sample_rate);
        Self {
            filters: [Filter::new(shelf), Filter::new(high)],
            keep: one_pole(MEMORY_MS, sample_rate),
            power: 0.0,
        }
    }

    /// Writes the running power for each of up to [`RUN`] frames.
    fn follow_copy(&mut self, sound: [&[f32]; 2], powers: &mut [f64]) {
        let n = powers.len();
        let [mut left, mut right] = [[0.0f32; RUN]; 2];
        let (left, right) = (&mut left[..n], &mut right[..n]);
        left.copy_from_slice(sound[0]);
        right.copy_from_slice(sound[1]);
        for filter in &mut self.filters {
            filter.process(left, right);
        }
        for ((l, r), p) in left.iter().zip(right.iter()).zip(powers) {
            let now = f64::from(*l) * f64::from(*l) + f64::from(*r) * f64::from(*r);
            self.power = flush(self.keep * self.power + (1.0 - self.keep) * now);
            *p = self.power;
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.filters.iter_mut().for_each(Filter::reset);
        self.power = 0.0;
    }
}

/// Frames judged at once.
pub const RUN: usize = 64;

/// Compares what goes into a stage with what comes out.
#[derive(Debug, Clone, Copy)]
pub struct Matcher {
    before: Power,
    after: Power,
}

impl Matcher {
    /// At rest.
    pub fn new(sample_rate: f64) -> Self {
        Self { before: Power::new(sample_rate), after: Power::new(sample_rate) }
    }

    /// Writes the power ratio before / after for each frame.
    pub fn follow(&mut self, before: [&[f32]; 2], after: [&[f32]; 2], ratios: &mut [f64]) {
        let mut powers = [0.0f64; RUN];
        for (i, ratios) in ratios.chunks_mut(RUN).enumerate() {
            let here = i * RUN..i * RUN + ratios.len();
            self.before.follow_copy(before.map(|c| &c[here.clone()]), ratios);
            self.after.follow_copy(after.map(|c| &c[here.clone()]), &mut powers[..here.len()]);
            for (ratio, after) in ratios.iter_mut().zip(&powers) {
                *ratio = ((*ratio + PRIOR) / (after + PRIOR)).clamp(1.0 / MOST, MOST);
            }
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.before.reset();
        self.after.reset();
    }
}
