//! Partials of the sound of a pad: the strongest one, one near a frequency, and its level over the others.

use super::auditioner::AUDITION_RATE;
use crate::{
    spectrum::{RealFft, hann, hann_f64},
    units::{cents_to_ratio, power_to_db, ratio_to_cents},
};

/// Partials between these frequencies can be the fundamental, Hz (our choice: from a kick to a rim).
pub(super) const PITCHED_HZ: [f64; 2] = [35.0, 1500.0];
/// Length of the spectrum in which they are searched for, samples: bins lie 0.73 Hz apart.
const SPECTRUM: usize = 65_536;
/// The strongest partial is read exactly within this distance of its bin, cents.
const NEAR_CT: f64 = 45.0;

/// The strongest partial within [`PITCHED_HZ`], Hz; `None` for silence.
pub(super) fn strongest_hz(sound: &[f32]) -> Option<f64> {
    let (bin, bin_hz) = strongest_bin(spectrum(sound))?;
    let rough = bin as f64 * bin_hz;
    Some(peak_hz(sound, AUDITION_RATE, rough, NEAR_CT).unwrap_or(rough))
}

/// The same, to the nearest bin, without a window: the stroke counts as much as what rings after it.
pub(super) fn strongest_with_stroke_hz(sound: &[f32]) -> Option<f64> {
    let (bin, bin_hz) = strongest_bin(spectrum_under(sound, |_| 1.0))?;
    Some(bin as f64 * bin_hz)
}

/// The strongest bin within [`PITCHED_HZ`], with the distance of bins, Hz; `None` for silence.
fn strongest_bin((power, bin_hz): (Vec<f32>, f64)) -> Option<(usize, f64)> {
    let [low, high] = PITCHED_HZ.map(|hz| ((hz / bin_hz) as usize).clamp(1, power.len() - 2));
    let bin = (low..=high).max_by(|&a, &b| power[a].total_cmp(&power[b]))?;
    (power[bin] > 0.0).then_some((bin, bin_hz))
}

/// Power spectrum of a sound under a Hann window, and the distance of its bins, Hz; zeros are added so that a bin
/// is narrower than the distance of a kick's notes.
pub(super) fn spectrum(part: &[f32]) -> (Vec<f32>, f64) {
    let length = part.len().min(SPECTRUM);
    spectrum_under(part, |i| hann(i, length))
}

fn spectrum_under(part: &[f32], window: impl Fn(usize) -> f32) -> (Vec<f32>, f64) {
    let mut fft = RealFft::remembered(SPECTRUM);
    for (i, (out, s)) in fft.input.iter_mut().zip(part).enumerate() {
        *out = s * window(i);
    }
    (fft.power().collect(), AUDITION_RATE / SPECTRUM as f64)
}

/// Level of the partial at `hz` over the strongest one further than `beside_ct` from it, dB (negative where that one is
/// stronger), and the frequency of that one, Hz; `None` where there is no other.
pub(super) fn level_over_others(sound: &[f32], hz: f64, beside_ct: f64) -> Option<(f32, f64)> {
    let (power, bin_hz) = spectrum(sound);
    let [low, high] = PITCHED_HZ.map(|hz| ((hz / bin_hz) as usize).min(power.len() - 1));
    let other = |i: &usize| ratio_to_cents(*i as f64 * bin_hz / hz).abs() > beside_ct;
    let strongest = (low.max(1)..=high).filter(other).max_by(|&a, &b| power[a].total_cmp(&power[b]))?;
    let there = power.get((hz / bin_hz).round() as usize).copied().unwrap_or(0.0);
    let over_db = -power_to_db(power[strongest].max(1e-30) / there.max(f32::MIN_POSITIVE));
    Some((over_db, strongest as f64 * bin_hz))
}

/// The strongest frequency within `astray_ct` of `near_hz`, to a hundredth of a cent; `None` when the
/// spectrum only rises towards something further away.
pub(super) fn peak_hz(part: &[f32], rate: f64, near_hz: f64, astray_ct: f64) -> Option<f64> {
    let shaped: Vec<f64> =
        part.iter().enumerate().map(|(i, s)| f64::from(*s) * hann_f64(i, part.len())).collect();
    let level = |cents: f64| {
        let step = std::f64::consts::TAU * near_hz * cents_to_ratio(cents) / rate;
        // one bin of a spectrum (Goertzel 1958)
        let turn = 2.0 * step.cos();
        let (mut a, mut b) = (0.0, 0.0);
        for s in &shaped {
            (a, b) = (s + turn * a - b, a);
        }
        a * a + b * b - turn * a * b
    };
    let coarse: Vec<f64> = (-9..=9).map(|i| level(f64::from(i) * astray_ct / 9.0)).collect();
    let best = (0..coarse.len()).max_by(|&a, &b| coarse[a].total_cmp(&coarse[b]))?;
    if best == 0 || best + 1 == coarse.len() || coarse[best] <= 0.0 {
        return None;
    }
    let step = astray_ct / 9.0;
    let (mut low, mut high) = ((best as f64 - 10.0) * step, (best as f64 - 8.0) * step);
    while high - low > 0.01 {
        let (a, b) = (low + (high - low) * 0.382, low + (high - low) * 0.618);
        if level(a) > level(b) { high = b } else { low = a }
    }
    Some(near_hz * cents_to_ratio((low + high) / 2.0))
}
