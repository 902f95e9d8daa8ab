//! What a hit is like: levels, times, spectrum, loudness and pitch.

use super::{hit::Description, peaks, period, pitch, spectrogram::fill};
use crate::{
    spectrum::{Planner, RealFft, hann},
    take::Take,
    units::{db_to_gain, gain_to_db, power_to_db},
};
use ebur128::{EbuR128, Mode};

/// Edges of the eight bands of [`Description::bands_db`], Hz: octaves, the outer two wider.
pub const BAND_EDGES_HZ: [f32; 9] = [20.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 20_480.0];
/// Ends of the four stretches of time of [`Description::bands_db`], seconds from the start: the stroke, the
/// body, the ring and the tail, which has no end.
pub const STRETCH_ENDS_S: [f32; 4] = [0.01, 0.04, 0.15, f32::INFINITY];
/// Lowest level of a description, dB.
const MIN_DB: f32 = -120.0;
/// Longest part of a hit that is described, seconds.
const MAX_DESCRIBED_S: f64 = 1.5;
/// Spectrum window, seconds at least.
const MIN_SPECTRUM_S: f64 = 0.02;
/// The window of momentary loudness, seconds (ITU-R BS.1770, EBU Tech 3341).
const MOMENTARY_S: f64 = 0.4;
/// Part of a hit in which the period is measured, and the spectral peaks, seconds.
const PERIOD_S: f64 = 0.1;
const PEAKS_S: f64 = 0.3;
/// Where a hit rings long enough, its pitch is measured from here on, seconds: drum heads and strings start sharp and
/// settle.
const SETTLED_S: f64 = 0.06;

/// Describes frames `start..end` of `take`, clipped to the take; of long stretches the first second and a half. An empty
/// range gives levels of -120 dB and 0 elsewhere, `strokes` 1.
pub fn describe(take: &Take, start: usize, end: usize) -> Description {
    Describer::new(take).describe(start, end)
}

/// Describes hits of one take, keeping the plans of its transforms.
pub(super) struct Describer<'a> {
    take: &'a Take,
    rate: f64,
    planner: Planner,
    window: Vec<f32>,
}

impl<'a> Describer<'a> {
    pub(super) fn new(take: &'a Take) -> Self {
        let rate = f64::from(take.sample_rate);
        let length = ((MIN_SPECTRUM_S * rate) as usize).next_power_of_two();
        let window = (0..length).map(|i| hann(i, length)).collect();
        Self { take, rate, planner: Planner::new(), window }
    }

    /// Describes frames `start..end`, of long hits the first second and a half.
    pub(super) fn describe(&mut self, start: usize, end: usize) -> Description {
        let end = end.min(self.take.frames()).min(start + (MAX_DESCRIBED_S * self.rate) as usize);
        let mut d = Description { strokes: 1, ..Description::default() };
        if start >= end {
            d.loudness_lufs = MIN_DB;
            (d.peak_db, d.true_peak_db) = (MIN_DB, MIN_DB);
            d.bands_db = [[MIN_DB; 8]; 4];
            return d;
        }
        let parts: Vec<&[f32]> = self.take.channels.iter().map(|c| &c[start..end]).collect();
        levels(&parts, &mut d);
        d.zero_crossings_hz = zero_crossings(&parts, self.rate);
        let envelope = HitEnvelope::of(&parts, self.rate);
        envelope.times(&mut d);
        d.strokes = strokes(&parts, self.rate);
        self.spectrum(&parts, &mut d);
        loudness(&parts, self.take.sample_rate, &mut d);
        self.pitch(&parts, &envelope, &mut d);
        d
    }

    /// Spectral measures over the whole hit and the table of bands over stretches.
    fn spectrum(&mut self, parts: &[&[f32]], d: &mut Description) {
        let hop = self.window.len() / 2;
        let mut fft = RealFft::planned(&mut self.planner, self.window.len());
        let bin_hz = self.rate / self.window.len() as f64;
        let band: Vec<Option<usize>> = (0..fft.bins())
            .map(|k| {
                BAND_EDGES_HZ.windows(2).position(|e| (e[0]..e[1]).contains(&((k as f64 * bin_hz) as f32)))
            })
            .collect();
        let mut mean = vec![0.0f32; fft.bins()];
        let mut table = [[0.0f64; 8]; 4];
        for at in (0..parts[0].len()).step_by(hop) {
            let stretch =
                STRETCH_ENDS_S.iter().position(|&e| (at as f64 / self.rate) < f64::from(e)).unwrap_or(3);
            for part in parts {
                fill(&mut fft.input, part, at as isize - (hop / 2) as isize, 0.0);
                fft.input.iter_mut().zip(&self.window).for_each(|(x, w)| *x *= w);
                for ((p, m), b) in fft.power().zip(&mut mean).zip(&band).skip(1) {
                    *m += p;
                    if let Some(b) = b {
                        table[stretch][*b] += f64::from(p);
                    }
                }
            }
        }
        summarise(&mean[1..], bin_hz, d);
        let whole: f64 = table.iter().flatten().sum();
        for (row, out) in table.iter().zip(&mut d.bands_db) {
            for (p, db) in row.iter().zip(out) {
                *db = power_to_db(p / whole.max(1e-30)).max(f64::from(MIN_DB)) as f32;
            }
        }
    }

    /// The fundamental of the louder channel, where the hit has settled.
    fn pitch(&mut self, parts: &[&[f32]], envelope: &HitEnvelope, d: &mut Description) {
        let Some(part) = parts.iter().max_by(|a, b| energy(a).total_cmp(&energy(b))) else {
            return;
        };
        let audible = envelope.audible_s(35.0);
        let from = if audible > 0.15 { SETTLED_S } else { 0.01f64.min(audible * 0.25) }.max(envelope.top_s());
        let from = ((from * self.rate) as usize).min(part.len() / 2);
        let to = |seconds: f64| (from + (seconds.min(audible) * self.rate) as usize).min(part.len());
        let period = period::period(&part[from..to(PERIOD_S)], self.rate, &mut self.planner);
        let (peaks, tonal) = peaks::peaks(&part[from..to(PEAKS_S)], self.rate, &mut self.planner);
        (d.pitch_hz, d.pitch_confidence) = pitch::vote(period, &peaks, tonal);
    }
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|&v| f64::from(v) * f64::from(v)).sum()
}

fn levels(parts: &[&[f32]], d: &mut Description) {
    let peak = parts.iter().flat_map(|p| p.iter()).fold(0.0f32, |a, &x| a.max(x.abs()));
    let count: usize = parts.iter().map(|p| p.len()).sum();
    let rms = (parts.iter().map(|p| energy(p)).sum::<f64>() / count.max(1) as f64).sqrt() as f32;
    d.peak_db = gain_to_db(peak).max(MIN_DB);
    d.crest_db = if rms > 0.0 { gain_to_db(peak / rms) } else { 0.0 };
}

fn zero_crossings(parts: &[&[f32]], rate: f64) -> f32 {
    let count: usize =
        parts.iter().map(|p| p.windows(2).filter(|w| (w[0] < 0.0) != (w[1] < 0.0)).count()).sum();
    (count as f64 * rate / (parts.len() * parts[0].len()) as f64) as f32
}

/// Centroid, rolloff and flatness of a power spectrum that starts at its first bin, not at 0 Hz.
fn summarise(power: &[f32], bin_hz: f64, d: &mut Description) {
    let total: f64 = power.iter().map(|&p| f64::from(p)).sum();
    if total <= 0.0 {
        return;
    }
    let hz = |k: usize| (k + 1) as f64 * bin_hz;
    d.centroid_hz =
        (power.iter().enumerate().map(|(k, &p)| hz(k) * f64::from(p)).sum::<f64>() / total) as f32;
    let mut sum = 0.0;
    let roll = power.iter().position(|&p| {
        sum += f64::from(p);
        sum >= 0.85 * total
    });
    d.rolloff_hz = roll.map_or(0.0, |k| hz(k) as f32);
    let n = power.len() as f64;
    // Bins without power would make the geometric mean 0: they count as -150 dB.
    let log_mean = power.iter().map(|&p| (f64::from(p) + total * 1e-15).ln()).sum::<f64>() / n;
    d.flatness = (log_mean.exp() / (total / n)).clamp(0.0, 1.0) as f32;
}

/// Loudness, and the true peak of the first 400 ms, at least `peak_db`.
///
/// Hits are shorter than any window of the standard. A hit's loudness is its K-weighted mean power over its own length,
/// up to the 400 ms of the momentary window: the meter's momentary loudness, raised by the ratio of 400 ms to the hit's
/// length.
fn loudness(parts: &[&[f32]], rate: u32, d: &mut Description) {
    d.loudness_lufs = MIN_DB;
    d.true_peak_db = d.peak_db;
    let Ok(mut meter) = EbuR128::new(parts.len() as u32, rate, Mode::M | Mode::TRUE_PEAK) else {
        return;
    };
    let window = MOMENTARY_S * f64::from(rate);
    let head: Vec<&[f32]> = parts.iter().map(|p| &p[..p.len().min(window as usize)]).collect();
    if meter.add_frames_planar_f32(&head).is_err() {
        return;
    }
    if let Ok(lufs) = meter.loudness_momentary() {
        let spread = power_to_db(window / (head[0].len() as f64));
        d.loudness_lufs = ((lufs + spread.max(0.0)) as f32).max(MIN_DB);
    }
    let peak = (0..parts.len() as u32).filter_map(|c| meter.true_peak(c).ok()).fold(0.0, f64::max);
    d.true_peak_db = gain_to_db(peak as f32).max(d.peak_db);
}

/// Longest decay that is extrapolated, seconds.
const MAX_DECAY_S: f64 = 30.0;

/// Power of a hit in steps of a millisecond.
struct HitEnvelope {
    power: Vec<f32>,
    step_s: f64,
    top: usize,
}

impl HitEnvelope {
    fn of(parts: &[&[f32]], rate: f64) -> Self {
        let step = ((0.001 * rate).round() as usize).max(1);
        let mut power = vec![0.0f32; parts[0].len().div_ceil(step)];
        for part in parts {
            for (p, block) in power.iter_mut().zip(part.chunks(step)) {
                *p += block.iter().map(|x| x * x).sum::<f32>() / block.len() as f32;
            }
        }
        let top = (0..power.len()).max_by(|&a, &b| power[a].total_cmp(&power[b])).unwrap_or(0);
        Self { power, step_s: step as f64 / rate, top }
    }

    fn top_s(&self) -> f64 {
        self.top as f64 * self.step_s
    }

    /// How long the hit stays within `db` of its maximum after it, seconds.
    fn audible_s(&self, db: f32) -> f64 {
        let least = self.power[self.top] * db_to_gain(-db).powi(2);
        let last = (self.top..self.power.len()).rev().find(|&i| self.power[i] >= least).unwrap_or(self.top);
        (last + 1 - self.top) as f64 * self.step_s
    }

    /// Attack and decay.
    fn times(&self, d: &mut Description) {
        d.attack_ms = ((self.top as f64 + 0.5) * self.step_s * 1000.0) as f32;
        d.decay_20_ms = self.decay_ms(20.0);
        d.decay_60_ms = self.decay_ms(60.0).max(d.decay_20_ms);
    }

    /// Time from the maximum until the power stays `db` below it, ms; where the hit ends before, extrapolated along the
    /// straight line (in dB) through its decay, up to [`MAX_DECAY_S`].
    fn decay_ms(&self, db: f32) -> f32 {
        let tail = &self.power[self.top..];
        let seconds = self.audible_s(db);
        if seconds < (tail.len() as f64 - 1.5) * self.step_s {
            return (seconds * 1000.0) as f32;
        }
        // Least squares over the levels after the maximum.
        let top_db = power_to_db(f64::from(self.power[self.top].max(1e-12)));
        let points = tail.iter().enumerate().filter(|(_, p)| **p > 0.0);
        let (mut xx, mut xy) = (0.0, 0.0);
        for (i, p) in points {
            let (x, y) = (i as f64 * self.step_s, power_to_db(f64::from(*p)) - top_db);
            xx += x * x;
            xy += x * y;
        }
        let slope = if xx > 0.0 { xy / xx } else { 0.0 };
        let seconds =
            if slope < 0.0 { (-f64::from(db) / slope).max(seconds).min(MAX_DECAY_S) } else { MAX_DECAY_S };
        (seconds * 1000.0) as f32
    }
}

/// Step in which strokes are counted and the time from the start in which they are, seconds.
const STROKE_STEP_S: f64 = 0.001;
const STROKES_S: f64 = 0.25;

/// Attacks within the first quarter of a second of a hit, at least 1. An attack is where the high end (the power of the
/// differences between samples) rises by 3 dB within 2 ms over the 5 ms before, 5 ms or more after the last attack, to
/// at least a hundredth of its maximum.
fn strokes(parts: &[&[f32]], rate: f64) -> u32 {
    let step = ((STROKE_STEP_S * rate).round() as usize).max(1);
    let length = parts[0].len().min((STROKES_S * rate) as usize);
    let mut bright = vec![0.0f32; length / step];
    for part in parts {
        for (b, block) in bright.iter_mut().zip(part[..length].chunks_exact(step)) {
            *b += block.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum::<f32>();
        }
    }
    let least = bright.iter().copied().fold(0.0, f32::max) * 0.01;
    let (mut count, mut last) = (1, 0);
    for i in 6..bright.len().saturating_sub(1) {
        let now = (bright[i] + bright[i + 1]) / 2.0;
        let before = bright[i - 5..i].iter().sum::<f32>() / 5.0;
        if now > 2.0 * before && now >= least && i >= last + 5 {
            count += 1;
            last = i;
        }
    }
    count
}
