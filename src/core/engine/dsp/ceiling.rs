//! The true-peak ceiling of an output, with no latency, and its guard against NaN and infinity.
//!
//! True peak is the peak of the interpolated waveform (ITU-R BS.1770-5, annex 2). Its value between two samples
//! depends on later samples, so a ceiling without latency cannot measure it in advance. This one keeps, for each
//! interpolation point between the last samples, the partial sum of the interpolation, and gives each new frame
//! the largest gain that keeps all these sums within the ceiling. A gain of 0 always does, so a solution always
//! exists; and once all samples of a point have been added, its true peak is within the ceiling by construction.
//!
//! A partial sum overshoots by up to 14 %, like any truncated sum of sines, so a low tone is limited to 1.1 dB
//! below the ceiling. Any method without latency has this limit: a tone that stops suddenly at its peak does
//! overshoot its samples by 1.1 dB, and the next frame is not known (a test in `tests/engine/sound/lookahead.rs`
//! measures both figures).
//!
//! Nothing is computed while the last samples are so low that no sum can reach the ceiling.

use super::{denormal::flush32, math::one_pole};
use crate::units::{db_to_gain, gain_to_db};
use std::sync::LazyLock;

/// Interpolation points between two samples: eighths, those of common meters, those of the standard's own filter.
const POINTS: usize = EIGHTHS + METERS.len() + STANDARD;
const EIGHTHS: usize = 8;
/// Samples on each side of a point that are used.
const KERNEL_REACH: usize = 32;
/// Points of meters with shorter kernels (48 taps in all, oversampling 4 times below 96 kHz and twice from there
/// on, as BS.1770-5 suggests): position, and samples on each side. These read too high near half the sample rate.
const METERS: [(f64, usize); 4] = [(0.25, 6), (0.5, 6), (0.75, 6), (0.5, 12)];
/// Points of the filter that BS.1770-5 tabulates, at odd eighths.
const STANDARD: usize = 4;
/// That filter: phases 0 and 1 (at seven and five eighths), six samples on each side; phases 2 and 3 are phases 1 and 0
/// turned round.
const STANDARD_TAPS: [[f32; 12]; 2] = [
    [
        0.001_708_984_4,
        0.010_986_328,
        -0.019_653_32,
        0.033_203_125,
        -0.059_448_242,
        0.137_329_1,
        0.972_167_97,
        -0.102_294_92,
        0.047_607_42,
        -0.026_611_328,
        0.014_892_578,
        -0.008_300_781,
    ],
    [
        -0.029_174_805,
        0.029_296_875,
        -0.051_757_812,
        0.089_111_33,
        -0.166_503_9,
        0.465_087_9,
        0.779_785_16,
        -0.200_317_38,
        0.101_562_5,
        -0.058_227_54,
        0.033_081_055,
        -0.018_920_898,
    ],
];
/// Intervals between samples that the newest sample contributes to.
const INTERVALS: usize = 2 * KERNEL_REACH;
/// Largest ratio of an interpolated value to the largest sample it uses: the sum of a point's absolute weights (a
/// test computes it).
const MAX_OVERSHOOT: f32 = 3.5;
/// Release of the ceiling, ms (63 %). Common practice, no source.
const RELEASE_MS: f64 = 80.0;
const SUMS: usize = INTERVALS * POINTS;
/// Points checked side by side.
const POINT_LANES: usize = 32;

/// The ceiling of one stereo output.
#[derive(Debug, Clone)]
pub struct Ceiling {
    ceiling: f32,
    /// The ceiling at the start of each point's interval, in the order of the sums: keeping a lower one that was set
    /// later might need a jump to silence.
    ceilings: Vec<f32>,
    release: f32,
    /// Current reduction, 1 - gain, and the largest since it was last taken.
    reduction: f32,
    max_reduction: f32,
    channels: [Channel; 2],
    /// Weights of the newest sample, oldest interval first, stored twice for access as a ring.
    kernel: &'static [f32],
    /// Oldest interval and oldest remembered sample.
    at: usize,
    /// Frames for which the sums are needed.
    loud: usize,
}

#[derive(Debug, Clone)]
struct Channel {
    /// Partial sums of all points: a ring of intervals. Not kept up to date while not needed.
    sums: Vec<f32>,
    /// The last output samples.
    past: [f32; INTERVALS],
}

impl Ceiling {
    /// A ceiling at `ceiling_db` dBTP, at `sample_rate` Hz.
    pub fn new(ceiling_db: f32, sample_rate: f64) -> Self {
        let channel = Channel { sums: vec![0.0; SUMS], past: [0.0; INTERVALS] };
        let mut new = Self {
            ceiling: 1.0,
            ceilings: vec![1.0; SUMS],
            release: one_pole(RELEASE_MS, sample_rate) as f32,
            reduction: 0.0,
            max_reduction: 0.0,
            channels: [channel.clone(), channel],
            kernel: &KERNEL,
            at: 0,
            loud: 0,
        };
        new.set(ceiling_db);
        new.ceilings.fill(new.ceiling);
        new
    }

    /// Sets the ceiling, dBTP. It applies to points after the last frame; points that the last 64 frames contribute
    /// to keep the previous one. While nothing sounds, [`Ceiling::reset`] applies it to all at once.
    pub fn set(&mut self, ceiling_db: f32) {
        self.ceiling = db_to_gain(f64::from(ceiling_db)) as f32;
    }

    /// Limits both channels to the ceiling, in place; frames that are not finite become silence.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        for (l, r) in left.iter_mut().zip(right) {
            self.frame(l, r);
        }
    }

    /// The same, and records the gain of each frame; 0 for one that is not finite. All slices have one length.
    pub fn process_recording_gains(&mut self, left: &mut [f32], right: &mut [f32], gains: &mut [f32]) {
        for ((l, r), gain) in left.iter_mut().zip(right).zip(gains) {
            *gain = self.frame(l, r);
        }
    }

    /// Limits one frame; its gain.
    #[inline(always)]
    fn frame(&mut self, l: &mut f32, r: &mut f32) -> f32 {
        let finite = l.is_finite() && r.is_finite();
        if !finite {
            (*l, *r) = (0.0, 0.0);
        }
        self.reduction = flush32(self.reduction * self.release);
        if self.reduction < 1e-7 {
            self.reduction = 0.0;
        }
        self.update_activity(l.abs().max(r.abs()));
        let mut gain = 1.0 - self.reduction;
        if self.loud > 0 {
            for (channel, x) in self.channels.iter().zip([*l, *r]) {
                gain = largest_gain(&channel.sums, self.weights(), x, gain, &self.ceilings);
            }
            self.reduction = 1.0 - gain;
            self.max_reduction = self.max_reduction.max(self.reduction);
        }
        (*l, *r) = (*l * gain, *r * gain);
        self.commit([*l, *r]);
        if finite { gain } else { 0.0 }
    }

    /// Updates the sums when a sample is so high that it could, with others, reach the ceiling.
    fn update_activity(&mut self, peak: f32) {
        if peak * MAX_OVERSHOOT > self.ceiling {
            if self.loud == 0 {
                self.rebuild_sums();
            }
            self.loud = INTERVALS;
        } else {
            self.loud = self.loud.saturating_sub(1);
        }
    }

    /// Computes the sums from the last samples, added in their order.
    fn rebuild_sums(&mut self) {
        for channel in &mut self.channels {
            channel.sums.fill(0.0);
            for age in (1..INTERVALS).rev() {
                // The newest interval of a sample of this age is `age` before the next one.
                let y = channel.past[(self.at + INTERVALS - age) % INTERVALS];
                for j in 0..INTERVALS - age {
                    let here = (self.at + j) % INTERVALS * POINTS;
                    let weights = &self.kernel[(j + age) * POINTS..][..POINTS];
                    for (s, h) in channel.sums[here..here + POINTS].iter_mut().zip(weights) {
                        *s += h * y;
                    }
                }
            }
        }
    }

    /// Weights of the newest sample in the order of the sums.
    fn weights(&self) -> &[f32] {
        &self.kernel[(INTERVALS - self.at) * POINTS..][..SUMS]
    }

    fn commit(&mut self, frame: [f32; 2]) {
        let at = self.at;
        let weights = &self.kernel[(INTERVALS - at) * POINTS..][..SUMS];
        for (channel, y) in self.channels.iter_mut().zip(frame) {
            channel.past[at] = y;
            if self.loud > 0 {
                add(&mut channel.sums, weights, y);
                // The oldest interval is complete; a new one replaces it.
                channel.sums[at * POINTS..(at + 1) * POINTS].fill(0.0);
            }
        }
        self.ceilings[at * POINTS..(at + 1) * POINTS].fill(self.ceiling);
        self.at = (at + 1) % INTERVALS;
    }

    /// Largest gain reduction since the last call, dB, 0 or above.
    pub fn take_reduction_db(&mut self) -> f32 {
        let reduction = std::mem::take(&mut self.max_reduction).min(0.999_999);
        if reduction > 0.0 { -gain_to_db(1.0 - reduction) } else { 0.0 }
    }

    /// Removes all reduction and clears the output samples.
    pub fn reset(&mut self) {
        (self.reduction, self.max_reduction, self.at, self.loud) = (0.0, 0.0, 0, 0);
        self.ceilings.fill(self.ceiling);
        for channel in &mut self.channels {
            channel.sums.fill(0.0);
            channel.past.fill(0.0);
        }
    }
}

/// Largest gain up to `gain` for a sample `x` that keeps every point within its ceiling.
fn largest_gain(sums: &[f32], weights: &[f32], x: f32, gain: f32, ceilings: &[f32]) -> f32 {
    if within(sums, weights, x * gain, ceilings) {
        return gain;
    }
    // Any smaller gain keeps a point within its ceiling as well: only points that exceed it need a new one.
    let mut gain = gain;
    for ((s, h), ceilings) in sums
        .chunks_exact(POINT_LANES)
        .zip(weights.chunks_exact(POINT_LANES))
        .zip(ceilings.chunks_exact(POINT_LANES))
    {
        if within(s, h, x * gain, ceilings) {
            continue;
        }
        for ((s, h), ceiling) in s.iter().zip(h).zip(ceilings) {
            let add = h * x;
            if (s + add * gain).abs() > *ceiling {
                let room = if add > 0.0 { ceiling - s } else { ceiling + s };
                gain = gain.min((room / add.abs()).max(0.0));
            }
        }
    }
    gain
}

/// Whether every point stays within its ceiling with a sample `y`.
fn within(sums: &[f32], weights: &[f32], y: f32, ceilings: &[f32]) -> bool {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2, checked on the line above.
        return unsafe { within_avx2(sums, weights, y, ceilings) };
    }
    within_body(sums, weights, y, ceilings)
}

/// `sums` plus `y` times `weights`.
fn add(sums: &mut [f32], weights: &[f32], y: f32) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2, checked on the line above.
        return unsafe { add_avx2(sums, weights, y) };
    }
    add_body(sums, weights, y);
}

// The same code for wider registers; points are independent, so the bits are the same.

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn within_avx2(sums: &[f32], weights: &[f32], y: f32, ceilings: &[f32]) -> bool {
    within_body(sums, weights, y, ceilings)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn add_avx2(sums: &mut [f32], weights: &[f32], y: f32) {
    add_body(sums, weights, y);
}

#[inline(always)]
fn within_body(sums: &[f32], weights: &[f32], y: f32, ceilings: &[f32]) -> bool {
    let (sums, weights, ceilings) = (
        sums.as_chunks::<POINT_LANES>().0,
        weights.as_chunks::<POINT_LANES>().0,
        ceilings.as_chunks::<POINT_LANES>().0,
    );
    let mut over = [0.0f32; POINT_LANES];
    for ((s, h), ceiling) in sums.iter().zip(weights).zip(ceilings) {
        for i in 0..POINT_LANES {
            let excess = (s[i] + h[i] * y).abs() - ceiling[i];
            over[i] = if excess > over[i] { excess } else { over[i] };
        }
    }
    over.iter().all(|&x| x == 0.0)
}

#[inline(always)]
fn add_body(sums: &mut [f32], weights: &[f32], y: f32) {
    for (s, h) in sums.iter_mut().zip(weights) {
        *s += h * y;
    }
}

/// Weight of the newest sample at each point, oldest interval first: a sinc with a squared cosine window, and the
/// standard's filter.
static KERNEL: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let weight = |i: usize| {
        // Samples from the start of the interval to the newest one.
        let (since, point) = (KERNEL_REACH as f64 - (i / POINTS) as f64, i % POINTS);
        match (point.checked_sub(EIGHTHS), point.checked_sub(EIGHTHS + METERS.len())) {
            (_, Some(phase)) => standard_weight(phase, since as i32),
            (Some(meter), None) => windowed_sinc(since - METERS[meter].0, METERS[meter].1),
            (None, None) => windowed_sinc(since - point as f64 / EIGHTHS as f64, KERNEL_REACH),
        }
    };
    let once: Vec<f32> = (0..SUMS).map(weight).collect();
    [&once[..], &once[..]].concat()
});

/// A sinc over `reach` samples on each side, `x` samples from its middle.
fn windowed_sinc(x: f64, reach: usize) -> f32 {
    let edge = x / reach as f64;
    let angle = std::f64::consts::PI * x;
    let sinc = if angle == 0.0 { 1.0 } else { libm::sin(angle) / angle };
    let window = libm::cos(edge * std::f64::consts::FRAC_PI_2);
    if edge.abs() >= 1.0 { 0.0 } else { (sinc * window * window) as f32 }
}

/// A tap of the standard's filter: phase 0 to 3, for the sample that lies `since` samples after the interval's start.
fn standard_weight(phase: usize, since: i32) -> f32 {
    let Some(tap) = usize::try_from(since + 5).ok().filter(|&tap| tap < 12) else { return 0.0 };
    if phase < 2 { STANDARD_TAPS[phase][tap] } else { STANDARD_TAPS[3 - phase][11 - tap] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interpolated_values_stay_within_the_stated_overshoot() {
        let kernel = &KERNEL;
        for point in 0..POINTS {
            let sum: f32 = kernel[..SUMS].iter().skip(point).step_by(POINTS).map(|h| h.abs()).sum();
            assert!(sum < MAX_OVERSHOOT, "{sum}");
        }
    }
}
