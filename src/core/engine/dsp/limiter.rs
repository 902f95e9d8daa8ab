//! The pad limiter, with look-ahead when the following frames are known and instant attack when they are not.
//!
//! [`Limiter::process`] takes the frames to limit and, separately, the frames that will follow them, as far as
//! they are known. No latency is added: the engine renders its voices ahead and passes what comes next. When a new
//! trigger changes the following frames, the next call gets the new ones. Without them (`ahead` empty) the gain
//! falls at once on the frame that needs it. The output never exceeds the threshold either way.
//!
//! The look-ahead is exactly `ahead.len()` frames for each frame ([`lookahead_frames`] at most), whatever the
//! length of the chunk: with an `ahead` of constant length the result does not depend on the chunks.
//!
//! Gain: the smallest gain needed within the look-ahead, falling at once and recovering along a one-pole curve,
//! then averaged over a window as long as the look-ahead, so that it reaches the gain for a peak on the frame of
//! the peak along a straight ramp (common practice for look-ahead limiters, no single source); at most the gain
//! that the frame itself needs.

use super::{denormal::flush, glide::Glide, math::one_pole};
use crate::units::{db_to_gain, gain_to_db, ms_to_frames};

/// Look-ahead of the limiter, ms.
pub const LOOKAHEAD_MS: f64 = 1.5;
/// Longest look-ahead, frames: that at 384 kHz.
pub const MAX_LOOKAHEAD: usize = 576;
/// Most frames limited in one go.
const LIMITER_BLOCK: usize = 256;
/// Unit of the averaged reductions: as whole numbers, so that their sums are exact and never drift.
const REDUCTION_SCALE: f64 = 1_073_741_824.0; // 2^30

/// Look-ahead in frames at `sample_rate` Hz.
pub fn lookahead_frames(sample_rate: f64) -> usize {
    (ms_to_frames(LOOKAHEAD_MS, sample_rate).ceil() as usize).min(MAX_LOOKAHEAD)
}

/// A limiter for two channels that share their gain.
#[derive(Debug, Clone, Copy)]
pub struct Limiter {
    sample_rate: f64,
    threshold: f32,
    makeup: Glide,
    release: f64,
    /// Look-ahead, frames.
    window: usize,
    /// Reduction (1 - gain) with and without look-ahead, after recovery.
    held: f64,
    instant: f64,
    /// The last `window + 1` values of `held` and their sum, in units of [`REDUCTION_SCALE`].
    past: [u32; MAX_LOOKAHEAD + 1],
    at: usize,
    sum: u64,
    /// Largest reduction since it was last taken.
    max_reduction: f32,
}

impl Limiter {
    /// Without reduction, at `sample_rate` Hz: threshold in dBFS, release in ms (63 %), make-up gain in dB.
    pub fn new(threshold_db: f32, release_ms: f32, makeup_db: f32, sample_rate: f64) -> Self {
        let mut new = Self {
            sample_rate,
            threshold: 1.0,
            makeup: Glide::new(1.0, (sample_rate * 0.01) as u32),
            release: 0.0,
            window: lookahead_frames(sample_rate),
            held: 0.0,
            instant: 0.0,
            past: [0; MAX_LOOKAHEAD + 1],
            at: 0,
            sum: 0,
            max_reduction: 0.0,
        };
        new.set(threshold_db, release_ms, makeup_db);
        new.makeup.jump();
        new
    }

    /// Takes new settings, as in [`Limiter::new`]: threshold and release at once, the make-up gain within 10 ms.
    pub fn set(&mut self, threshold_db: f32, release_ms: f32, makeup_db: f32) {
        self.threshold = db_to_gain(f64::from(threshold_db)) as f32;
        self.makeup.set_target(db_to_gain(f64::from(makeup_db)));
        self.release = one_pole(f64::from(release_ms), self.sample_rate);
    }

    /// Limits `left` and `right` in place. `ahead` (left, right) holds the frames that follow, as far as they are
    /// known; of these the first [`lookahead_frames`] are used.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let window = self.window.min(ahead[0].len());
        let mut from = 0;
        while from < left.len() {
            let to = (from + LIMITER_BLOCK).min(left.len());
            let n = to - from;
            let mut wanted = [1.0f32; LIMITER_BLOCK + MAX_LOOKAHEAD];
            let wanted = &mut wanted[..n + window];
            self.wanted_gains(&left[from..], &right[from..], ahead, wanted);
            self.limit_block(&mut left[from..to], &mut right[from..to], wanted);
            from = to;
        }
    }

    /// The gain that each frame needs to stay at the threshold.
    fn wanted_gains(&self, left: &[f32], right: &[f32], ahead: [&[f32]; 2], wanted: &mut [f32]) {
        let now = left.len().min(wanted.len());
        let (here, later) = wanted.split_at_mut(now);
        let gain = |(l, r): (&f32, &f32)| {
            let peak = l.abs().max(r.abs());
            if peak > self.threshold { self.threshold / peak } else { 1.0 }
        };
        for (w, x) in here.iter_mut().zip(left.iter().zip(right)) {
            *w = gain(x);
        }
        for (w, x) in later.iter_mut().zip(ahead[0].iter().zip(ahead[1])) {
            *w = gain(x);
        }
    }

    fn limit_block(&mut self, left: &mut [f32], right: &mut [f32], wanted: &mut [f32]) {
        let n = left.len();
        let at_rest = self.sum == 0 && self.held == 0.0 && self.instant == 0.0;
        if at_rest && wanted.iter().all(|&w| w == 1.0) {
            for (l, r) in left.iter_mut().zip(right) {
                let makeup = self.makeup.next_frame() as f32;
                (*l, *r) = (*l * makeup, *r * makeup);
            }
            return;
        }
        let mut own = [0.0f32; LIMITER_BLOCK];
        own[..n].copy_from_slice(&wanted[..n]);
        minimum_ahead(wanted, wanted.len() - n);
        for i in 0..n {
            let gain = self.next_gain(own[i], wanted[i]) * self.makeup.next_frame() as f32;
            left[i] *= gain;
            right[i] *= gain;
        }
    }

    fn next_gain(&mut self, own: f32, minimum: f32) -> f32 {
        self.held = (1.0 - f64::from(minimum)).max(flush_reduction(self.held * self.release));
        self.instant = (1.0 - f64::from(own)).max(flush_reduction(self.instant * self.release));
        let step = (self.held * REDUCTION_SCALE) as u32;
        self.sum = self.sum + u64::from(step) - u64::from(self.past[self.at]);
        self.past[self.at] = step;
        self.at = if self.at == self.window { 0 } else { self.at + 1 };
        let average = self.sum as f64 / (REDUCTION_SCALE * (self.window + 1) as f64);
        let reduction = average.max(self.instant) as f32;
        self.max_reduction = self.max_reduction.max(reduction);
        // Rounding must not raise it above the threshold.
        (1.0 - reduction).min(own)
    }

    /// Largest gain reduction since the last call, dB, 0 or above.
    pub fn take_reduction_db(&mut self) -> f32 {
        let reduction = std::mem::take(&mut self.max_reduction).min(0.999_999);
        if reduction > 0.0 { -gain_to_db(1.0 - reduction) } else { 0.0 }
    }

    /// Removes all reduction at once.
    pub fn reset(&mut self) {
        (self.held, self.instant, self.sum, self.at, self.max_reduction) = (0.0, 0.0, 0, 0, 0.0);
        self.past.fill(0);
        self.makeup.jump();
    }
}

/// Reductions below 1e-7 (9e-7 dB) become 0.
fn flush_reduction(x: f64) -> f64 {
    if x < 1e-7 { 0.0 } else { flush(x) }
}

/// `x[i]` becomes the minimum of `x[i..=i + window]`, by doubling the width that is covered.
fn minimum_ahead(x: &mut [f32], window: usize) {
    let (mut covered, width) = (1, window + 1);
    while covered < width {
        let shift = covered.min(width - covered);
        for i in 0..x.len() - shift {
            x[i] = x[i].min(x[i + shift]);
        }
        covered += shift;
    }
}
