//! Noise, loss and aliasing of the reader.

use kitwright_core::{
    engine::dsp::reader::{Reader, Step},
    units::{gain_to_db, power_to_db, st_to_ratio},
};
use std::f64::consts::TAU;

/// Hz, of source and output.
pub const RATE: f64 = 44_100.0;

/// A sine at full scale.
pub fn sine(hz: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|i| (TAU * hz / RATE * i as f64).sin() as f32).collect()
}

/// Ratio of an interval.
pub fn semitones(st: f64) -> f64 {
    st_to_ratio(st)
}

/// Reads a sine at `ratio`; the middle of the result, away from the ends of the source.
pub fn read_sine(hz: f64, ratio: f64) -> Vec<f32> {
    let frames = 8192;
    let source = sine(hz, (frames as f64 * ratio) as usize + 6000);
    let mut reader = Reader::new(3000.0 + 0.123_456_789);
    let mut out = vec![0.0; frames];
    reader.read_mono(&source, Step::from_ratio(ratio), &mut out);
    out
}

/// Least-squares fit of a sine of known frequency: its level and the signal-to-noise ratio, both in dB.
pub fn fit(out: &[f32], hz: f64) -> (f64, f64) {
    let w = TAU * hz / RATE;
    let (mut cc, mut ss, mut cs, mut xc, mut xs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, &x) in out.iter().enumerate() {
        let (s, c) = (w * i as f64).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        xc += f64::from(x) * c;
        xs += f64::from(x) * s;
    }
    let det = cc * ss - cs * cs;
    let (a, b) = ((xc * ss - xs * cs) / det, (xs * cc - xc * cs) / det);
    let mut rest = 0.0;
    for (i, &x) in out.iter().enumerate() {
        let (s, c) = (w * i as f64).sin_cos();
        rest += (f64::from(x) - a * c - b * s).powi(2);
    }
    let power = (a * a + b * b) / 2.0;
    (power_to_db(2.0 * power), power_to_db(power / (rest / out.len() as f64)))
}

/// Lowest signal-to-noise ratio and largest loss, dB, of sines up to 15 kHz pitched by `st`.
pub fn noise_and_loss(st: f64) -> (f64, f64) {
    let ratio = semitones(st);
    let mut worst = (f64::INFINITY, 0.0f64);
    for hz in [50.0, 440.0, 1000.0, 3000.0, 5000.0, 7500.0, 10_000.0, 12_500.0, 14_000.0, 15_000.0] {
        let (level, snr) = fit(&read_sine(hz, ratio), hz * ratio);
        worst = (worst.0.min(snr), worst.1.max(level.abs()));
    }
    worst
}

/// Lowest alias rejection, dB, when pitched up by `st`: sines between the new and the old Nyquist frequency must
/// vanish.
pub fn alias_rejection(st: f64) -> f64 {
    let ratio = semitones(st);
    let lowest = RATE / 2.0 / ratio * 1.0001;
    let mut worst = f64::INFINITY;
    for step in 0..24 {
        let hz = lowest + (RATE / 2.0 - lowest) * f64::from(step) / 24.0;
        let out = read_sine(hz, ratio);
        let power: f64 = out.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / out.len() as f64;
        worst = worst.min(-power_to_db(2.0 * power));
    }
    worst
}

/// Intervals at which aliases are measured, semitones.
pub const PITCHED_UP: [f64; 12] = [1.0, 2.0, 4.0, 5.0, 7.0, 9.0, 12.0, 15.0, 17.0, 19.0, 22.0, 24.0];

/// Samples that differ from the source at ratio 1, forwards and backwards.
pub fn changed_at_ratio_one() -> usize {
    let source = sine(997.0, 500);
    let mut out = vec![0.0; 500];
    let differ = |out: &[f32], source: &mut dyn Iterator<Item = &f32>| {
        out.iter().zip(source).filter(|(a, b)| a.to_bits() != b.to_bits()).count()
    };
    Reader::new(0.0).read_mono(&source, Step::from_ratio(1.0), &mut out);
    let forwards = differ(&out, &mut source.iter());
    Reader::new(499.0).read_mono(&source, Step::from_ratio(-1.0), &mut out);
    forwards + differ(&out, &mut source.iter().rev())
}

/// Noise of a glide over an octave and a half through many tables, dB below full scale: the output's phase is
/// the sum of the steps, known exactly, so everything else is noise. 1 kHz lies in every table's pass band.
pub fn glide_noise() -> f64 {
    let hz = 1000.0;
    let source = sine(hz, 60_000);
    let n = 16_384;
    let ratios: Vec<f64> = (0..n).map(|i| semitones(18.0 * (1.0 - i as f64 / n as f64))).collect();
    let steps: Vec<Step> = ratios.iter().map(|&r| Step::from_ratio(r)).collect();
    let mut out = vec![0.0; n];
    Reader::new(2000.0).glide_mono(&source, &steps, &mut out);
    let (mut position, mut noise) = (2000.0, 0.0f64);
    for (y, step) in out.iter().zip(&steps) {
        noise = noise.max((f64::from(*y) - (TAU * hz / RATE * position).sin()).abs());
        position += step.ratio();
    }
    gain_to_db(noise)
}
