//! Holding loudness: how much louder or softer a stage made the sound, as it goes.
//!
//! Loudness is the K-weighted power of ITU-R BS.1770-5 (a shelf for the head, a high pass), averaged
//! over some time of sound (silence between hits does not count). Both averages begin together, and they go on
//! while the stage is heard as well: when it is bypassed, its loudness is known. A small prior keeps their ratio
//! at 1 before there is sound to judge by.

use super::{
    eq::{Filter, Section},
    math::one_pole,
};

/// Memory of a stage that holds its own loudness, ms: the window of momentary loudness (EBU Tech 3341).
pub const MOMENTARY_MS: f64 = 400.0;
/// Memory for bypassing a stage, ms: the window of short-term loudness (EBU Tech 3341). A shorter one would give
/// the attack of each hit the gain of the tail before it.
pub const SHORT_TERM_MS: f64 = 3000.0;
/// Keeps a power that has died away out of the denormal range: -300 dB.
const FLOOR: f64 = 1e-30;
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
    /// At rest, with a memory of so many ms (63 %).
    pub fn new(memory_ms: f64, sample_rate: f64) -> Self {
        // The standard gives coefficients at 48 kHz; these are the prototypes behind them (f0, gain, Q
        // as found by de-warping, common knowledge), designed for any rate.
        let shelf = Section::high_shelf(1681.97, 4.0, std::f64::consts::FRAC_1_SQRT_2, sample_rate);
        let high = Section::high_pass(38.135, 0.5003, sample_rate);
        Self {
            filters: [Filter::new(shelf), Filter::new(high)],
            keep: one_pole(memory_ms, sample_rate),
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
            self.power = self.keep * self.power + (1.0 - self.keep) * (now + FLOOR);
            *p = self.power;
        }
    }

    /// Takes note of frames.
    pub fn follow(&mut self, sound: [&[f32]; 2]) {
        let mut powers = [0.0f64; RUN];
        for (l, r) in sound[0].chunks(RUN).zip(sound[1].chunks(RUN)) {
            self.follow_copy([l, r], &mut powers[..l.len()]);
        }
    }

    /// Forgets the sound in its filters and keeps the power: a silence between two hits says nothing of a stage.
    pub fn rest(&mut self) {
        self.filters.iter_mut().for_each(Filter::reset);
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
    /// Of what goes in.
    pub before: Power,
    /// Of what comes out.
    pub after: Power,
}

impl Matcher {
    /// At rest, with a memory of so many ms: [`MOMENTARY_MS`] or [`SHORT_TERM_MS`].
    pub fn new(memory_ms: f64, sample_rate: f64) -> Self {
        let power = Power::new(memory_ms, sample_rate);
        Self { before: power, after: power }
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

    /// See [`Power::rest`].
    pub fn rest(&mut self) {
        self.before.rest();
        self.after.rest();
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.before.reset();
        self.after.reset();
    }
}
