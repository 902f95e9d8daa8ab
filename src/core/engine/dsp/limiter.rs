//! The pad limiter: looks ahead when it is given the future, holds at once when it is not.
//!
//! [`Limiter::process`] takes the frames to limit and, separately, the frames that will follow them
//! (as far as they are known now). No delay is added: an engine that knows what its running slices
//! will do hands in what comes next, before it sounds. When a fresh stroke changes that future, the
//! next call simply gets another one. Without any future (`ahead` empty) the gain falls at once on the
//! frame that needs it; the output never exceeds the threshold either way.
//!
//! Every frame looks exactly `ahead.len()` frames far ([`lookahead_frames`] at most), whatever the
//! length of the chunk: hand in equally long futures and the result does not depend on the chunks.
//!
//! Gain: the least gain wanted within the window ahead, falling at once and recovering along a one-pole
//! curve, then averaged over a window as long as the look-ahead, so that the gain arrives on the frame of
//! the peak along a straight ramp (common practice for look-ahead limiters, no single source); at most
//! the gain that this frame wants.

use super::{
    denormal::flush,
    glide::Glide,
    math::{db_to_gain, one_pole},
};

/// How far the limiter looks ahead, ms.
pub const LOOKAHEAD_MS: f64 = 1.5;
/// Most frames that it looks ahead: 384 kHz.
pub const MAX_LOOKAHEAD: usize = 576;
/// Frames limited in one go.
const RUN: usize = 256;
/// Grid of the averaged reductions: their sums are exact and never drift.
const GRID: f64 = 1_073_741_824.0; // 2^30

/// How many frames after those to be limited matter, at `sample_rate` Hz.
pub fn lookahead_frames(sample_rate: f64) -> usize {
    ((LOOKAHEAD_MS * sample_rate / 1000.0).ceil() as usize).min(MAX_LOOKAHEAD)
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
    /// Reduction (1 - gain) with and without the look-ahead, recovering.
    held: f64,
    instant: f64,
    /// The last `window + 1` values of `held` and their sum, on the grid.
    past: [u32; MAX_LOOKAHEAD + 1],
    at: usize,
    sum: u64,
    /// Largest reduction since it was last asked for.
    most: f32,
}

impl Limiter {
    /// At rest, at `sample_rate` Hz: threshold in dB, release in ms (63 %), gain afterwards in dB.
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
            most: 0.0,
        };
        new.set(threshold_db, release_ms, makeup_db);
        new.makeup.jump();
        new
    }

    /// Takes new settings: threshold and release at once, the gain afterwards within 10 ms.
    pub fn set(&mut self, threshold_db: f32, release_ms: f32, makeup_db: f32) {
        self.threshold = db_to_gain(f64::from(threshold_db)) as f32;
        self.makeup.aim(db_to_gain(f64::from(makeup_db)));
        self.release = one_pole(f64::from(release_ms), self.sample_rate);
    }

    /// Limits `left` and `right` in place. `ahead` holds what follows them as far as it is known; more
    /// than [`lookahead_frames`] is not looked at.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let window = self.window.min(ahead[0].len());
        let mut from = 0;
        while from < left.len() {
            let to = (from + RUN).min(left.len());
            let n = to - from;
            let mut wanted = [1.0f32; RUN + MAX_LOOKAHEAD];
            let wanted = &mut wanted[..n + window];
            self.want(&left[from..], &right[from..], ahead, wanted);
            self.run(&mut left[from..to], &mut right[from..to], wanted);
            from = to;
        }
    }

    /// Gain that each frame wants.
    fn want(&self, left: &[f32], right: &[f32], ahead: [&[f32]; 2], wanted: &mut [f32]) {
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

    fn run(&mut self, left: &mut [f32], right: &mut [f32], wanted: &mut [f32]) {
        let n = left.len();
        let at_rest = self.sum == 0 && self.held == 0.0 && self.instant == 0.0;
        if at_rest && wanted.iter().all(|&w| w == 1.0) {
            for (l, r) in left.iter_mut().zip(right) {
                let makeup = self.makeup.next_frame() as f32;
                (*l, *r) = (*l * makeup, *r * makeup);
            }
            return;
        }
        let mut own = [0.0f32; RUN];
        own[..n].copy_from_slice(&wanted[..n]);
        least_ahead(wanted, wanted.len() - n);
        for i in 0..n {
            let gain = self.next_gain(own[i], wanted[i]) * self.makeup.next_frame() as f32;
            left[i] *= gain;
            right[i] *= gain;
        }
    }

    fn next_gain(&mut self, own: f32, least: f32) -> f32 {
        self.held = (1.0 - f64::from(least)).max(flush_reduction(self.held * self.release));
        self.instant = (1.0 - f64::from(own)).max(flush_reduction(self.instant * self.release));
        let step = (self.held * GRID) as u32;
        self.sum = self.sum + u64::from(step) - u64::from(self.past[self.at]);
        self.past[self.at] = step;
        self.at = if self.at == self.window { 0 } else { self.at + 1 };
        let average = self.sum as f64 / (GRID * (self.window + 1) as f64);
        let reduction = average.max(self.instant) as f32;
        self.most = self.most.max(reduction);
        // Rounding must not lift it over the threshold.
        (1.0 - reduction).min(own)
    }

    /// Largest gain reduction since the last call, dB, 0 or above.
    pub fn take_reduction_db(&mut self) -> f32 {
        let reduction = std::mem::take(&mut self.most).min(0.999_999);
        if reduction > 0.0 { -crate::units::gain_to_db(1.0 - reduction) } else { 0.0 }
    }

    /// Opens fully at once.
    pub fn reset(&mut self) {
        (self.held, self.instant, self.sum, self.at, self.most) = (0.0, 0.0, 0, 0, 0.0);
        self.past.fill(0);
        self.makeup.jump();
    }
}

/// Reductions below 1e-7 (far below a thousandth of a dB) are none.
fn flush_reduction(x: f64) -> f64 {
    if x < 1e-7 { 0.0 } else { flush(x) }
}

/// `x[i]` becomes the least of `x[i..=i + window]`, by doubling the width that is covered.
fn least_ahead(x: &mut [f32], window: usize) {
    let (mut covered, width) = (1, window + 1);
    while covered < width {
        let shift = covered.min(width - covered);
        for i in 0..x.len() - shift {
            x[i] = x[i].min(x[i + shift]);
        }
        covered += shift;
    }
}
