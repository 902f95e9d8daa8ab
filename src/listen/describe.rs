//! What a hit is like: levels, times, spectrum, loudness and pitch.

use super::{Description, pitch, spectrogram::fill};
use crate::{take::Take, units::gain_to_db};
use ebur128::{EbuR128, Mode};
use realfft::RealFftPlanner;

/// Edges of the eight bands of [`Description::bands_db`], Hz.
pub const BAND_EDGES_HZ: [f32; 9] = [20.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 20_480.0];
/// Ends of the four stretches of time of [`Description::bands_db`], seconds from the start; the last is open.
pub const STRETCH_ENDS_S: [f32; 4] = [0.01, 0.04, 0.15, f32::INFINITY];
/// Lowest level that is told, dB.
const LOWEST_DB: f32 = -120.0;
/// Longest part of a hit that is described, seconds.
const LONGEST_S: f64 = 2.0;
/// Spectrum window, samples at 48 kHz; longer at higher rates.
const WINDOW: usize = 1024;

/// Describes `take[start..end]`.
pub(super) fn describe(take: &Take, start: usize, end: usize) -> Description {
    let rate = f64::from(take.sample_rate);
    let end = end.min(take.frames()).min(start + (LONGEST_S * rate) as usize);
    if start >= end {
        return Description::default();
    }
    let parts: Vec<&[f32]> = take.channels.iter().map(|c| &c[start..end]).collect();
    let mut d = Description { strokes: 1, ..Description::default() };
    levels(&parts, &mut d);
    times(&parts, rate, &mut d);
    spectrum(&parts, rate, &mut d);
    loudness(&parts, take.sample_rate, &mut d);
    let loudest = parts.iter().max_by(|a, b| energy(a).total_cmp(&energy(b))).copied().unwrap_or(&[]);
    let (hz, confidence) = pitch::estimate(loudest, rate);
    d.pitch_hz = hz;
    d.pitch_confidence = confidence;
    d
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|&v| f64::from(v) * f64::from(v)).sum()
}

fn levels(parts: &[&[f32]], d: &mut Description) {
    let peak = parts.iter().flat_map(|p| p.iter()).fold(0.0f32, |a, &x| a.max(x.abs()));
    let count: usize = parts.iter().map(|p| p.len()).sum();
    let rms = (parts.iter().map(|p| energy(p)).sum::<f64>() / count.max(1) as f64).sqrt() as f32;
    d.peak_db = gain_to_db(peak).max(LOWEST_DB);
    d.crest_db = if rms > 0.0 { gain_to_db(peak / rms) } else { 0.0 };
}

fn times(parts: &[&[f32]], rate: f64, d: &mut Description) {
    let step = ((0.001 * rate) as usize).max(1);
    let blocks = parts[0].len().div_ceil(step);
    let mut power = vec![0.0f32; blocks];
    for part in parts {
        for (p, block) in power.iter_mut().zip(part.chunks(step)) {
            *p += block.iter().map(|x| x * x).sum::<f32>() / block.len() as f32;
        }
    }
    let top = (0..blocks).max_by(|&a, &b| power[a].total_cmp(&power[b])).unwrap_or(0);
    let ms = step as f32 * 1000.0 / rate as f32;
    d.attack_ms = (top as f32 + 0.5) * ms;
    let below = |db: f32| {
        let least = power[top] * 10f32.powf(-db / 10.0);
        (top..blocks).rev().find(|&i| power[i] >= least).map_or(0.0, |i| (i + 1 - top) as f32 * ms)
    };
    d.decay_20_ms = below(20.0);
    d.decay_60_ms = below(60.0).max(d.decay_20_ms);
}

fn spectrum(parts: &[&[f32]], rate: f64, d: &mut Description) {
    let window = WINDOW * ((rate / 48_000.0).round() as usize).max(1).next_power_of_two();
    let hop = window / 2;
    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(window);
    let (mut input, mut output, mut scratch) =
        (fft.make_input_vec(), fft.make_output_vec(), fft.make_scratch_vec());
    let bin_hz = (rate / window as f64) as f32;
    let band_of = |hz: f32| BAND_EDGES_HZ.iter().rposition(|&e| hz >= e).filter(|&b| b < 8);
    let mut mean = vec![0.0f64; output.len()];
    let mut table = [[0.0f64; 8]; 4];
    let mut t = 0;
    while t == 0 || t < parts[0].len() {
        let seconds = t as f32 / rate as f32;
        let stretch = STRETCH_ENDS_S.iter().position(|&e| seconds < e).unwrap_or(3);
        for part in parts {
            fill(&mut input, part, t as isize - hop as isize / 2);
            for (i, x) in input.iter_mut().enumerate() {
                *x *= (std::f32::consts::PI * (i as f32 + 0.5) / window as f32).sin().powi(2);
            }
            if fft.process_with_scratch(&mut input, &mut output, &mut scratch).is_err() {
                continue;
            }
            for (k, c) in output.iter().enumerate().skip(1) {
                let p = f64::from(c.norm_sqr());
                mean[k] += p;
                if let Some(b) = band_of(k as f32 * bin_hz) {
                    table[stretch][b] += p;
                }
            }
        }
        t += hop;
    }
    let total: f64 = mean.iter().sum();
    if total <= 0.0 {
        d.bands_db = [[LOWEST_DB; 8]; 4];
        return;
    }
    d.centroid_hz = (mean.iter().enumerate().map(|(k, p)| k as f64 * p).sum::<f64>() / total) as f32 * bin_hz;
    let mut sum = 0.0;
    let roll = mean.iter().position(|p| {
        sum += p;
        sum >= 0.85 * total
    });
    d.rolloff_hz = roll.unwrap_or(0) as f32 * bin_hz;
    let n = (mean.len() - 1) as f64;
    let log_mean = mean[1..].iter().map(|p| (p + total * 1e-15).ln()).sum::<f64>() / n;
    d.flatness = (log_mean.exp() / (total / n)).clamp(0.0, 1.0) as f32;
    let whole: f64 = table.iter().flatten().sum::<f64>().max(1e-30);
    for (row, out) in table.iter().zip(&mut d.bands_db) {
        for (p, db) in row.iter().zip(out) {
            *db = (10.0 * (p / whole).log10()).max(f64::from(LOWEST_DB)) as f32;
        }
    }
    let crossings: usize =
        parts.iter().map(|p| p.windows(2).filter(|w| (w[0] < 0.0) != (w[1] < 0.0)).count()).sum();
    d.zero_crossings_hz = (crossings as f64 * rate / (parts.len() * parts[0].len()) as f64) as f32;
}

fn loudness(parts: &[&[f32]], rate: u32, d: &mut Description) {
    d.loudness_lufs = LOWEST_DB;
    d.true_peak_db = d.peak_db;
    let Ok(mut meter) = EbuR128::new(parts.len() as u32, rate, Mode::M | Mode::TRUE_PEAK) else {
        return;
    };
    if meter.add_frames_planar_f32(parts).is_err() {
        return;
    }
    let window = 0.4 * f64::from(rate);
    if let Ok(lufs) = meter.loudness_momentary() {
        // The meter's window is 400 ms; what it holds of a shorter hit is spread over it.
        let spread = 10.0 * (window / (parts[0].len() as f64).min(window)).log10();
        d.loudness_lufs = ((lufs + spread) as f32).max(LOWEST_DB);
    }
    let peak = (0..parts.len() as u32).filter_map(|c| meter.true_peak(c).ok()).fold(0.0, f64::max);
    d.true_peak_db = gain_to_db(peak as f32).max(d.peak_db);
}
