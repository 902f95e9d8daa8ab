//! Loudness before and after a stage, measured while it runs.
//!
//! Loudness is the K-weighted power of ITU-R BS.1770-5 (a shelf for the head, a high pass), averaged
//! over some time of sound (silence between hits does not count). Both averages start together and are also
//! updated while the stage is not bypassed, so that its loudness is known when it is. A small prior keeps their
//! ratio at 1 before there is any sound.

use super::{
    eq::{EqSection, Filter, process_in_turn},
    math::one_pole,
};

/// Time constant for a stage that keeps its own loudness, ms: the window of momentary loudness (EBU Tech 3341).
pub const MOMENTARY_MS: f64 = 400.0;
/// Time constant for bypassing a stage, ms: the window of short-term loudness (EBU Tech 3341). A shorter one would
/// apply the gain of each tail to the attack after it.
pub const SHORT_TERM_MS: f64 = 3000.0;
/// Keeps a decayed power out of the denormal range: -300 dB.
const FLOOR: f64 = 1e-30;
/// Prior of both averages, power: -60 dB.
const PRIOR: f64 = 1e-6;
/// Largest correction, as a power ratio: 48 dB.
const MAX_CORRECTION: f64 = 63_096.0;

/// K-weighted power of two channels.
#[derive(Debug, Clone, Copy)]
pub struct LoudnessPower {
    filters: [Filter; 2],
    /// Factor of the average per frame.
    keep: f64,
    power: f64,
}

impl LoudnessPower {
    /// Without state; time constant in ms (63 %), sample rate in Hz.
    pub fn new(memory_ms: f64, sample_rate: f64) -> Self {
        // The standard gives coefficients at 48 kHz; these are the prototype parameters recovered from them (f0, gain and Q
        // as in the filter initialisation of libebur128, rounded), designed for any rate.
        let shelf = EqSection::high_shelf(1681.97, 4.0, std::f64::consts::FRAC_1_SQRT_2, sample_rate);
        let high = EqSection::high_pass(38.135, 0.5003, sample_rate);
        Self {
            filters: [Filter::new(shelf), Filter::new(high)],
            keep: one_pole(memory_ms, sample_rate),
            power: 0.0,
        }
    }

    /// Writes the running power for each of up to [`LOUDNESS_BLOCK`] frames.
    fn follow_copy(&mut self, sound: [&[f32]; 2], powers: &mut [f64]) {
        let n = powers.len();
        let [mut left, mut right] = [[0.0f32; LOUDNESS_BLOCK]; 2];
        let (left, right) = (&mut left[..n], &mut right[..n]);
        left.copy_from_slice(sound[0]);
        right.copy_from_slice(sound[1]);
        process_in_turn(&mut self.filters, left, right);
        for ((l, r), p) in left.iter().zip(right.iter()).zip(powers) {
            let now = f64::from(*l) * f64::from(*l) + f64::from(*r) * f64::from(*r);
            self.power = self.keep * self.power + (1.0 - self.keep) * (now + FLOOR);
            *p = self.power;
        }
    }

    /// Measures frames, left and right.
    pub fn follow(&mut self, sound: [&[f32]; 2]) {
        let mut powers = [0.0f64; LOUDNESS_BLOCK];
        for (l, r) in sound[0].chunks(LOUDNESS_BLOCK).zip(sound[1].chunks(LOUDNESS_BLOCK)) {
            self.follow_copy([l, r], &mut powers[..l.len()]);
        }
    }

    /// Clears the filters and keeps the power: silence between two hits does not count.
    pub fn rest(&mut self) {
        self.filters.iter_mut().for_each(Filter::reset);
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        self.filters.iter_mut().for_each(Filter::reset);
        self.power = 0.0;
    }
}

/// Most frames measured at once.
pub const LOUDNESS_BLOCK: usize = 64;

/// Measures the loudness before and after a stage.
#[derive(Debug, Clone, Copy)]
pub struct LoudnessMatcher {
    /// Power of the input.
    pub before: LoudnessPower,
    /// Power of the output.
    pub after: LoudnessPower,
}

impl LoudnessMatcher {
    /// Without state; time constant in ms: [`MOMENTARY_MS`] or [`SHORT_TERM_MS`].
    pub fn new(memory_ms: f64, sample_rate: f64) -> Self {
        let power = LoudnessPower::new(memory_ms, sample_rate);
        Self { before: power, after: power }
    }

    /// Writes the power ratio input / output for each frame.
    pub fn follow(&mut self, before: [&[f32]; 2], after: [&[f32]; 2], ratios: &mut [f64]) {
        let mut powers = [0.0f64; LOUDNESS_BLOCK];
        for (i, ratios) in ratios.chunks_mut(LOUDNESS_BLOCK).enumerate() {
            let here = i * LOUDNESS_BLOCK..i * LOUDNESS_BLOCK + ratios.len();
            self.before.follow_copy(before.map(|c| &c[here.clone()]), ratios);
            self.after.follow_copy(after.map(|c| &c[here.clone()]), &mut powers[..here.len()]);
            for (ratio, after) in ratios.iter_mut().zip(&powers) {
                *ratio = ((*ratio + PRIOR) / (after + PRIOR)).clamp(1.0 / MAX_CORRECTION, MAX_CORRECTION);
            }
        }
    }

    /// See [`LoudnessPower::rest`].
    pub fn rest(&mut self) {
        self.before.rest();
        self.after.rest();
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        self.before.reset();
        self.after.reset();
    }
}
