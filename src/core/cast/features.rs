//! Features of a one-shot: the numbers by which a role is recognised.
//!
//! Everything is measured relative to the sound's own level and start, so that loudness and leading silence
//! do not count. The same code measures the recordings that the profiles are made from
//! (`tests/reference/profiles.py`) and the pads that are scored with them.

use crate::{
    spectrum::{RealFft, hann},
    units::{db_to_power, gain_to_db, power_to_db},
};
use std::{
    cell::RefCell,
    ops::{Index, IndexMut},
    rc::Rc,
};

/// Bands, equally wide on the mel scale of O'Shaughnessy (2595 log10(1 + f / 700)) above 500 Hz and at
/// thirds of an octave below, see [`EDGES_HZ`].
pub const BANDS: usize = 24;
/// Stretches of time for which the bands are measured.
pub const STRETCHES: usize = 6;
/// Measures besides the bands.
pub const SCALARS: usize = 26;
/// Numbers in a row of features.
pub const COUNT: usize = BANDS * STRETCHES + SCALARS;

/// Ends of the stretches, ms after the start (our choice: attack, body, tail).
pub const STRETCH_ENDS_MS: [f32; STRETCHES] = [10.0, 25.0, 60.0, 120.0, 250.0, 500.0];

/// Corners of the triangular bands, Hz: band `b` rises from corner `b` to `b + 1` and falls to `b + 2`.
pub const EDGES_HZ: [f32; BANDS + 2] = [
    20.0, 40.0, 60.0, 85.0, 115.0, 150.0, 200.0, 260.0, 340.0, 440.0, 570.0, 740.0, 950.0, 1220.0, 1560.0,
    2000.0, 2560.0, 3280.0, 4200.0, 5300.0, 6600.0, 8100.0, 9800.0, 11_800.0, 14_000.0, 16_500.0,
];

/// Levels are measured down to this far below the strongest, dB.
const FLOOR_DB: f32 = 60.0;
/// Maximum length of a sound that is measured, seconds.
pub const MAX_SOUND_S: f64 = 0.8;
/// Distance of the short spectra, ms.
const HOP_MS: f64 = 5.0;
/// Their window, ms.
const WINDOW_MS: f64 = 21.3;
/// Window of the long spectra, which separate tones from noise, ms.
const LONG_MS: f64 = 85.3;

/// The measures of one sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Features {
    /// Level of each band in each stretch, dB below the strongest (-60 to 0): `[stretch][band]`.
    pub bands_db: [[f32; BANDS]; STRETCHES],
    /// The other measures.
    pub scalars: Scalars,
}

/// Declares the scalars with the names of their columns.
macro_rules! scalars {
    ($( $(#[$doc:meta])* $variant:ident = $name:literal, )*) => {
        /// A measure besides the bands; in a row they follow the bands in this order.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Scalar { $( $(#[$doc])* $variant ),* }

        /// Names of the scalars, in the order of [`Scalar`].
        pub const SCALAR_NAMES: [&str; SCALARS] = [$( $name ),*];
    };
}

scalars! {
    /// Time from a tenth of the peak power to the peak, ln(ms + 1).
    Attack = "attack",
    /// Time after the peak until the power stays 10 dB below it, ln(ms + 2).
    Decay10 = "decay10",
    /// The same for 20 dB.
    Decay20 = "decay20",
    /// The same for 40 dB.
    Decay40 = "decay40",
    /// Centre of the energy in time, ln(ms + 2).
    TemporalCentroid = "temporal_centroid",
    /// Sample peak over the RMS of the first 200 ms, dB.
    Crest = "crest",
    /// Power 10 ms after the peak, dB below it (-60 to 0).
    Env10 = "env10",
    /// The same after 20 ms.
    Env20 = "env20",
    /// The same after 40 ms.
    Env40 = "env40",
    /// The same after 80 ms.
    Env80 = "env80",
    /// The same after 160 ms.
    Env160 = "env160",
    /// The same after 320 ms.
    Env320 = "env320",
    /// Spectral centroid: mean of ln(Hz), weighted by power.
    Centroid = "centroid",
    /// Spectral spread: standard deviation of ln(Hz), weighted by power.
    Spread = "spread",
    /// Share of the power below 160 Hz, dB (-60 to 0).
    LowShare = "low_share",
    /// The same from 160 to 700 Hz.
    MidShare = "mid_share",
    /// The same from 700 Hz to 4 kHz.
    HighShare = "high_share",
    /// The same above 4 kHz.
    TopShare = "top_share",
    /// Spectral flatness from 200 Hz to 1 kHz, dB (0 for an even spectrum, at least -60).
    FlatLow = "flat_low",
    /// The same from 1 to 4 kHz.
    FlatMid = "flat_mid",
    /// The same from 4 to 14 kHz.
    FlatHigh = "flat_high",
    /// Frequency of the strongest partial from 35 Hz to 1.2 kHz, ln(Hz).
    LowPeak = "low_peak",
    /// Its share of the power, dB (-60 to 0).
    LowPeakShare = "low_peak_share",
    /// How much higher that partial is at the start than 64 ms later, ln of the ratio.
    Glide = "glide",
    /// Number of bursts in the first 80 ms.
    Bumps = "bumps",
    /// Rate of zero crossings, ln(Hz + 20).
    Crossings = "crossings",
}

/// The scalars of one sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scalars([f32; SCALARS]);

impl Index<Scalar> for Scalars {
    type Output = f32;

    fn index(&self, scalar: Scalar) -> &f32 {
        &self.0[scalar as usize]
    }
}

impl IndexMut<Scalar> for Scalars {
    fn index_mut(&mut self, scalar: Scalar) -> &mut f32 {
        &mut self.0[scalar as usize]
    }
}

impl Features {
    /// All numbers in one row, bands first.
    pub fn row(&self) -> Vec<f32> {
        self.bands_db.iter().flatten().chain(&self.scalars.0).copied().collect()
    }

    /// The features of a row of [`COUNT`] numbers, as [`Features::row`] gives it; `None` for another count.
    pub fn from_row(row: &[f32]) -> Option<Self> {
        let (bands, scalars) = row.split_at_checked(BANDS * STRETCHES)?;
        let mut bands_db = [[0.0; BANDS]; STRETCHES];
        bands_db.iter_mut().flatten().zip(bands).for_each(|(out, x)| *out = *x);
        Some(Self { bands_db, scalars: Scalars(scalars.try_into().ok()?) })
    }

    /// Measures mono `samples` at `rate` Hz; `None` for silence and for less than 32 samples.
    pub fn of(samples: &[f32], rate: f64) -> Option<Self> {
        let sound = trimmed(samples, rate)?;
        let short = PLANS.with_borrow_mut(|p| p.get(frames(WINDOW_MS, rate)));
        let long = PLANS.with_borrow_mut(|p| p.get(frames(LONG_MS, rate)));
        let mut scalars = Scalars([0.0; SCALARS]);
        level_over_time(sound, rate, &mut scalars);
        let spectra = Spectra::of(sound, rate, &short);
        let bands_db = spectra.bands_db(rate, short.len());
        spectra.summary(rate, short.len(), &mut scalars);
        tones(sound, rate, &long, &mut scalars);
        let crossings = sound.windows(2).filter(|w| (w[0] < 0.0) != (w[1] < 0.0)).count();
        scalars[Scalar::Crossings] = ln(crossings as f64 / (sound.len() as f64 / rate) + 20.0);
        Some(Self { bands_db, scalars })
    }
}

fn frames(ms: f64, rate: f64) -> usize {
    // even lengths, so that every rate has the same resolution in Hz
    ((ms * rate / 2000.0).round() as usize * 2).max(16)
}

fn ln(x: f64) -> f32 {
    x.ln() as f32
}

/// From 2 ms before the level first comes within 30 dB of the peak, `MAX_SOUND_S` long.
fn trimmed(samples: &[f32], rate: f64) -> Option<&[f32]> {
    let peak = samples.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    if !(peak > 1e-6 && peak.is_finite()) {
        return None;
    }
    let first = samples.iter().position(|x| x.abs() >= peak * 0.0316)?;
    let start = first.saturating_sub((0.002 * rate) as usize);
    let end = samples.len().min(start + (MAX_SOUND_S * rate) as usize);
    (end - start >= 32).then(|| &samples[start..end])
}

/// Level over time: mean power of 1 ms blocks, smoothed over five of them (5 ms).
fn level_over_time(sound: &[f32], rate: f64, out: &mut Scalars) {
    let step = ((0.001 * rate) as usize).max(1);
    let ms = step as f32 * 1000.0 / rate as f32;
    let raw: Vec<f32> =
        sound.chunks(step).map(|c| c.iter().map(|x| x * x).sum::<f32>() / c.len() as f32).collect();
    let smooth = |half: usize, i: usize| {
        let (from, to) = (i.saturating_sub(half), (i + half + 1).min(raw.len()));
        raw[from..to].iter().sum::<f32>() / (to - from) as f32
    };
    let env: Vec<f32> = (0..raw.len()).map(|i| smooth(2, i)).collect();
    let top = (0..env.len()).fold(0, |best, i| if env[i] > env[best] { i } else { best });
    let peak = env[top].max(1e-20);
    let rise = env.iter().position(|&e| e >= peak * 0.1).unwrap_or(0);
    out[Scalar::Attack] = ln(f64::from((top - rise.min(top)) as f32 * ms) + 1.0);
    for (scalar, db) in [(Scalar::Decay10, 10.0f32), (Scalar::Decay20, 20.0), (Scalar::Decay40, 40.0)] {
        let least = peak * db_to_power(-db);
        let last = (top..env.len()).rev().find(|&i| env[i] >= least).unwrap_or(top);
        out[scalar] = ln(f64::from((last - top) as f32 * ms) + 2.0);
    }
    let total: f64 = raw.iter().map(|&e| f64::from(e)).sum::<f64>().max(1e-30);
    let centre = raw.iter().enumerate().map(|(i, &e)| i as f64 * f64::from(e)).sum::<f64>() / total;
    out[Scalar::TemporalCentroid] = ln(centre * f64::from(ms) + 2.0);
    let sample_peak = sound.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    // over the first 200 ms, so that the length of the recording does not count
    let head = raw.len().min((200.0 / ms) as usize).max(1);
    let rms = (raw[..head].iter().sum::<f32>() / head as f32).sqrt();
    out[Scalar::Crest] = gain_to_db(sample_peak / rms.max(1e-9));
    let later = [
        (Scalar::Env10, 10.0f32),
        (Scalar::Env20, 20.0),
        (Scalar::Env40, 40.0),
        (Scalar::Env80, 80.0),
        (Scalar::Env160, 160.0),
        (Scalar::Env320, 320.0),
    ];
    for (scalar, after) in later {
        let at = top + (after / ms) as usize;
        let level = if at < env.len() { smooth((after / ms / 6.0) as usize + 2, at) } else { 0.0 };
        out[scalar] = power_to_db((level / peak).max(1e-6)).max(-FLOOR_DB);
    }
    out[Scalar::Bumps] = bumps(&raw[..raw.len().min((80.0 / ms) as usize)]);
}

/// Number of bursts in the first 80 ms: maxima 4 dB above the dip before them and within 12 dB of the strongest.
fn bumps(raw: &[f32]) -> f32 {
    let db: Vec<f32> = (0..raw.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(1), (i + 2).min(raw.len()));
            power_to_db(raw[from..to].iter().sum::<f32>() / (to - from) as f32 + 1e-12)
        })
        .collect();
    let top = db.iter().copied().fold(f32::MIN, f32::max);
    let (mut count, mut dip, mut high) = (0.0, f32::MAX, f32::MIN);
    let mut rising = true;
    for &d in &db {
        if rising {
            high = high.max(d);
            if d < high - 4.0 {
                count += f32::from(high > top - 12.0);
                rising = false;
                dip = d;
            }
        } else {
            dip = dip.min(d);
            if d > dip + 4.0 {
                rising = true;
                high = d;
            }
        }
    }
    count
}

/// Power spectra every 5 ms, the first centred on the start.
struct Spectra {
    power: Vec<Vec<f32>>,
}

impl Spectra {
    fn of(sound: &[f32], rate: f64, plan: &Plan) -> Self {
        let hop = frames(HOP_MS, rate);
        let longest = (f64::from(STRETCH_ENDS_MS[STRETCHES - 1]) * rate / 1000.0) as usize;
        let count = sound.len().min(longest).div_ceil(hop);
        let half = plan.len() as isize / 2;
        Self { power: (0..count).map(|i| plan.power(sound, (i * hop) as isize - half)).collect() }
    }

    fn bands_db(&self, rate: f64, window: usize) -> [[f32; BANDS]; STRETCHES] {
        let bin_hz = (rate / window as f64) as f32;
        let mut out = [[0.0f32; BANDS]; STRETCHES];
        for (i, power) in self.power.iter().enumerate() {
            let ms = i as f32 * HOP_MS as f32;
            let Some(s) = STRETCH_ENDS_MS.iter().position(|&e| ms < e) else { break };
            for (b, out) in out[s].iter_mut().enumerate() {
                *out += band_power(power, bin_hz, &EDGES_HZ[b..b + 3]);
            }
        }
        // a stretch that the sound does not reach counts with its full length of silence
        let mut from = 0.0;
        for (row, &end) in out.iter_mut().zip(&STRETCH_ENDS_MS) {
            let full = (end - from) / HOP_MS as f32;
            row.iter_mut().for_each(|p| *p /= full.max(1.0));
            from = end;
        }
        let top = out.iter().flatten().fold(1e-20f32, |a, &p| a.max(p));
        out.map(|row| row.map(|p| power_to_db((p / top).max(1e-9)).max(-FLOOR_DB)))
    }

    /// Where the power lies over the whole sound.
    fn summary(&self, rate: f64, window: usize, out: &mut Scalars) {
        let bin_hz = rate / window as f64;
        let bins = window / 2 + 1;
        let mut mean = vec![0.0f64; bins];
        for power in &self.power {
            mean.iter_mut().zip(power).for_each(|(m, &p)| *m += f64::from(p));
        }
        let total = mean.iter().sum::<f64>().max(1e-30);
        let log_hz = |k: usize| (k as f64 * bin_hz).max(20.0).ln();
        let centre = mean.iter().enumerate().map(|(k, p)| log_hz(k) * p).sum::<f64>() / total;
        let spread =
            mean.iter().enumerate().map(|(k, p)| (log_hz(k) - centre).powi(2) * p).sum::<f64>() / total;
        out[Scalar::Centroid] = centre as f32;
        out[Scalar::Spread] = spread.sqrt() as f32;
        let share = |from: f64, to: f64| {
            let sum: f64 = mean
                .iter()
                .enumerate()
                .filter(|&(k, _)| (from..to).contains(&(k as f64 * bin_hz)))
                .map(|(_, p)| p)
                .sum();
            power_to_db((sum / total).max(1e-6)) as f32
        };
        out[Scalar::LowShare] = share(0.0, 160.0);
        out[Scalar::MidShare] = share(160.0, 700.0);
        out[Scalar::HighShare] = share(700.0, 4000.0);
        out[Scalar::TopShare] = share(4000.0, 1e9);
    }
}

fn band_power(power: &[f32], bin_hz: f32, corners: &[f32]) -> f32 {
    let [low, middle, high] = [corners[0], corners[1], corners[2]];
    if low / bin_hz >= (power.len() - 1) as f32 {
        // above half the sample rate of the take there is nothing
        return 0.0;
    }
    let first = (low / bin_hz).ceil() as usize;
    let last = ((high / bin_hz).floor() as usize).min(power.len() - 1);
    let mut sum = 0.0;
    for (k, &p) in power.iter().enumerate().take(last + 1).skip(first) {
        let hz = k as f32 * bin_hz;
        sum += p * if hz < middle { (hz - low) / (middle - low) } else { (high - hz) / (high - middle) };
    }
    // low bands are narrower than a bin: the nearest bin, shared among them
    let nearest = power[((middle / bin_hz).round() as usize).min(power.len() - 1)];
    sum.max(nearest * ((high - low) / 2.0 / bin_hz).min(1.0))
}

/// Tones against noise, the lowest strong partial and how it glides.
fn tones(sound: &[f32], rate: f64, plan: &Plan, out: &mut Scalars) {
    let bin_hz = rate / plan.len() as f64;
    let hop = plan.len() / 4;
    let count = (sound.len().div_ceil(hop)).clamp(1, 12);
    let spectra: Vec<Vec<f32>> =
        (0..count).map(|i| plan.power(sound, (i * hop) as isize - hop as isize)).collect();
    let mut mean = vec![0.0f32; plan.len() / 2 + 1];
    for s in &spectra {
        mean.iter_mut().zip(s).for_each(|(m, p)| *m += p);
    }
    let ranges = [
        (Scalar::FlatLow, 200.0, 1000.0),
        (Scalar::FlatMid, 1000.0, 4000.0),
        (Scalar::FlatHigh, 4000.0, 14_000.0),
    ];
    for (scalar, from, to) in ranges {
        out[scalar] = flatness_db(&mean[(from / bin_hz) as usize..((to / bin_hz) as usize).min(mean.len())]);
    }
    let total = mean.iter().sum::<f32>().max(1e-20);
    let peak_in = |power: &[f32]| {
        let (from, to) = ((35.0 / bin_hz) as usize, ((1200.0 / bin_hz) as usize).min(power.len() - 2));
        (from.max(1)..to).fold(from.max(1), |best, k| if power[k] > power[best] { k } else { best })
    };
    let k = peak_in(&mean);
    out[Scalar::LowPeak] = ln(k as f64 * bin_hz);
    out[Scalar::LowPeakShare] = power_to_db((mean[k - 1..=k + 1].iter().sum::<f32>() / total).max(1e-6));
    let late = peak_in(spectra.get(3).unwrap_or(&spectra[spectra.len() - 1]));
    out[Scalar::Glide] = ln(peak_in(&spectra[0]) as f64 / late as f64);
}

fn flatness_db(power: &[f32]) -> f32 {
    let n = power.len().max(1) as f64;
    let mean = power.iter().map(|&p| f64::from(p)).sum::<f64>() / n;
    let log = power.iter().map(|&p| (f64::from(p) + mean * 1e-9 + 1e-30).ln()).sum::<f64>() / n;
    (10.0 / std::f64::consts::LN_10 * (log - (mean + 1e-30).ln())).max(-60.0) as f32
}

/// A Hann window and its transform.
struct Plan {
    fft: RefCell<RealFft>,
    window: Vec<f32>,
}

impl Plan {
    fn len(&self) -> usize {
        self.window.len()
    }

    /// Power spectrum of the window that begins at `from`; outside of the sound is silence.
    fn power(&self, sound: &[f32], from: isize) -> Vec<f32> {
        let mut fft = self.fft.borrow_mut();
        for ((input, w), i) in fft.input.iter_mut().zip(&self.window).zip(from..) {
            *input = usize::try_from(i).ok().and_then(|i| sound.get(i)).map_or(0.0, |x| x * w);
        }
        fft.power().collect()
    }
}

#[derive(Default)]
struct Plans {
    made: Vec<Rc<Plan>>,
}

impl Plans {
    fn get(&mut self, len: usize) -> Rc<Plan> {
        if let Some(plan) = self.made.iter().find(|p| p.len() == len) {
            return plan.clone();
        }
        let window = (0..len).map(|i| hann(i, len)).collect();
        let plan = Rc::new(Plan { fft: RefCell::new(RealFft::remembered(len)), window });
        self.made.push(plan.clone());
        plan
    }
}

thread_local! {
    static PLANS: RefCell<Plans> = RefCell::default();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_above_half_the_sample_rate_are_silent() {
        // noise: the generator of Numerical Recipes
        let mut state = 1u32;
        let noise: Vec<f32> = (0..8000)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 23) as f32 - 1.0
            })
            .collect();
        let bands_db = Features::of(&noise, 16_000.0).expect("it sounds").bands_db;
        for row in bands_db {
            for (b, db) in row.iter().enumerate().filter(|(b, _)| EDGES_HZ[*b] >= 8000.0) {
                assert_eq!(*db, -FLOOR_DB, "from {} Hz", EDGES_HZ[b]);
            }
        }
        const { assert!(EDGES_HZ[BANDS - 1] >= 8000.0, "some band lies there") };
    }
}
