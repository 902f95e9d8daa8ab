//! The fundamental, from the period of a sound and the peaks of its spectrum.
//!
//! A string's partials are nearly harmonic and the first may be weak: its period gives the note. The partials of a bar
//! or a drum head are not harmonic (those of a free bar stand at 1 : 2.756 : 5.404; Fletcher and Rossing, The Physics of
//! Musical Instruments, 2nd edition, section 2.16): the period gives no note, the strongest low peak does. Where a peak
//! lies near the period's frequency, that peak gives the exact frequency.

use super::{peaks::Peak, period::Period};
use crate::units::{db_to_power, ratio_to_st};

/// Lowest clarity of a period that counts.
const MIN_CLARITY: f32 = 0.55;
/// Within this many semitones of the period's frequency a peak is the same partial: free bars pull the
/// period by 0.44, and a stretched string by less.
const SAME_ST: f64 = 0.8;
/// A fundamental's peak may be this far below the strongest, dB.
const WEAK_DB: f32 = 36.0;
/// The strongest low peak is the lowest within this of the strongest, dB.
const LOW_DB: f32 = 8.0;
/// Lowest confidence of a pitch.
const MIN_PITCH_CONFIDENCE: f32 = 0.3;

/// Fundamental in Hz, when there is one, and confidence 0 to 1.
///
/// `peaks` are the peaks of a spectrum, `tonal` the share of its power above 0 Hz that lies in the four strongest, 0 to 1.
pub(super) fn vote(period: Option<Period>, peaks: &[Peak], tonal: f32) -> (Option<f32>, f32) {
    let Some(strongest) = peaks.iter().map(|p| p.level_db).reduce(f32::max) else {
        return (None, 0.0);
    };
    let low = peaks.iter().filter(|p| p.level_db >= strongest - LOW_DB).min_by(|a, b| a.hz.total_cmp(&b.hz));
    let (hz, confidence) = match period.filter(|p| p.clarity >= MIN_CLARITY) {
        Some(period) => by_period(period, peaks, strongest)
            .unwrap_or_else(|| (low.map_or(period.hz, |p| p.hz), 0.7 * tonal)),
        None => (low.map_or(0.0, |p| p.hz), 0.8 * tonal),
    };
    let confidence = confidence.clamp(0.0, 1.0);
    if confidence < MIN_PITCH_CONFIDENCE || hz <= 0.0 {
        (None, confidence)
    } else {
        (Some(hz as f32), confidence)
    }
}

/// The period's fundamental, exact, when the spectrum supports it.
fn by_period(period: Period, peaks: &[Peak], strongest: f32) -> Option<(f64, f32)> {
    let near = |hz: f64, st: f64, weak: f32| {
        peaks
            .iter()
            .filter(|p| ratio_to_st(p.hz / hz).abs() < st && p.level_db >= strongest - weak)
            .max_by(|a, b| a.level_db.total_cmp(&b.level_db))
    };
    // With a weak first partial the period can come out an octave too high: odd partials of the lower octave show it.
    if let (Some(octave), Some(_)) = (near(period.hz * 0.5, 0.3, 26.0), near(period.hz * 1.5, 0.3, 26.0)) {
        return Some((octave.hz, period.clarity));
    }
    if let Some(peak) = near(period.hz, SAME_ST, WEAK_DB) {
        return Some((peak.hz, period.clarity));
    }
    // Without a first partial, several peaks must be its multiples and hold most of the power, and one of the multiples
    // must be odd (else the true period is shorter).
    let power = |p: &Peak| db_to_power(f64::from(p.level_db));
    let harmonic = |p: &&Peak| {
        let n = (p.hz / period.hz).round();
        n >= 1.0 && ratio_to_st(p.hz / (n * period.hz)).abs() < 0.35
    };
    let fits: Vec<&Peak> = peaks.iter().filter(harmonic).collect();
    let (part, all) = (fits.iter().map(|p| power(p)).sum::<f64>(), peaks.iter().map(power).sum::<f64>());
    let odd = fits.iter().any(|p| (p.hz / period.hz).round() % 2.0 == 1.0 && p.level_db >= strongest - 26.0);
    (fits.len() >= 3 && odd && part > 0.7 * all).then_some((period.hz, 0.9 * period.clarity))
}
