//! The true-peak ceiling of an output, with no latency, and its guard against NaN and infinity.
//!
//! True peak is what a converter would make of the samples (ITU-R BS.1770-5, annex 2): the waveform
//! between them counts. Its value between two samples depends on samples still to come, so a ceiling
//! without latency cannot measure it first. This one keeps, for every spot between the last samples,
//! the sum that the interpolation has reached so far, and gives each new frame the largest gain that
//! keeps every one of these sums within the ceiling. Silence would always do, so a solution always
//! exists, and once a spot has seen all its samples its true peak is within the ceiling: by
//! construction, not by measurement.
//!
//! The price: a sum that has seen only its past overshoots (by up to 14 %, as every cut-off sum of
//! sines does), so a low tone is already held 1.1 dB below the ceiling. That is no matter of the method: a tone
//! that stops dead at its height does swing 1.1 dB over its samples, and a gain that knows nothing of the next
//! frame cannot rule it out (a test in `tests/engine_sound/ahead.rs` holds both figures). Only latency would
//! buy this back.
//!
//! Nothing is computed while the last samples are so low that no sum of them can reach the ceiling.

use super::{
    denormal::flush32,
    math::{db_to_gain, one_pole},
};

/// Spots between two samples at which the peak is kept: eighths of the way, and those of the usual meters.
const SPOTS: usize = EIGHTHS + METERS.len();
const EIGHTHS: usize = 8;
/// Samples on each side of a spot that count.
const REACH: usize = 32;
/// The same for spots of meters that look less far (48 taps in all, at 4 times below 96 kHz and at 2 times from
/// there on, as BS.1770-5 suggests): where the spot lies, and the samples on each side. They show more than
/// there is near half the sample rate.
const METERS: [(f64, usize); 4] = [(0.25, 6), (0.5, 6), (0.75, 6), (0.5, 12)];
/// Intervals that the newest sample has a part in.
const INTERVALS: usize = 2 * REACH;
/// Most that an interpolated value can exceed the largest sample in its reach: the sum of a spot's
/// weights, each taken positive (a test computes it).
const MOST_OVER: f32 = 3.5;
/// Release of the ceiling, ms (63 %).
const RELEASE_MS: f64 = 80.0;
const SUMS: usize = INTERVALS * SPOTS;
/// Spots looked at side by side.
const LANES: usize = 32;

/// The ceiling of one stereo output.
#[derive(Debug, Clone)]
pub struct Ceiling {
    sample_rate: f64,
    ceiling: f32,
    /// The ceiling under which each spot's interval began, in the ring of the sums: a lower one that comes
    /// later could not be kept any more without a jump to silence.
    ceilings: Vec<f32>,
    release: f32,
    /// Reduction in force, 1 - gain, and the largest since it was last asked for.
    reduction: f32,
    most: f32,
    channels: [Channel; 2],
    /// Weights of the newest sample, oldest interval first, twice over for reading as a ring.
    kernel: Vec<f32>,
    /// Oldest interval and oldest remembered sample.
    at: usize,
    /// Frames for which the sums are still needed.
    loud: usize,
}

#[derive(Debug, Clone)]
struct Channel {
    /// What each spot has summed up so far: a ring of intervals. Out of date while not needed.
    sums: Vec<f32>,
    /// The last samples put out.
    past: [f32; INTERVALS],
}

impl Ceiling {
    /// A ceiling at `ceiling_db` dBTP, at `sample_rate` Hz.
    pub fn new(ceiling_db: f32, sample_rate: f64) -> Self {
        let channel = Channel { sums: vec![0.0; SUMS], past: [0.0; INTERVALS] };
        let mut new = Self {
            sample_rate,
            ceiling: 1.0,
            ceilings: vec![1.0; SUMS],
            release: 0.0,
            reduction: 0.0,
            most: 0.0,
            channels: [channel.clone(), channel],
            kernel: kernel(),
            at: 0,
            loud: 0,
        };
        new.set(ceiling_db);
        new.ceilings.fill(new.ceiling);
        new
    }

    /// Moves the ceiling, dBTP. What begins after the last frame obeys it: the spots that the last 64 frames have
    /// a part in keep the one they began under. Where nothing sounds, [`Ceiling::reset`] lets all obey it at once.
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
            self.reduction = flush32(self.reduction * self.release);
            if self.reduction < 1e-7 {
                self.reduction = 0.0;
            }
            self.listen(l.abs().max(r.abs()));
            let mut gain = 1.0 - self.reduction;
            if self.loud > 0 {
                for (channel, x) in self.channels.iter().zip([*l, *r]) {
                    gain = largest_gain(&channel.sums, self.weights(), x, gain, &self.ceilings);
                }
                self.reduction = 1.0 - gain;
                self.most = self.most.max(self.reduction);
            }
            (*l, *r) = (*l * gain, *r * gain);
            self.put_out([*l, *r]);
        }
    }

    /// Brings the sums up to date when a sample comes that could, with others, reach the ceiling.
    fn listen(&mut self, peak: f32) {
        if peak * MOST_OVER > self.ceiling {
            if self.loud == 0 {
                self.sum_up();
            }
            self.loud = INTERVALS;
        } else {
            self.loud = self.loud.saturating_sub(1);
        }
    }

    /// The sums from the remembered samples, added in the order in which they came.
    fn sum_up(&mut self) {
        for channel in &mut self.channels {
            channel.sums.fill(0.0);
            for age in (1..INTERVALS).rev() {
                // A sample of this age had its newest interval `age` before the one to come.
                let y = channel.past[(self.at + INTERVALS - age) % INTERVALS];
                for j in 0..INTERVALS - age {
                    let here = (self.at + j) % INTERVALS * SPOTS;
                    let weights = &self.kernel[(j + age) * SPOTS..][..SPOTS];
                    for (s, h) in channel.sums[here..here + SPOTS].iter_mut().zip(weights) {
                        *s += h * y;
                    }
                }
            }
        }
    }

    /// Weights of the newest sample in the order in which the sums lie.
    fn weights(&self) -> &[f32] {
        &self.kernel[(INTERVALS - self.at) * SPOTS..][..SUMS]
    }

    fn put_out(&mut self, frame: [f32; 2]) {
        let at = self.at;
        let weights = &self.kernel[(INTERVALS - at) * SPOTS..][..SUMS];
        for (channel, y) in self.channels.iter_mut().zip(frame) {
            channel.past[at] = y;
            if self.loud > 0 {
                add(&mut channel.sums, weights, y);
                // The oldest interval is complete; a new one takes its place.
                channel.sums[at * SPOTS..(at + 1) * SPOTS].fill(0.0);
            }
        }
        self.ceilings[at * SPOTS..(at + 1) * SPOTS].fill(self.ceiling);
        self.at = (at + 1) % INTERVALS;
    }

    /// Largest gain reduction since the last call, dB, 0 or above.
    pub fn take_reduction_db(&mut self) -> f32 {
        let reduction = std::mem::take(&mut self.most).min(0.999_999);
        if reduction > 0.0 { -crate::units::gain_to_db(1.0 - reduction) } else { 0.0 }
    }

    /// Opens fully and forgets what was put out.
    pub fn reset(&mut self) {
        (self.reduction, self.most, self.at, self.loud) = (0.0, 0.0, 0, 0);
        self.ceilings.fill(self.ceiling);
        for channel in &mut self.channels {
            channel.sums.fill(0.0);
            channel.past.fill(0.0);
        }
    }
}

/// Largest gain up to `gain` for a sample `x` that keeps every spot within its ceiling.
fn largest_gain(sums: &[f32], weights: &[f32], x: f32, gain: f32, ceilings: &[f32]) -> f32 {
    if within(sums, weights, x * gain, ceilings) {
        return gain;
    }
    // A gain between 0 and one that suits a spot suits it too: only the spots that stay over matter.
    let mut gain = gain;
    for ((s, h), ceilings) in
        sums.chunks_exact(LANES).zip(weights.chunks_exact(LANES)).zip(ceilings.chunks_exact(LANES))
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

/// Whether every spot stays within its ceiling with a sample `y`.
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

// The same code for wider registers; each spot is by itself, so the bits are the same.

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
    let (sums, weights, ceilings) =
        (sums.as_chunks::<LANES>().0, weights.as_chunks::<LANES>().0, ceilings.as_chunks::<LANES>().0);
    let mut over = [0.0f32; LANES];
    for ((s, h), ceiling) in sums.iter().zip(weights).zip(ceilings) {
        for i in 0..LANES {
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

/// Weight of the newest sample at every spot, oldest interval first: a sinc under a squared cosine.
fn kernel() -> Vec<f32> {
    let once: Vec<f32> = (0..SUMS)
        .map(|i| {
            let (interval, spot) = (i / SPOTS, i % SPOTS);
            let (place, reach) = match spot.checked_sub(EIGHTHS) {
                Some(meter) => METERS[meter],
                None => (spot as f64 / EIGHTHS as f64, REACH),
            };
            // The spot lies this far before the sample: the first one as far as the sample reaches.
            let x = REACH as f64 - interval as f64 - place;
            let edge = x / reach as f64;
            let angle = std::f64::consts::PI * x;
            let sinc = if angle == 0.0 { 1.0 } else { libm::sin(angle) / angle };
            let window = libm::cos(edge * std::f64::consts::FRAC_PI_2);
            if edge.abs() >= 1.0 { 0.0 } else { (sinc * window * window) as f32 }
        })
        .collect();
    [&once[..], &once[..]].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_interpolated_value_exceeds_the_largest_sample_by_more_than_stated() {
        let kernel = kernel();
        for spot in 0..SPOTS {
            let sum: f32 = kernel[..SUMS].iter().skip(spot).step_by(SPOTS).map(|h| h.abs()).sum();
            assert!(sum < MOST_OVER, "{sum}");
        }
    }
}
