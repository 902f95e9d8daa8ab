//! The state-variable filter, which stays stable however fast its cutoff moves.
//!
//! Trapezoidal integration with the delay-free loop solved, after V. Zavalishin, "The Art of VA Filter
//! Design" (2012), in the form of A. Simper, "Solving the continuous SVF equations using trapezoidal
//! integration and equivalent currents" (2013). Two in a row, with the resonances of a fourth-order
//! Butterworth filter, give 24 dB per octave.

use super::denormal::flush_pair;

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
const BUTTERWORTH_4: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// A stereo filter; mono material may use [`Svf::process_mono`].
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
}

#[derive(Debug, Clone, Copy, Default)]
struct Coefficients {
    k: f64,
    a1: f64,
    a2: f64,
    a3: f64,
}

impl Coefficients {
    #[inline(always)]
    fn new(g: f64, k: f64) -> Self {
        let a1 = 1.0 / (1.0 + g * (g + k));
        let a2 = g * a1;
        Self { k, a1, a2, a3: g * a2 }
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

    /// Moves the cutoff alone.
    pub fn set_cutoff(&mut self, cutoff_hz: f32) {
        let g = self.warp(cutoff_hz);
        for (c, &k) in self.coefficients.iter_mut().zip(&self.damping) {
            *c = Coefficients::new(g, k);
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.state = Default::default();
    }

    /// Whether nothing is left inside: silence in gives exact zeros out.
    pub fn is_idle(&self) -> bool {
        self.state == [[[0.0; 2]; 2]; 2]
    }

    /// Filters one channel in place.
    pub fn process_mono(&mut self, samples: &mut [f32]) {
        for half in 0..self.halves {
            let c = self.coefficients[half];
            let [mut s1, mut s2] = [self.state[half][0][0], self.state[half][1][0]];
            for x in samples.iter_mut() {
                let v = tick(&c, f64::from(*x), &mut s1, &mut s2);
                *x = v.pick(self.pass, c.k) as f32;
            }
            self.state[half][0][0] = s1;
            self.state[half][1][0] = s2;
        }
    }

    /// Filters two channels in place.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        for half in 0..self.halves {
            let c = self.coefficients[half];
            let [mut s1, mut s2] = self.state[half];
            for (l, r) in left.iter_mut().zip(right.iter_mut()) {
                for (channel, x) in [l, r].into_iter().enumerate() {
                    let v = tick(&c, f64::from(*x), &mut s1[channel], &mut s2[channel]);
                    *x = v.pick(self.pass, c.k) as f32;
                }
            }
            self.state[half] = [s1, s2];
        }
    }

    /// Filters two channels in place with a cutoff of its own for each frame, in Hz.
    pub fn process_swept(&mut self, cutoffs_hz: &[f32], left: &mut [f32], right: &mut [f32]) {
        for ((&hz, l), r) in cutoffs_hz.iter().zip(left).zip(right) {
            self.set_cutoff(hz);
            self.process(std::slice::from_mut(l), std::slice::from_mut(r));
        }
    }

    /// `tan(pi f / rate)`, the gain of the integrators.
    #[inline(always)]
    fn warp(&self, cutoff_hz: f32) -> f64 {
        let f = f64::from(cutoff_hz).clamp(10.0, self.sample_rate * 0.49);
        tangent(std::f64::consts::PI * f / self.sample_rate)
    }
}

/// Tangent for 0..=0.49 pi by its continued fraction (Lambert 1768), relative error below 2e-6.
#[inline(always)]
fn tangent(x: f64) -> f64 {
    let q = x * x;
    x * (135_135.0 - q * (17_325.0 - q * (378.0 - q)))
        / (135_135.0 - q * (62_370.0 - q * (3_150.0 - 28.0 * q)))
}

struct Outputs {
    input: f64,
    band: f64,
    low: f64,
}

impl Outputs {
    #[inline(always)]
    fn pick(&self, pass: Pass, k: f64) -> f64 {
        match pass {
            Pass::Low => self.low,
            Pass::High => self.input - k * self.band - self.low,
            Pass::Band => k * self.band,
        }
    }
}

#[inline(always)]
fn tick(c: &Coefficients, v0: f64, s1: &mut f64, s2: &mut f64) -> Outputs {
    let v3 = v0 - *s2;
    let v1 = c.a1 * *s1 + c.a2 * v3;
    let v2 = *s2 + c.a2 * *s1 + c.a3 * v3;
    (*s1, *s2) = flush_pair(2.0 * v1 - *s1, 2.0 * v2 - *s2);
    Outputs { input: v0, band: v1, low: v2 }
}
