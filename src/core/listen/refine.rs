//! From a frame to the sample where a hit's energy begins to rise.
//!
//! Four signals around the frame are followed backwards from the attack: the sound itself, two high-passed versions
//! of it, and the residual of a linear prediction that was computed from the sound before the attack. The residual
//! shows an attack that tones of the hit before still cover.
//!
//! The figures were fitted by trial to the recordings that `tests/SCORES.md` names.

use crate::{take::Take, units::power_to_db};
use std::ops::Range;

/// Time before the frame that is searched, ms.
const LOOK_BACK_MS: f64 = 110.0;
/// Time after the frame that is searched, ms.
const LOOK_AHEAD_MS: f64 = 30.0;
/// An attack begins at this share of its greatest power at the least: -26 dB.
const ONSET_SHARE: f32 = 0.002_5;
/// Rates above this are averaged down for the search, Hz.
const SEARCH_RATE: f64 = 50_000.0;
/// Order of the linear prediction.
const ORDER: usize = 24;

/// Shortest sound before an attack that it can be compared with, ms.
const MIN_PAST_MS: f64 = 25.0;
/// Step in which power is followed, ms; each value is the mean over four steps.
const STEP_MS: f64 = 0.25;
/// Corners of the two high-passes, Hz.
const UPPER_HZ: [f64; 2] = [800.0, 3500.0];
/// The start is taken from the sound itself when its attack stands this far above what was before, dB.
const PLAIN_ENOUGH_DB: f32 = 23.0;
/// The attack begins where its power has reached all three: [`ONSET_SHARE`] of its maximum, `floor * MIN_RATIO`, and
/// `floor * contrast^CONTRAST_SHARE`; never more than half of its maximum.
const MIN_RATIO: f32 = 4.0;
const CONTRAST_SHARE: f32 = 0.4;
/// Longest dip inside an attack, ms: cycles of a low note leave some. Shorter where something rang before.
const DIP_MS: f64 = 10.0;
const RINGING_DIP_MS: f64 = 3.0;

/// Where a hit starts and how clearly.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    /// First sample of the hit.
    pub sample: usize,
    /// Attack over the quietest moment before it, dB, 0 to 50.
    pub plain_contrast_db: f32,
    /// The same above 800 or 3500 Hz, whichever is more.
    pub upper_contrast_db: f32,
    /// The same in the residual of the linear prediction.
    pub residual_contrast_db: f32,
    /// Highest of the attack's first 8 ms over the highest of the 15 ms before, dB, -20 to 40: little in a
    /// swell, however far it rises in all.
    pub plain_step_db: f32,
    /// The same above 800 or 3500 Hz, or in the residual, whichever is more.
    pub upper_step_db: f32,
}

/// What a take sounds like between its hits: the reference that starts are compared with.
pub(super) struct NoiseReference<'a> {
    /// Direct current of each channel.
    pub means: &'a [f32],
    /// Power of the noise floor.
    pub floor: f32,
    /// Frames that were recorded: what lies around them is nothing to compare with.
    pub recorded: Range<usize>,
}

/// The start of the hit whose attack lies around `centre`, no earlier than `earliest`.
pub(super) fn start(take: &Take, reference: &NoiseReference, centre: usize, earliest: usize) -> Start {
    let rate = f64::from(take.sample_rate);
    let factor = (rate / SEARCH_RATE).ceil().max(1.0) as usize;
    let ms = rate * 0.001;
    let Range { start: first, end: last } = reference.recorded;
    let centre = centre.min(last);
    let from = centre.saturating_sub((LOOK_BACK_MS * ms) as usize).max(first);
    let to = (centre + (LOOK_AHEAD_MS * ms) as usize).min(last);
    let slow = rate / factor as f64;
    let parts: Vec<Vec<f32>> =
        take.channels.iter().zip(reference.means).map(|(c, &m)| decimate(&c[from..to], factor, m)).collect();
    let step = (slow * STEP_MS * 0.001).max(1.0);
    let at = (centre - from) / factor;
    let middle = (at as f64 / step) as usize;
    let limit = (earliest.saturating_sub(from) as f64 / factor as f64 / step) as usize;

    let rise = |change: &dyn Fn(&[f32]) -> Vec<f32>, least_floor: f32| {
        let changed: Vec<Vec<f32>> = parts.iter().map(|p| change(p)).collect();
        rise(&powers(&changed, step), middle, limit, least_floor)
    };
    let plain = rise(&|p| p.to_vec(), reference.floor);
    // At the very beginning of a take there is no moment before to compare with but its noise floor.
    let compared = centre - from > (MIN_PAST_MS * ms) as usize;
    let upper = UPPER_HZ.map(|hz| if compared { rise(&|p| high_pass(p, slow, hz), 0.0) } else { plain });
    let residual = if compared { rise(&|p| prediction_residual(p, at, slow), 0.0) } else { plain };

    let clearest = [plain, upper[0], upper[1], residual]
        .into_iter()
        .max_by(|a, b| a.contrast_db.total_cmp(&b.contrast_db));
    let chosen = if plain.contrast_db > PLAIN_ENOUGH_DB { plain } else { clearest.unwrap_or(plain) };
    let cap = |db: f32| db.clamp(0.0, 50.0);
    Start {
        sample: (from + (chosen.first as f64 * step * factor as f64) as usize).max(earliest),
        plain_contrast_db: cap(plain.contrast_db),
        upper_contrast_db: cap(upper[0].contrast_db.max(upper[1].contrast_db)),
        residual_contrast_db: cap(residual.contrast_db),
        plain_step_db: plain.step_db.clamp(-20.0, 40.0),
        upper_step_db: upper[0].step_db.max(upper[1].step_db).max(residual.step_db).clamp(-20.0, 40.0),
    }
}

/// An attack in one of the four signals.
#[derive(Debug, Clone, Copy)]
struct Attack {
    /// Peak over the quietest moment before it, dB.
    contrast_db: f32,
    /// First step of the attack.
    first: usize,
    /// Highest of its first 8 ms over the highest of the 15 ms before, dB.
    step_db: f32,
}

/// Power in steps, averaged over 1 ms, summed over channels.
fn powers(parts: &[Vec<f32>], step: f64) -> Vec<f32> {
    let length = parts.first().map_or(0, Vec::len);
    let mut cumulative = vec![0.0f64; length + 1];
    for i in 0..length {
        let p: f32 = parts.iter().map(|c| c[i] * c[i]).sum();
        cumulative[i + 1] = cumulative[i] + f64::from(p);
    }
    (0..(length as f64 / step) as usize)
        .map(|k| {
            let a = ((k as f64 - 1.5) * step).max(0.0) as usize;
            let b = (((k as f64 + 2.5) * step) as usize).min(length);
            ((cumulative[b] - cumulative[a]) / (b - a).max(1) as f64) as f32
        })
        .collect()
}

/// Follows the attack around step `middle` back to its first step, not before `limit`.
fn rise(p: &[f32], middle: usize, limit: usize, least_floor: f32) -> Attack {
    let steps = |ms: f64| (ms / STEP_MS) as usize;
    let lo = middle.saturating_sub(steps(8.0)).max(limit);
    let hi = (middle + steps(25.0)).min(p.len());
    if lo >= hi {
        return Attack { contrast_db: 0.0, first: middle, step_db: 0.0 };
    }
    let top = (lo..hi).max_by(|&a, &b| p[a].total_cmp(&p[b])).unwrap_or(lo);
    let past = middle.saturating_sub(steps(80.0)).max(limit);

    let width = steps(8.0);
    let last = middle.min((top + 1).saturating_sub(width));
    let mut floor = f32::INFINITY;
    let mut sum: f64 = p[past..(past + width).min(p.len())].iter().map(|&v| f64::from(v)).sum();
    for i in past..last.max(past) {
        floor = floor.min((sum / width as f64) as f32);
        sum += f64::from(p[i + width]) - f64::from(p[i]);
    }
    let floor = if floor.is_finite() { floor } else { least_floor }.max(1e-12);
    let contrast = (p[top] / floor).max(1.0);
    let least = (p[top] * ONSET_SHARE)
        .max(floor * MIN_RATIO)
        .max(floor * contrast.powf(CONTRAST_SHARE))
        .min(p[top] * 0.5);

    let mut before = p[past..middle.saturating_sub(steps(20.0)).max(past)].to_vec();
    let at = before.len() * 9 / 10;
    let usual = if before.is_empty() { 0.0 } else { *before.select_nth_unstable_by(at, f32::total_cmp).1 };
    let dip = steps(if usual * 2.0 < least { DIP_MS } else { RINGING_DIP_MS });
    let (mut first, mut i) = (top, top);
    while i > limit && first - i < dip {
        i -= 1;
        if p[i] >= least {
            first = i;
        }
    }
    let highest = |from: usize, to: usize| p[from..to].iter().copied().fold(1e-12, f32::max);
    let after = highest(first, (first + steps(8.0)).min(p.len()));
    let before = highest(first.saturating_sub(steps(16.0)), first.saturating_sub(steps(1.0)));
    Attack { contrast_db: power_to_db(contrast), first, step_db: power_to_db(after / before.max(floor)) }
}

/// Means of `factor` samples, less the DC offset.
fn decimate(x: &[f32], factor: usize, mean: f32) -> Vec<f32> {
    x.chunks(factor).map(|c| c.iter().sum::<f32>() / c.len() as f32 - mean).collect()
}

/// Second-order Butterworth high-pass (bilinear transform; Audio EQ Cookbook, R. Bristow-Johnson).
fn high_pass(x: &[f32], rate: f64, hz: f64) -> Vec<f32> {
    let w = std::f64::consts::TAU * (hz / rate).min(0.45);
    let alpha = w.sin() * std::f64::consts::FRAC_1_SQRT_2;
    let c = w.cos();
    let (b0, b1, a0, a1, a2) = ((1.0 + c) / 2.0, -(1.0 + c), 1.0 + alpha, -2.0 * c, 1.0 - alpha);
    let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
    x.iter()
        .map(|&v| {
            let v = f64::from(v);
            let y = (b0 * v + b1 * x1 + b0 * x2 - a1 * y1 - a2 * y2) / a0;
            (x2, x1, y2, y1) = (x1, v, y1, y);
            y as f32
        })
        .collect()
}

/// Residual of the linear prediction that was computed from the 60 ms that end 10 ms before the attack at `at`.
fn prediction_residual(x: &[f32], at: usize, rate: f64) -> Vec<f32> {
    let ms = rate * 0.001;
    let to = at.saturating_sub((10.0 * ms) as usize).min(x.len());
    let from = to.saturating_sub((60.0 * ms) as usize);
    let a = prediction(&x[from..to]);
    (0..x.len())
        .map(|n| if n < ORDER { 0.0 } else { (0..ORDER).fold(x[n], |e, k| e - a[k] * x[n - 1 - k]) })
        .collect()
}

/// Predictor coefficients by the autocorrelation method and the Levinson-Durbin recursion (J. Makhoul, "Linear
/// Prediction: A Tutorial Review", Proceedings of the IEEE 63, 1975), under a sine window.
fn prediction(x: &[f32]) -> [f32; ORDER] {
    let n = x.len();
    if n < 4 * ORDER {
        return [0.0; ORDER];
    }
    let windowed: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, &v)| f64::from(v) * (std::f64::consts::PI * (i as f64 + 0.5) / n as f64).sin())
        .collect();
    let r: Vec<f64> =
        (0..=ORDER).map(|k| windowed.iter().zip(&windowed[k..]).map(|(a, b)| a * b).sum()).collect();
    let mut error = r[0] * (1.0 + 1e-7) + 1e-12;
    let mut a = [0.0f64; ORDER];
    for i in 0..ORDER {
        let acc = r[i + 1] - (0..i).map(|j| a[j] * r[i - j]).sum::<f64>();
        let k = acc / error;
        let old = a;
        a[i] = k;
        for j in 0..i {
            a[j] = old[j] - k * old[i - 1 - j];
        }
        error *= 1.0 - k * k;
        if error <= 0.0 {
            break;
        }
    }
    a.map(|v| v as f32)
}
