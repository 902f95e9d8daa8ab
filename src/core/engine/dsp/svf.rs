//! A state-variable filter that stays stable however fast its cutoff moves.
//!
//! Trapezoidal integration with the delay-free loop solved, after V. Zavalishin, "The Art of VA Filter
//! Design" (2012), in the form of A. Simper, "Solving the continuous SVF equations using trapezoidal
//! integration and equivalent currents" (2013). Two in a row, with the resonances of a fourth-order
//! Butterworth filter, give 24 dB per octave.

use super::{
    denormal::{FlushTimer, TINY, flush_pair},
    pair::{Pair, flush_if_tiny},
};
use std::ops::{Add, Mul, Sub};

/// What the filter lets pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pass {
    /// Below the cutoff.
    Low,
    /// Above the cutoff.
    High,
    /// Around the cutoff, 0 dB at its middle (12 dB form).
    Band,
}

/// How steeply it falls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steepness {
    /// 12 dB per octave.
    Twelve,
    /// 24 dB per octave.
    TwentyFour,
}

/// Resonances of the two halves of a fourth-order Butterworth filter: `1 / (2 cos(pi / 8))` and
/// `1 / (2 cos(3 pi / 8))`.
pub(super) const BUTTERWORTH_4: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// A stereo filter; for one channel use [`Svf::process_mono`].
#[derive(Debug, Clone, Copy)]
pub struct Svf {
    sample_rate: f64,
    pass: Pass,
    /// Damping of each half, 1 / Q.
    damping: [f64; 2],
    halves: usize,
    coefficients: [Coefficients; 2],
    /// `[half][integrator][channel]`
    state: [[[f64; 2]; 2]; 2],
    flush_timer: FlushTimer,
}

#[derive(Debug, Clone, Copy, Default)]
struct Coefficients {
    k: f64,
    a1: f64,
    a2: f64,
    a3: f64,
    /// What each integrator keeps of itself: 2 a1 - 1 and 1 - 2 a3.
    keep1: f64,
    keep2: f64,
}

impl Coefficients {
    #[inline(always)]
    fn new(g: f64, k: f64) -> Self {
        let a1 = 1.0 / (1.0 + g * (g + k));
        let a2 = g * a1;
        let a3 = g * a2;
        Self { k, a1, a2, a3, keep1: 2.0 * a1 - 1.0, keep2: 1.0 - 2.0 * a3 }
    }
}

impl Svf {
    /// A filter at `sample_rate` Hz with its cutoff at 1 kHz and the resonance of a Butterworth
    /// filter.
    pub fn new(pass: Pass, steepness: Steepness, sample_rate: f64) -> Self {
        let mut new = Self {
            sample_rate,
            pass,
            damping: [0.0; 2],
            halves: if steepness == Steepness::Twelve { 1 } else { 2 },
            coefficients: [Coefficients::default(); 2],
            state: Default::default(),
            flush_timer: FlushTimer::default(),
        };
        new.set(1000.0, std::f32::consts::FRAC_1_SQRT_2);
        new
    }

    /// Cutoff in Hz (10 Hz to 0.49 of the sample rate, clamped) and resonance (Q at 12 dB; 0.707 is
    /// flat for both steepnesses), at once. Sound inside the filter is kept.
    pub fn set(&mut self, cutoff_hz: f32, q: f32) {
        let q = f64::from(q).max(0.05);
        self.damping = if self.halves == 1 {
            [1.0 / q, 1.0]
        } else {
            [1.0 / BUTTERWORTH_4[0], 1.0 / (BUTTERWORTH_4[1] * q * std::f64::consts::SQRT_2)]
        };
        self.set_cutoff(cutoff_hz);
    }

    /// Sets the cutoff alone, Hz.
    pub fn set_cutoff(&mut self, cutoff_hz: f32) {
        let g = self.warp(cutoff_hz);
        for (c, &k) in self.coefficients.iter_mut().zip(&self.damping) {
            *c = Coefficients::new(g, k);
        }
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        (self.state, self.flush_timer) = Default::default();
    }

    /// Filters one channel in place.
    pub fn process_mono(&mut self, samples: &mut [f32]) {
        if self.halves == 1 { self.mono_by::<1>(samples) } else { self.mono_by::<2>(samples) }
    }

    /// Filters one channel in place by this filter and then by `next`, in less time than one after the other.
    pub fn process_mono_with(&mut self, next: &mut Self, samples: &mut [f32]) {
        if self.halves + next.halves > 2 || self.flush_timer != next.flush_timer {
            self.process_mono(samples);
            return next.process_mono(samples);
        }
        let (c, passes) = ([self.coefficients[0], next.coefficients[0]], [self.pass, next.pass]);
        let mut states = [self.state[0].map(|s| s[0]), next.state[0].map(|s| s[0])];
        mono_together(&mut self.flush_timer, (&c, &passes), &mut states, samples);
        next.flush_timer = self.flush_timer;
        for (filter, [s1, s2]) in [self, next].into_iter().zip(states) {
            (filter.state[0][0][0], filter.state[0][1][0]) = (s1, s2);
        }
    }

    /// Filters two channels in place.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        if self.halves == 1 { self.stereo_by::<1>(left, right) } else { self.stereo_by::<2>(left, right) }
    }

    fn mono_by<const HALVES: usize>(&mut self, samples: &mut [f32]) {
        let c: [Coefficients; HALVES] = std::array::from_fn(|half| self.coefficients[half]);
        let mut states: [[f64; 2]; HALVES] = std::array::from_fn(|half| self.state[half].map(|s| s[0]));
        mono_together(&mut self.flush_timer, (&c, &[self.pass; HALVES]), &mut states, samples);
        for (kept, [s1, s2]) in self.state.iter_mut().zip(states) {
            (kept[0][0], kept[1][0]) = (s1, s2);
        }
    }

    /// See [`mono_together`].
    fn stereo_by<const HALVES: usize>(&mut self, left: &mut [f32], right: &mut [f32]) {
        let (c, pass) = (self.coefficients, self.pass);
        let frames = left.len().min(right.len());
        let mut states: [[Pair; 2]; HALVES] = std::array::from_fn(|half| self.state[half].map(Pair::new));
        let mut from = 0;
        while from < frames {
            let (n, look) = self.flush_timer.next(frames - from);
            for (l, r) in left[from..from + n].iter_mut().zip(&mut right[from..from + n]) {
                for (c, [s1, s2]) in c.iter().zip(&mut states) {
                    (*l, *r) = tick(c, pass, Pair::from_samples(*l, *r), s1, s2).to_samples();
                }
            }
            if look {
                states = states.map(|[s1, s2]| flush_if_tiny(s1, s2).into());
            }
            from += n;
        }
        for (kept, states) in self.state.iter_mut().zip(states) {
            *kept = states.map(Pair::get);
        }
    }

    /// `tan(pi f / rate)`, the gain of the integrators.
    #[inline(always)]
    fn warp(&self, cutoff_hz: f32) -> f64 {
        let f = f64::from(cutoff_hz).clamp(10.0, self.sample_rate * 0.49);
        tangent(std::f64::consts::PI * f / self.sample_rate)
    }
}

/// Filters one channel in turn by filters in one loop: each one works while the one before it waits for its own state.
#[inline(always)]
fn mono_together<const N: usize>(
    flush_timer: &mut FlushTimer,
    (c, passes): (&[Coefficients; N], &[Pass; N]),
    states: &mut [[f64; 2]; N],
    samples: &mut [f32],
) {
    let mut from = 0;
    while from < samples.len() {
        let (n, look) = flush_timer.next(samples.len() - from);
        for x in &mut samples[from..from + n] {
            for i in 0..N {
                let [s1, s2] = &mut states[i];
                let y = tick(&c[i], passes[i], f64::from(*x), s1, s2);
                *x = if y.abs() < TINY { 0.0 } else { y as f32 };
            }
        }
        if look {
            *states = states.map(|[s1, s2]| flush_pair(s1, s2).into());
        }
        from += n;
    }
}

/// Tangent for 0..=0.49 pi by its continued fraction (Lambert 1768), relative error below 2e-6.
#[inline(always)]
fn tangent(x: f64) -> f64 {
    let q = x * x;
    x * (135_135.0 - q * (17_325.0 - q * (378.0 - q)))
        / (135_135.0 - q * (62_370.0 - q * (3_150.0 - 28.0 * q)))
}

/// One frame of one channel or of two side by side.
///
/// The new states, `2 v1 - s1` and `2 v2 - s2`, are written as sums of products of the old ones, which keeps the
/// dependency chain from frame to frame short.
#[inline(always)]
fn tick<T>(c: &Coefficients, pass: Pass, v0: T, s1: &mut T, s2: &mut T) -> T
where
    T: Copy + Add<Output = T> + Sub<Output = T> + Mul<f64, Output = T>,
{
    let (old1, old2) = (*s1, *s2);
    let (fed1, fed2) = (v0 * (2.0 * c.a2), v0 * (2.0 * c.a3));
    *s1 = (fed1 + old1 * c.keep1) - old2 * (2.0 * c.a2);
    *s2 = (fed2 + old1 * (2.0 * c.a2)) + old2 * c.keep2;
    let band = old1 * c.a1 + (v0 - old2) * c.a2;
    match pass {
        Pass::Band => band * c.k,
        Pass::Low => old2 + old1 * c.a2 + (v0 - old2) * c.a3,
        Pass::High => v0 - band * c.k - (old2 + old1 * c.a2 + (v0 - old2) * c.a3),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_filters_at_once_give_the_bits_of_one_after_the_other() {
        let noise = |i: u32| i.wrapping_mul(2_654_435_761) as f32 / 2_147_483_648.0 - 1.0;
        let sound: Vec<f32> = (0..1000).map(noise).collect();
        for steepness in [Steepness::Twelve, Steepness::TwentyFour] {
            for before in [0, 5] {
                let mut low = Svf::new(Pass::Low, steepness, 48_000.0);
                let mut high = Svf::new(Pass::High, steepness, 48_000.0);
                high.process_mono(&mut sound[..before].to_vec());
                let (mut one, mut other) = (high, low);
                let (mut x, mut y) = (sound.clone(), sound.clone());
                for (from, to) in [(0, 3), (3, 500), (500, 1000)] {
                    high.process_mono_with(&mut low, &mut x[from..to]);
                    one.process_mono(&mut y[from..to]);
                    other.process_mono(&mut y[from..to]);
                }
                assert!(x == y, "{steepness:?}, run before: {before} frames");
            }
        }
    }
}
