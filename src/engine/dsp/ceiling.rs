//! The true-peak ceiling of an output, with no latency, and its guard against NaN and infinity.
//!
//! True peak is what a converter would make of the samples (ITU-R BS.1770-5, annex 2): the waveform
//! between them counts. Its value between two samples depends on samples still to come, so a ceiling
//! without latency cannot measure it first. This one keeps, for every spot between the last few
//! samples, the sum that the interpolation has reached so far, and gives each new frame the largest gain
//! that keeps every one of these sums within the ceiling. Silence would always do, so a solution always
//! exists, and once a spot has seen all its samples its true peak is within the ceiling: by
//! construction, not by measurement.

use super::math::{db_to_gain, one_pole};

/// Spots between two samples at which the peak is kept.
const SPOTS: usize = 8;
/// Samples on each side of a spot that count.
const REACH: usize = 12;
/// Release of the ceiling, ms (63 %).
const RELEASE_MS: f64 = 80.0;

/// The ceiling of one stereo output.
#[derive(Debug, Clone)]
pub struct Ceiling {
    sample_rate: f64,
    ceiling: f32,
    release: f32,
    /// Reduction in force, 1 - gain.
    reduction: f32,
    /// What each spot has summed up so far, `[channel][spot]`, oldest interval first.
    sums: [Vec<f32>; 2],
    kernel: Vec<f32>,
}

impl Ceiling {
    /// A ceiling at `ceiling_db` dBTP, at `sample_rate` Hz.
    pub fn new(ceiling_db: f32, sample_rate: f64) -> Self {
        let mut new = Self {
            sample_rate,
            ceiling: 1.0,
            release: 0.0,
            reduction: 0.0,
            sums: std::array::from_fn(|_| vec![0.0; SPOTS * 2 * REACH]),
            kernel: kernel(),
        };
        new.set(ceiling_db);
        new
    }

    /// Moves the ceiling.
    pub fn set(&mut self, ceiling_db: f32) {
        self.ceiling = db_to_gain(f64::from(ceiling_db)) as f32;
        self.release = one_pole(RELEASE_MS, self.sample_rate) as f32;
    }

    /// Holds both channels under the ceiling, in place; frames that are not finite become silence.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        for (l, r) in left.iter_mut().zip(right) {
            if !(l.is_finite() && r.is_finite()) {
                (*l, *r) = (0.0, 0.0);
            }
            self.reduction = super::denormal::flush32(self.reduction * self.release);
            let mut gain = 1.0 - self.reduction;
            for (sums, x) in self.sums.iter().zip([*l, *r]) {
                gain = gain.min(largest_gain(sums, &self.kernel, x, self.ceiling));
            }
            self.reduction = 1.0 - gain;
            (*l, *r) = (*l * gain, *r * gain);
            for (sums, y) in self.sums.iter_mut().zip([*l, *r]) {
                for (s, h) in sums.iter_mut().zip(&self.kernel) {
                    *s += h * y;
                }
                // The oldest interval is complete; a new one begins.
                sums.copy_within(SPOTS.., 0);
                let fresh = sums.len() - SPOTS;
                sums[fresh..].fill(0.0);
            }
        }
    }

    /// Gain reduction of the last frame, dB, 0 or above.
    pub fn reduction_db(&self) -> f32 {
        -crate::units::gain_to_db((1.0 - self.reduction).max(1e-6))
    }

    /// Opens fully and forgets what was put out.
    pub fn reset(&mut self) {
        self.reduction = 0.0;
        self.sums.iter_mut().for_each(|s| s.fill(0.0));
    }
}

/// Largest gain up to 1 for a sample `x` that keeps every spot within `ceiling`.
fn largest_gain(sums: &[f32], kernel: &[f32], x: f32, ceiling: f32) -> f32 {
    let mut gain = 1.0f32;
    for (s, h) in sums.iter().zip(kernel) {
        let add = h * x;
        if (s + add).abs() > ceiling {
            let room = if add > 0.0 { ceiling - s } else { ceiling + s };
            gain = gain.min((room / add.abs()).max(0.0));
        }
    }
    gain
}

/// Weight of the newest sample at every spot, oldest interval first: a Kaiser-windowed sinc.
fn kernel() -> Vec<f32> {
    (0..SPOTS * 2 * REACH)
        .map(|i| {
            // Spot i lies this far behind the newest sample; the last interval lies before it.
            let x = REACH as f64 - i as f64 / SPOTS as f64;
            let edge = x / REACH as f64;
            let angle = std::f64::consts::PI * x;
            let sinc = if angle == 0.0 { 1.0 } else { libm::sin(angle) / angle };
            let window = if edge.abs() >= 1.0 { 0.0 } else { libm::cos(edge * std::f64::consts::FRAC_PI_2) };
            (sinc * window * window) as f32
        })
        .collect()
}
