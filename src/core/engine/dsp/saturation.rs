//! Saturation in three characters, oversampled eight times, at constant loudness for any drive.
//!
//! | character | curve | harmonics |
//! | --- | --- | --- |
//! | soft | `x / sqrt(1 + x^2)` | odd, falling fast |
//! | hard | `x` clipped at ±1 | odd, many |
//! | asymmetric | soft above zero, `x / sqrt(1 + 4 x^2)` below | even and odd |
//!
//! Aliases are reduced twice: by running at eight times the rate (recursive half-band filters, no latency to
//! report), and by antiderivative antialiasing of first order: J. D. Parker, V. Zavalishin,
//! E. Le Bivic, "Reducing the aliasing of nonlinear waveshaping using continuous-time convolution",
//! DAFx 2016. The mean of the curve between two samples has a closed form for these curves that does
//! not cancel, so it needs no special case for samples close together.
//!
//! At high sample rates the oversampling shrinks: eight times up to 50 kHz, four up to 100, two up to
//! 200, none beyond; the curve always runs near 384 kHz.

use super::{
    eq::{EqSection, Filter},
    glide::Glide,
    halfband::{Frame, HalfBand},
    loudness::{LoudnessMatcher, MOMENTARY_MS},
};
use crate::{kit::Character, units::db_to_gain};

/// Most doublings of the sample rate.
const DOUBLINGS: usize = 3;
/// Most frames processed at once, and the frames between two flushes.
const SATURATION_BLOCK: usize = 16;
/// Frames that vector units take at once; divides the block.
const VECTOR_FRAMES: usize = 8;

/// A saturation stage for two channels.
#[derive(Debug, Clone, Copy)]
pub struct Saturation {
    character: Character,
    drive: Glide,
    /// Share of the curve's output, and the gain that keeps the level of a -12 dBFS sine.
    mix: Glide,
    wet: Glide,
    doublings: usize,
    up: [HalfBand; DOUBLINGS],
    down: [HalfBand; DOUBLINGS],
    /// Last input of the curve, at the high rate.
    last: Frame,
    /// Frames until states are flushed.
    to_flush: usize,
    /// Removes the DC offset of the asymmetric curve.
    blocker: Filter,
    matcher: LoudnessMatcher,
}

impl Saturation {
    /// Without state, at `sample_rate` Hz, with 0 dB of drive.
    pub fn new(sample_rate: f64) -> Self {
        let doublings = match sample_rate {
            r if r <= 50_000.0 => 3,
            r if r <= 100_000.0 => 2,
            r if r <= 200_000.0 => 1,
            _ => 0,
        };
        // The first stage passes up to 20.5 kHz; the others only need to pass the same range.
        let stage = |i: usize| {
            let rate = sample_rate * f64::from(1 << i);
            HalfBand::new((20_500.0 / rate).min(0.46), 100.0)
        };
        let halves = std::array::from_fn(stage);
        let frames = (sample_rate * 0.01).round() as u32;
        let mut new = Self {
            character: Character::Soft,
            drive: Glide::new(1.0, frames),
            mix: Glide::new(1.0, frames),
            wet: Glide::new(1.0, frames),
            doublings,
            up: halves,
            down: halves,
            last: [0.0; 2],
            to_flush: SATURATION_BLOCK,
            blocker: Filter::new(EqSection::high_pass(5.0, 0.5, sample_rate)),
            matcher: LoudnessMatcher::new(MOMENTARY_MS, sample_rate),
        };
        new.set(Character::Soft, 0.0, 1.0);
        new.jump();
        new
    }

    /// Oversamples twice only from now on, by filters that pass 16 kHz of 48 kHz: less work, with more aliases, which the
    /// measures of a whole drum sound do not detect.
    pub fn draft(&mut self) {
        self.doublings = self.doublings.min(1);
        let half = HalfBand::new(1.0 / 3.0, 50.0);
        (self.up[0], self.down[0]) = (half, half);
    }

    /// Takes new settings, reached within 10 ms: drive in dB, mix 0 to 1. A new character applies at once (the curves
    /// agree at low levels); the caller crossfades where that is audible.
    pub fn set(&mut self, character: Character, drive_db: f32, mix: f32) {
        self.character = character;
        let drive = db_to_gain(f64::from(drive_db));
        self.drive.set_target(drive);
        self.mix.set_target(f64::from(mix));
        self.wet.set_target(reference_level(character, drive));
    }

    /// Reaches the settings last taken at once.
    pub fn jump(&mut self) {
        for glide in [&mut self.drive, &mut self.mix, &mut self.wet] {
            glide.jump();
        }
    }

    /// Saturates two channels in place.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        let mut from = 0;
        while from < left.len() {
            let to = (from + self.to_flush).min(left.len());
            self.process_block(&mut left[from..to], &mut right[from..to]);
            self.to_flush -= to - from;
            if self.to_flush == 0 {
                self.to_flush = SATURATION_BLOCK;
                let used = ..self.doublings;
                self.up[used].iter_mut().chain(&mut self.down[used]).for_each(HalfBand::flush);
            }
            from = to;
        }
    }

    fn process_block(&mut self, left: &mut [f32], right: &mut [f32]) {
        let n = left.len();
        let mut bent = [[0.0f32; SATURATION_BLOCK]; 2];
        let [bl, br] = &mut bent;
        let (bl, br) = (&mut bl[..n], &mut br[..n]);
        bl.copy_from_slice(left);
        br.copy_from_slice(right);
        self.saturate(bl, br);
        if self.character == Character::Asymmetric {
            self.blocker.process(bl, br);
        }
        let mut ratios = [1.0f64; SATURATION_BLOCK];
        self.matcher.follow([left, right], [bl, br], &mut ratios[..n]);
        for i in 0..n {
            let gain = ratios[i].sqrt() as f32;
            (left[i], right[i]) = (bl[i] * gain, br[i] * gain);
        }
    }

    fn saturate(&mut self, left: &mut [f32], right: &mut [f32]) {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            // SAFETY: the processor has AVX2, checked on the line above.
            return unsafe { self.saturate_avx2(left, right) };
        }
        self.saturate_body(left, right);
    }

    /// The same code for wider registers; the order of operations is the same.
    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2")]
    fn saturate_avx2(&mut self, left: &mut [f32], right: &mut [f32]) {
        self.saturate_body(left, right);
    }

    #[inline(always)]
    fn saturate_body(&mut self, left: &mut [f32], right: &mut [f32]) {
        match self.doublings {
            0 => self.saturate_at::<SATURATION_BLOCK>(left, right),
            1 => self.saturate_at::<{ SATURATION_BLOCK << 1 }>(left, right),
            2 => self.saturate_at::<{ SATURATION_BLOCK << 2 }>(left, right),
            _ => self.saturate_at::<{ SATURATION_BLOCK << DOUBLINGS }>(left, right),
        }
    }

    /// Oversamples, applies the curve and goes back to the sample rate; `HIGH` is the block length at the high rate.
    #[inline(always)]
    fn saturate_at<const HIGH: usize>(&mut self, left: &mut [f32], right: &mut [f32]) {
        let n = left.len();
        // exchanged by reference: both are too long to be copied at every stage
        let (mut first, mut second) = ([[0.0f64; 2]; HIGH], [[0.0f64; 2]; HIGH]);
        let (mut high, mut other) = (&mut first, &mut second);
        for (frame, (l, r)) in high.iter_mut().zip(left.iter().zip(right.iter())) {
            *frame = [f64::from(*l), f64::from(*r)];
        }
        for stage in 0..self.doublings {
            let count = n << stage;
            self.up[stage].double(&high[..count], &mut other[..2 * count]);
            std::mem::swap(&mut high, &mut other);
        }
        let count = n << self.doublings;
        let (mut bent, mut roots) = ([[0.0f64; 2]; HIGH], [[0.0f64; 2]; HIGH]);
        // whole vectors: what is computed beyond the frames is not used
        let whole = count.next_multiple_of(VECTOR_FRAMES);
        let buffers = [&mut other[..whole], &mut bent[..whole], &mut roots[..whole]];
        self.apply_curve(&mut high[..count], buffers, n);
        for stage in (0..self.doublings).rev() {
            let count = n << stage;
            self.down[stage].halve(&high[..2 * count], &mut other[..count]);
            std::mem::swap(&mut high, &mut other);
        }
        for (frame, (l, r)) in high.iter().zip(left.iter_mut().zip(right.iter_mut())) {
            (*l, *r) = (frame[0] as f32, frame[1] as f32);
        }
    }

    /// Applies the curve to `n` frames at the high rate, `high`; the buffers are at least as long and are overwritten.
    #[inline(always)]
    fn apply_curve(&mut self, high: &mut [Frame], [driven, bent, roots]: [&mut [Frame]; 3], n: usize) {
        let per_frame = high.len() / n;
        let mut settings = [[0.0; 2]; SATURATION_BLOCK];
        for (i, frames) in high.chunks_exact(per_frame).enumerate() {
            let drive = self.drive.next_frame();
            settings[i] = [self.mix.next_frame(), self.wet.next_frame()];
            for (x, y) in frames.iter().zip(&mut driven[i * per_frame..]) {
                *y = [x[0] * drive, x[1] * drive];
            }
        }
        means(self.character, self.last, driven, bent, roots);
        self.last = driven[high.len() - 1];
        for (i, frames) in high.chunks_exact_mut(per_frame).enumerate() {
            let [mix, wet] = settings[i];
            for (x, b) in frames.iter_mut().zip(&bent[i * per_frame..]) {
                for c in 0..2 {
                    x[c] += mix * (b[c] * wet - x[c]);
                }
            }
        }
    }

    /// Clears all state and reaches the settings last taken at once.
    pub fn reset(&mut self) {
        self.up.iter_mut().chain(&mut self.down).for_each(HalfBand::reset);
        (self.last, self.to_flush) = ([0.0; 2], SATURATION_BLOCK);
        self.blocker.reset();
        self.matcher.reset();
        self.jump();
    }
}

/// The static curve; its slope at 0 is 1.
pub fn curve(character: Character, x: f64) -> f64 {
    match character {
        Character::Soft => x / (1.0 + x * x).sqrt(),
        Character::Hard => x.clamp(-1.0, 1.0),
        Character::Asymmetric if x < 0.0 => x / (1.0 + 4.0 * x * x).sqrt(),
        Character::Asymmetric => x / (1.0 + x * x).sqrt(),
    }
}

/// Mean of the curve between each frame and the one before; `last` comes before the first. `roots` is overwritten.
#[inline(always)]
fn means(character: Character, last: Frame, x: &[Frame], out: &mut [Frame], roots: &mut [Frame]) {
    // One loop per character, so that the compiler vectorises each.
    match character {
        Character::Soft => soft_means(last, x, out, roots),
        Character::Hard => means_of(last, x, out, hard_mean),
        Character::Asymmetric => means_of(last, x, out, asymmetric_mean),
    }
}

#[inline(always)]
fn means_of(last: Frame, x: &[Frame], out: &mut [Frame], mean: impl Fn(f64, f64) -> f64) {
    // in the order of `x`, so that no frame is left over from the vectors
    frames_before(last, x, out);
    for (y, &x) in out.as_flattened_mut().iter_mut().zip(x.as_flattened()) {
        *y = mean(*y, x);
    }
}

/// [`means_of`] the soft curve by [`soft_mean`], with the root of each frame computed once.
#[inline(always)]
fn soft_means(last: Frame, x: &[Frame], out: &mut [Frame], roots: &mut [Frame]) {
    let root = |x: f64| (1.0 + x * x).sqrt();
    for (root_of, &x) in roots.as_flattened_mut().iter_mut().zip(x.as_flattened()) {
        *root_of = root(x);
    }
    frames_before(last.map(root), roots, out);
    for (y, &root_of) in out.as_flattened_mut().iter_mut().zip(roots.as_flattened()) {
        *y += root_of;
    }
    frames_before(last, x, roots);
    let sums = roots.as_flattened().iter().zip(x.as_flattened()).map(|(before, x)| before + x);
    for (y, sum) in out.as_flattened_mut().iter_mut().zip(sums) {
        *y = sum / *y;
    }
}

/// Each frame's predecessor.
#[inline(always)]
fn frames_before(last: Frame, x: &[Frame], before: &mut [Frame]) {
    before[0] = last;
    before[1..].copy_from_slice(&x[..x.len() - 1]);
}

#[inline(always)]
fn asymmetric_mean(a: f64, b: f64) -> f64 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low >= 0.0 {
        soft_mean(a, b, 1.0)
    } else if high <= 0.0 {
        soft_mean(a, b, 4.0)
    } else {
        // From below to above 0: the areas of both sides.
        (high * soft_mean(0.0, high, 1.0) - low * soft_mean(0.0, low, 4.0)) / (high - low)
    }
}

/// `(S(a) - S(b)) / (a - b)` with `S(x) = sqrt(1 + s x^2) / s`, expanded so that nothing cancels.
#[inline(always)]
fn soft_mean(a: f64, b: f64, s: f64) -> f64 {
    (a + b) / ((1.0 + s * a * a).sqrt() + (1.0 + s * b * b).sqrt())
}

#[inline(always)]
fn hard_mean(a: f64, b: f64) -> f64 {
    let apart = a - b;
    if apart.abs() < 1e-9 {
        return (0.5 * (a + b)).clamp(-1.0, 1.0);
    }
    let (ca, cb) = (a.clamp(-1.0, 1.0), b.clamp(-1.0, 1.0));
    // The area of the linear part and of the clipped part.
    let beyond = (a - ca).abs() - (b - cb).abs();
    (0.5 * (ca + cb) * (ca - cb) + beyond) / apart
}

/// Gain that gives a sine with a peak of -12 dBFS its RMS value back after the curve.
fn reference_level(character: Character, drive: f64) -> f64 {
    const POINTS: usize = 64;
    const PEAK: f64 = 0.25;
    let (mut sum, mut squares) = (0.0, 0.0);
    for i in 0..POINTS {
        let x = PEAK * libm::sin(std::f64::consts::TAU * i as f64 / POINTS as f64);
        let y = curve(character, x * drive);
        sum += y;
        squares += y * y;
    }
    let n = POINTS as f64;
    PEAK * std::f64::consts::FRAC_1_SQRT_2 / (squares / n - (sum / n) * (sum / n)).max(1e-12).sqrt()
}
