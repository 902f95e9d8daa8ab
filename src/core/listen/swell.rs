//! Where a slow onset becomes audible: bowed and scraped sounds grow for longer than `refine` follows an attack.
//!
//! The bands in which a hit rises the most are followed backwards from its start for as long as they stand above what
//! sounded before and keep falling.
//!
//! The figures were fitted by trial to the recordings that `tests/SCORES.md` names.

use super::spectrogram::{MAX_BANDS, Spectrogram};
use crate::units::power_to_db;

/// How far back a swell is followed, frames (0.2 s).
const MAX_SWELL_FRAMES: usize = 75;
/// Length of the quiet stretch that a swell is compared with, frames (30 ms).
const QUIET_FRAMES: usize = 11;
/// Bands that are followed: those in which the hit rises the most.
const OWN_BANDS: usize = 5;
/// Mean level over the quiet stretch's highest at which the sound is audible, dB.
const AUDIBLE_OVER_QUIET_DB: f32 = 2.5;
/// A hit whose bands rise less than this above the quiet stretch keeps its start, dB.
const CLEAR_DB: f32 = 14.0;
/// What lies further below the hit's own peak does not belong to it, dB.
const MAX_BELOW_PEAK_DB: f32 = 26.0;
/// Going back, the level may rise by no more than this over the lowest so far, dB.
const RIPPLE_DB: f32 = 3.0;
/// Starts are moved by at least this, seconds: shorter rises are attacks, which `refine` has located.
const MIN_SWELL_S: f64 = 0.007;

/// The sample where the hit that was found at `start` becomes audible, no earlier than `earliest`; `start` itself
/// unless it swells.
pub(super) fn audible(s: &Spectrogram, rate: f64, start: usize, earliest: usize) -> usize {
    let at = s.frame(start);
    let first = s.frame(earliest + s.hop - 1) + s.window / s.hop;
    let from = at.saturating_sub(MAX_SWELL_FRAMES).max(first);
    if at < from + QUIET_FRAMES + 2 || at + 2 >= s.power.len() {
        return start;
    }
    // The highest power of each band in the quietest stretch before is what already sounds.
    let total = |t: usize| s.power[t][..s.bands].iter().sum::<f32>();
    let Some(quiet) = (from..=at - QUIET_FRAMES).min_by(|&a, &b| {
        let sum = |t: usize| (t..t + QUIET_FRAMES).map(total).sum::<f32>();
        sum(a).total_cmp(&sum(b))
    }) else {
        return start;
    };
    let highest = |frames: std::ops::Range<usize>| -> [f32; MAX_BANDS] {
        let mut top = [1e-12f32; MAX_BANDS];
        for row in &s.power[frames.start..frames.end.min(s.power.len())] {
            top.iter_mut().zip(row).for_each(|(t, p)| *t = t.max(*p));
        }
        top
    };
    let before = highest(quiet..quiet + QUIET_FRAMES);
    let peak = highest(at..at + MAX_SWELL_FRAMES);
    let mut own: Vec<usize> = (0..s.bands).collect();
    own.sort_by(|&a, &b| (peak[b] / before[b]).total_cmp(&(peak[a] / before[a])));
    own.truncate(OWN_BANDS);
    let above = |row: &[f32; MAX_BANDS]| {
        own.iter().map(|&b| power_to_db((row[b] + 0.5 * before[b]) / before[b])).sum::<f32>()
            / own.len().max(1) as f32
    };
    let top_db = above(&peak);
    if top_db < CLEAR_DB {
        return start;
    }
    let least = AUDIBLE_OVER_QUIET_DB.max(top_db - MAX_BELOW_PEAK_DB);
    let mut lowest = f32::INFINITY;
    let mut first_audible = at;
    for t in (quiet + QUIET_FRAMES..=at).rev() {
        let level = above(&s.power[t]);
        if level < least || level > lowest + RIPPLE_DB {
            break;
        }
        lowest = lowest.min(level);
        first_audible = t;
    }
    // A frame reaches half a window ahead; what lies beyond a quarter of a window has too little weight to count.
    let sample = (s.centre(first_audible) + s.window / 4).max(earliest);
    if sample + (MIN_SWELL_S * rate) as usize <= start { sample } else { start }
}
