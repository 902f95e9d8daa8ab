//! The pad limiter: looks ahead when it is given the future, holds at once when it is not.
//!
//! [`Limiter::process`] takes the frames to limit and, separately, the frames that will follow them
//! (as far as they are known now). No delay is added: an engine that knows what its running slices
//! will do hands in what comes next, before it sounds. When a fresh stroke changes that future, the
//! next call simply gets another one. Without any future (`ahead` empty) the gain falls at once on the
//! frame that needs it; the output never exceeds the threshold either way.
//!
//! Gain: the least gain wanted within the window ahead, falling at once and recovering along a one-pole
//! curve, then averaged over a window as long as the look-ahead, so that the gain arrives on the frame of
//! the peak along a straight ramp (common practice for look-ahead limiters, no single source); at most
//! the gain that this frame wants.

use super::math::{db_to_gain, one_pole};

/// How far the limiter looks ahead, ms.
pub const LOOKAHEAD_MS: f64 = 1.5;
/// Frames limited in one go.
const RUN: usize = 256;

/// How many frames after those to be limited matter, at `sample_rate` Hz.
pub fn lookahead_frames(sample_rate: f64) -> usize {
    (LOOKAHEAD_MS * sample_rate / 1000.0).ceil() as usize
}

/// A limiter for two channels that share their gain.
#[derive(Debug, Clone)]
pub struct Limiter {
    sample_rate: f64,
    threshold: f32,
    makeup: f32,
    release: f64,
    /// Look-ahead, frames.
    window: usize,
    /// Reduction (1 - gain) after the recovery, and without any look-ahead.
    held: f64,
    instant: f64,
    /// The last `window + 1` values of `held`, with their sum on an integer grid (exact, no drift).
    past: Vec<u32>,
    at: usize,
    sum: u64,
    /// Gains wanted by the frames and the future, then their windowed least.
    wanted: Vec<f32>,
    reduction: f32,
}

/// Grid of the averaged reductions: sums are exact.
const GRID: f64 = 1_073_741_824.0; // 2^30

impl Limiter {
    /// At rest, at `sample_rate` Hz: threshold in dB, release in ms (63 %), gain afterwards in dB.
    pub fn new(threshold_db: f32, release_ms: f32, makeup_db: f32, sample_rate: f64) -> Self {
        let window = lookahead_frames(sample_rate);
        let mut new = Self {
            sample_rate,
            threshold: 1.0,
            makeup: 1.0,
            release: 0.0,
            window,
            held: 0.0,
            instant: 0.0,
            past: vec![0; window + 1],
            at: 0,
            sum: 0,
            wanted: vec![1.0; RUN + window],
            reduction: 0.0,
        };
        new.set(threshold_db, release_ms, makeup_db);
        new
    }

    /// Takes new settings at once.
    pub fn set(&mut self, threshold_db: f32, release_ms: f32, makeup_db: f32) {
        self.threshold = db_to_gain(f64::from(threshold_db)) as f32;
        self.makeup = db_to_gain(f64::from(makeup_db)) as f32;
        self.release = one_pole(f64::from(release_ms), self.sample_rate);
    }

    /// Limits `left` and `right` in place. `ahead` holds what follows them as far as it is known; more
    /// than [`lookahead_frames`] is not looked at.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let frames = left.len();
        let mut from = 0;
        while from < frames {
            let to = (from + RUN).min(frames);
            let known = self.want(&left[from..], &right[from..], ahead, to - from);
            for i in from..to {
                let gain = self.next_gain(i - from, known);
                left[i] *= gain;
                right[i] *= gain;
            }
            from = to;
        }
    }

    /// Fills `wanted` for the next `n` frames and the window behind them; returns how many are known.
    fn want(&mut self, left: &[f32], right: &[f32], ahead: [&[f32]; 2], n: usize) -> usize {
        let threshold = self.threshold;
        let frames = left.iter().zip(right).chain(ahead[0].iter().zip(ahead[1]));
        let mut known = 0;
        for ((l, r), w) in frames.zip(&mut self.wanted[..n + self.window]) {
            let peak = l.abs().max(r.abs());
            *w = if peak > threshold { threshold / peak } else { 1.0 };
            known += 1;
        }
        known
    }

    fn next_gain(&mut self, i: usize, known: usize) -> f32 {
        let least = self.wanted[i..known.min(i + self.window + 1)].iter().fold(1.0f32, |a, &b| a.min(b));
        let own = self.wanted[i];
        self.held = (1.0 - f64::from(least)).max(super::denormal::flush(self.held * self.release));
        self.instant = (1.0 - f64::from(own)).max(super::denormal::flush(self.instant * self.release));
        let step = (self.held * GRID) as u32;
        self.sum = self.sum + u64::from(step) - u64::from(self.past[self.at]);
        self.past[self.at] = step;
        self.at = (self.at + 1) % self.past.len();
        let average = self.sum as f64 / (GRID * self.past.len() as f64);
        let reduction = average.max(self.instant);
        self.reduction = reduction as f32;
        // Rounding must not lift it over the threshold.
        (1.0 - reduction as f32).min(own) * self.makeup
    }

    /// Gain reduction of the last frame, dB, 0 or above.
    pub fn reduction_db(&self) -> f32 {
        -crate::units::gain_to_db(1.0 - self.reduction.min(0.999_999))
    }

    /// Opens fully at once.
    pub fn reset(&mut self) {
        (self.held, self.instant, self.sum, self.reduction) = (0.0, 0.0, 0, 0.0);
        self.past.fill(0);
    }
}
