//! The key of a song, from a recording of its loop.
//!
//! Spectral peaks are counted by pitch class, each also for the fundamentals whose harmonic it may be
//! (weights after Gómez, "Tonal Description of Polyphonic Audio for Music Content Processing", 2006), and the
//! distribution is compared with the key profiles of Krumhansl and Kessler (1982) by correlation
//! (Krumhansl, "Cognitive Foundations of Musical Pitch", 1990, chapter 4).

use super::struck::{Tone, has_several_notes};
use crate::{
    error::{Error, Result},
    music::{Key, Mode},
    progress::{Part, Progress},
    spectrum::{RealFft, hann_f64, parabolic_peak},
    take::Take,
    units::{db_to_power, hz_to_note, ratio_to_st},
};
use std::path::Path;

/// Ratings of the twelve pitch classes in a major and a minor key, from the tonic upwards (Krumhansl and
/// Kessler, 1982, as printed in Krumhansl, 1990, p. 30).
const MAJOR: [f64; 12] = [6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88];
const MINOR: [f64; 12] = [6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17];

/// Window of analysis, seconds: semitones of a bass at 55 Hz are 3.3 Hz apart.
const KEY_WINDOW_S: f64 = 0.37;
/// Fundamentals and their harmonics are searched here, Hz.
const FUNDAMENTAL_RANGE_HZ: [f64; 2] = [50.0, 2500.0];
/// Peaks of a window that count.
const PEAKS: usize = 24;
/// Peaks further below the window's highest do not count, dB.
const WINDOW_DEPTH_DB: f64 = 40.0;
/// A peak is clear this far above the median of so many bins to either side, dB: the highest peaks of noise stand 10 dB out.
const CLEAR_DB: f64 = 15.0;
const AROUND: usize = 20;
/// Each further harmonic's share, and how many there are (Gómez, 2006).
const HARMONIC_SHARE: f64 = 0.6;
const HARMONICS: usize = 4;
/// Lowest correlation with a key for the recording to have one: random distributions often reach 0.5.
const MIN_CORRELATION: f64 = 0.6;
/// A recording sounds while its windows are within this of its loudest, dB...
const SOUNDING_DB: f64 = 30.0;
/// ...and has a key if it sounds so long, seconds: a knock holds partials, but no key (our choice).
const MIN_SOUNDING_S: f64 = 1.5;
/// Smallest margin over the next-best key.
const MIN_MARGIN: f64 = 0.01;

/// A key and how well it explains a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectedKey {
    /// The key.
    pub key: Key,
    /// Correlation of the pitch classes with the key's profile, up to 1.
    pub correlation: f64,
    /// How much less the next-best key correlates.
    pub margin: f64,
}

/// The key of a recording in a file.
///
/// # Errors
/// Cancelled, a file that cannot be read, or one that has no clear key.
pub fn read_key(path: &Path, progress: &dyn Progress) -> Result<Key> {
    let take = Take::read(path, &Part::new(progress, 0.0, 0.5))?;
    let found = detect_key(&take, &Part::new(progress, 0.5, 1.0))?;
    found.map(|f| f.key).ok_or_else(|| {
        Error::file(
            path,
            "no key was found: a key needs three notes or more that ring on and fit one key only; give a loop with a melody or \
             chords, or name the key",
        )
    })
}

/// The key of a recording; `None` when it has no tones, sounds too briefly, holds fewer than three notes or one chord only,
/// holds drums and knocks rather than notes, or could as well be in another.
///
/// # Errors
/// Only when cancelled.
pub fn detect_key(take: &Take, progress: &dyn Progress) -> Result<Option<DetectedKey>> {
    let (windows, sounding_s) = tones(take, progress)?;
    let all: Vec<Tone> = windows.iter().flatten().copied().collect();
    let tuning = tuning(&all);
    let several = has_several_notes(&windows, tuning);
    let found = key_of(&pitch_classes(&all, tuning)).filter(|_| several && sounding_s >= MIN_SOUNDING_S);
    Ok(found.filter(|k| k.correlation >= MIN_CORRELATION && k.margin >= MIN_MARGIN))
}

/// The key that fits best how long or loud each pitch class (C first) sounds; `None` when all sound alike.
pub fn key_of(pitch_classes: &[f64; 12]) -> Option<DetectedKey> {
    let mut all: Vec<(f64, Key)> = (0..12u8)
        .flat_map(|tonic| [Mode::Major, Mode::Minor].map(|mode| Key { tonic, mode }))
        .filter_map(|key| {
            let profile = match key.mode {
                Mode::Major => &MAJOR,
                Mode::Minor => &MINOR,
            };
            let turned = std::array::from_fn(|i| profile[(i + 12 - key.tonic as usize) % 12]);
            Some((correlation(pitch_classes, &turned)?, key))
        })
        .collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    let &[(best, key), (next, _), ..] = &all[..] else { return None };
    Some(DetectedKey { key, correlation: best, margin: best - next })
}

/// Pearson's correlation; `None` when either is constant.
fn correlation(a: &[f64; 12], b: &[f64; 12]) -> Option<f64> {
    let mean = |x: &[f64; 12]| x.iter().sum::<f64>() / 12.0;
    let (ma, mb) = (mean(a), mean(b));
    let sum = |f: &dyn Fn(f64, f64) -> f64| a.iter().zip(b).map(|(a, b)| f(a - ma, b - mb)).sum::<f64>();
    let scale = (sum(&|a, _| a * a) * sum(&|_, b| b * b)).sqrt();
    (scale > 0.0 && scale.is_finite()).then(|| sum(&|a, b| a * b) / scale)
}

/// The peaks of every window of the take, half a window apart, and for how many seconds the take sounds.
fn tones(take: &Take, progress: &dyn Progress) -> Result<(Vec<Vec<Tone>>, f64)> {
    let rate = f64::from(take.sample_rate);
    let window = ((KEY_WINDOW_S * rate) as usize).next_power_of_two();
    let mut fft = RealFft::new(window);
    let shape: Vec<f32> = (0..window).map(|i| hann_f64(i, window) as f32).collect();
    let mut found = Vec::new();
    let mut levels = Vec::new();
    let mut power = vec![0.0f64; window / 2 + 1];
    for start in (0..take.frames()).step_by(window / 2) {
        progress.check()?;
        progress.report("detecting the key", start as f32 / take.frames() as f32);
        power.fill(0.0);
        for channel in &take.channels {
            let part = &channel[start..channel.len().min(start + window)];
            fft.input.fill(0.0);
            for ((to, from), shape) in fft.input.iter_mut().zip(part).zip(&shape) {
                *to = from * shape;
            }
            // Powers are added, so that channels of opposite polarity do not cancel.
            for (sum, bin) in power.iter_mut().zip(fft.power()) {
                *sum += f64::from(bin);
            }
        }
        levels.push(power.iter().sum::<f64>());
        found.push(peaks(&power, rate / window as f64));
    }
    let quietest = levels.iter().copied().fold(0.0, f64::max) * db_to_power(-SOUNDING_DB);
    let sounding = levels.iter().filter(|l| **l > quietest).count();
    Ok((found, sounding as f64 * (window / 2) as f64 / rate))
}

/// The highest peaks of a power spectrum, their places refined by a parabola through the levels.
fn peaks(power: &[f64], bin_hz: f64) -> Vec<Tone> {
    let bin = |hz: f64| ((hz / bin_hz) as usize).clamp(1, power.len().saturating_sub(2));
    let range = bin(FUNDAMENTAL_RANGE_HZ[0])..bin(FUNDAMENTAL_RANGE_HZ[1]);
    let floor = power[range.clone()].iter().fold(0.0, |a: f64, &b| a.max(b)) * db_to_power(-WINDOW_DEPTH_DB);
    let mut found: Vec<(usize, f64)> = range
        .filter(|&i| power[i] > floor && power[i] > power[i - 1] && power[i] >= power[i + 1])
        .map(|i| (i, power[i]))
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found.truncate(PEAKS);
    found
        .into_iter()
        .map(|(i, height)| {
            let [a, b, c] = [i - 1, i, i + 1].map(|i| power[i].max(f64::MIN_POSITIVE).ln());
            let mut near = power[i.saturating_sub(AROUND)..(i + AROUND).min(power.len())].to_vec();
            let middle = near.len() / 2;
            let median = *near.select_nth_unstable_by(middle, f64::total_cmp).1;
            let note = hz_to_note((i as f64 + parabolic_peak(a, b, c)) * bin_hz);
            Tone { note, amplitude: height.sqrt(), clear: height > median * db_to_power(CLEAR_DB) }
        })
        .collect()
}

/// The recording's own tuning, semitones off 440 Hz: the circular mean of the notes' fractions.
fn tuning(tones: &[Tone]) -> f64 {
    let (x, y) = tones.iter().fold((0.0, 0.0), |(x, y), tone| {
        let (sin, cos) = (tone.note * std::f64::consts::TAU).sin_cos();
        (x + tone.amplitude * cos, y + tone.amplitude * sin)
    });
    y.atan2(x) / std::f64::consts::TAU
}

/// How much of each pitch class (C first) the tones hold in a tuning.
fn pitch_classes(tones: &[Tone], tuning: f64) -> [f64; 12] {
    let mut classes = [0.0; 12];
    for tone in tones {
        let mut share = tone.amplitude;
        for harmonic in 1..=HARMONICS {
            let root = tone.note - ratio_to_st(harmonic as f64) - tuning;
            let near = root.round();
            // What lies halfway between two notes counts for neither.
            let apart = (root - near).abs();
            classes[(near as i64).rem_euclid(12) as usize] += share * (1.0 - 2.0 * apart);
            share *= HARMONIC_SHARE;
        }
    }
    classes
}
