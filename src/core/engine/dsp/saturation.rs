//! Saturation in three characters, eight times oversampled, its loudness held as the drive grows.
//!
//! | character | curve | harmonics |
//! | --- | --- | --- |
//! | soft | `x / sqrt(1 + x^2)` | odd, falling fast |
//! | hard | `x` clipped at ±1 | odd, many |
//! | asymmetric | soft above zero, `x / sqrt(1 + 4 x^2)` below | even and odd |
//!
//! Aliases are kept down twice: by running at eight times the rate (recursive half-band filters, no
//! latency to report), and by antiderivative antialiasing of first order: J. D. Parker, V. Zavalishin,
//! E. Le Bivic, "Reducing the aliasing of nonlinear waveshaping using continuous-time convolution",
//! DAFx 2016. The mean of the curve between two samples has a closed form for these curves that does
//! not cancel, so it needs no special case for samples close together.
//!
//! At high sample rates the oversampling shrinks: eight times up to 50 kHz, four up to 100, two up to
//! 200, none beyond; the curve always runs near 384 kHz.

use super::{
    eq::{Filter, Section},
    glide::Glide,
    halfband::{Frame, HalfBand},
    loudness::{MOMENTARY_MS, Matcher},
    math::db_to_gain,
};
use crate::kit::Character;

/// Doublings at most.
const DOUBLINGS: usize = 3;
/// Frames worked on at once; the grid on which states are flushed.
const RUN: usize = 16;

/// A saturation stage for two channels.
#[derive(Debug, Clone, Copy)]
pub struct Saturation {
    character: Character,
    drive: Glide,
    /// Share of the curve's output, and the level that makes it as loud as a -12 dB sine went in.
    mix: Glide,
    wet: Glide,
    doublings: usize,
    up: [HalfBand; DOUBLINGS],
    down: [HalfBand; DOUBLINGS],
    /// Last driven frame at the high rate.
    last: Frame,
    /// Frames until states are flushed.
    to_flush: usize,
    /// Takes away the steady part that asymmetry makes.
    blocker: Filter,
    matcher: Matcher,
}

impl Saturation {
    /// At rest, at `sample_rate` Hz, driven by 0 dB.
    pub fn new(sample_rate: f64) -> Self {
        let doublings = match sample_rate {
            r if r <= 50_000.0 => 3,
            r if r <= 100_000.0 => 2,
            r if r <= 200_000.0 => 1,
            _ => 0,
        };
        // Everything to 20 kHz passes the first pair; the others only have to keep that much.
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
            to_flush: RUN,
            blocker: Filter::new(Section::high_pass(5.0, 0.5, sample_rate)),
            matcher: Matcher::new(MOMENTARY_MS, sample_rate),
        };
        new.set(Character::Soft, 0.0, 1.0);
        new.jump();
        new
    }

    /// From now on at twice the rate only: quicker, with aliases that no measure of a whole drum sound tells.
    pub fn draft(&mut self) {
        self.doublings = self.doublings.min(1);
    }

    /// Takes new settings, reached within 10 ms: drive in dB, mix 0 to 1. A new character begins at
    /// once (the curves agree where the sound is soft); crossfade around it where that matters.
    pub fn set(&mut self, character: Character, drive_db: f32, mix: f32) {
        self.character = character;
        let drive = db_to_gain(f64::from(drive_db));
        self.drive.aim(drive);
        self.mix.aim(f64::from(mix));
        self.wet.aim(reference_level(character, drive));
    }

    /// Jumps to the settings last taken.
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
            self.run(&mut left[from..to], &mut right[from..to]);
            self.to_flush -= to - from;
            if self.to_flush == 0 {
                self.to_flush = RUN;
                self.up.iter_mut().chain(&mut self.down).for_each(HalfBand::flush);
            }
            from = to;
        }
    }

    fn run(&mut self, left: &mut [f32], right: &mut [f32]) {
        let n = left.len();
        let mut bent = [[0.0f32; RUN]; 2];
        let [bl, br] = &mut bent;
        let (bl, br) = (&mut bl[..n], &mut br[..n]);
        bl.copy_from_slice(left);
        br.copy_from_slice(right);
        self.bend(bl, br);
        if self.character == Character::Asymmetric {
            self.blocker.process(bl, br);
        }
        let mut ratios = [1.0f64; RUN];
        self.matcher.follow([left, right], [bl, br], &mut ratios[..n]);
        for i in 0..n {
            let gain = ratios[i].sqrt() as f32;
            (left[i], right[i]) = (bl[i] * gain, br[i] * gain);
        }
    }

    fn bend(&mut self, left: &mut [f32], right: &mut [f32]) {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            // SAFETY: the processor has AVX2, checked on the line above.
            return unsafe { self.bend_avx2(left, right) };
        }
        self.bend_body(left, right);
    }

    /// The same code for wider registers; nothing is added in another order.
    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2")]
    fn bend_avx2(&mut self, left: &mut [f32], right: &mut [f32]) {
        self.bend_body(left, right);
    }

    #[inline(always)]
    fn bend_body(&mut self, left: &mut [f32], right: &mut [f32]) {
        match self.doublings {
            0 => self.bend_at::<RUN>(left, right),
            1 => self.bend_at::<{ RUN << 1 }>(left, right),
            2 => self.bend_at::<{ RUN << 2 }>(left, right),
            _ => self.bend_at::<{ RUN << DOUBLINGS }>(left, right),
        }
    }

    /// Up to the high rate, through the curve, and down again; a run is `HIGH` frames there.
    #[inline(always)]
    fn bend_at<const HIGH: usize>(&mut self, left: &mut [f32], right: &mut [f32]) {
        let n = left.len();
        let mut high = [[0.0f64; 2]; HIGH];
        let mut other = [[0.0f64; 2]; HIGH];
        for (frame, (l, r)) in high.iter_mut().zip(left.iter().zip(right.iter())) {
            *frame = [f64::from(*l), f64::from(*r)];
        }
        for stage in 0..self.doublings {
            let count = n << stage;
            self.up[stage].double(&high[..count], &mut other[..2 * count]);
            std::mem::swap(&mut high, &mut other);
        }
        let count = n << self.doublings;
        let mut bent = [[0.0f64; 2]; HIGH];
        self.shape(&mut high[..count], [&mut other[..count], &mut bent[..count]], n);
        for stage in (0..self.doublings).rev() {
            let count = n << stage;
            self.down[stage].halve(&high[..2 * count], &mut other[..count]);
            std::mem::swap(&mut high, &mut other);
        }
        for (frame, (l, r)) in high.iter().zip(left.iter_mut().zip(right.iter_mut())) {
            (*l, *r) = (frame[0] as f32, frame[1] as f32);
        }
    }

    /// The curve, on `n` frames' worth of the high rate; the buffers are as long, and overwritten.
    #[inline(always)]
    fn shape(&mut self, high: &mut [Frame], [driven, bent]: [&mut [Frame]; 2], n: usize) {
        let per_frame = high.len() / n;
        let mut settings = [[0.0; 2]; RUN];
        for (i, frames) in high.chunks_exact(per_frame).enumerate() {
            let drive = self.drive.next_frame();
            settings[i] = [self.mix.next_frame(), self.wet.next_frame()];
            for (x, y) in frames.iter().zip(&mut driven[i * per_frame..]) {
                *y = [x[0] * drive, x[1] * drive];
            }
        }
        means(self.character, self.last, driven, bent);
        self.last = driven[driven.len() - 1];
        for (i, frames) in high.chunks_exact_mut(per_frame).enumerate() {
            let [mix, wet] = settings[i];
            for (x, b) in frames.iter_mut().zip(&bent[i * per_frame..]) {
                for c in 0..2 {
                    x[c] += mix * (b[c] * wet - x[c]);
                }
            }
        }
    }

    /// Forgets all sound and jumps to the settings last taken.
    pub fn reset(&mut self) {
        self.up.iter_mut().chain(&mut self.down).for_each(HalfBand::reset);
        (self.last, self.to_flush) = ([0.0; 2], RUN);
        self.blocker.reset();
        self.matcher.reset();
        self.jump();
    }
}

/// The curve itself: slope 1 at zero.
pub fn curve(character: Character, x: f64) -> f64 {
    match character {
        Character::Soft => x / (1.0 + x * x).sqrt(),
        Character::Hard => x.clamp(-1.0, 1.0),
        Character::Asymmetric if x < 0.0 => x / (1.0 + 4.0 * x * x).sqrt(),
        Character::Asymmetric => x / (1.0 + x * x).sqrt(),
    }
}

/// Mean of the curve between each frame and the one before; `last` comes before the first.
#[inline(always)]
fn means(character: Character, last: Frame, x: &[Frame], out: &mut [Frame]) {
    // One loop for each character: the compiler makes vector code of it.
    match character {
        Character::Soft => means_of(last, x, out, |a, b| soft_mean(a, b, 1.0)),
        Character::Hard => means_of(last, x, out, hard_mean),
        Character::Asymmetric => means_of(last, x, out, asymmetric_mean),
    }
}

#[inline(always)]
fn means_of(last: Frame, x: &[Frame], out: &mut [Frame], mean: impl Fn(f64, f64) -> f64) {
    let (x, out) = (x.as_flattened(), out.as_flattened_mut());
    for (c, last) in last.into_iter().enumerate() {
        out[c] = mean(last, x[c]);
    }
    for ((y, &a), &b) in out[2..].iter_mut().zip(x).zip(&x[2..]) {
        *y = mean(a, b);
    }
}

#[inline(always)]
fn asymmetric_mean(a: f64, b: f64) -> f64 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low >= 0.0 {
        soft_mean(a, b, 1.0)
    } else if high <= 0.0 {
        soft_mean(a, b, 4.0)
    } else {
        // On both sides of zero: each side's area, both taken from zero on.
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
    // The area under the slope and that beyond the corners.
    let beyond = (a - ca).abs() - (b - cb).abs();
    (0.5 * (ca + cb) * (ca - cb) + beyond) / apart
}

/// Level that gives a sine of -12 dB its effective value back after the curve.
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
