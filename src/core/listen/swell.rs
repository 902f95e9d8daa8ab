//! Where a slow onset becomes audible: bowed and scraped sounds grow for longer than an attack is followed.
//!
//! The bands that a hit brings the most to are followed backwards from its start for as long as they stand
//! above what sounded before and fall.

use super::spectrogram::{MAX_BANDS, Spectrogram};
use crate::units::power_to_db;

/// How far back a swell is followed, frames (0.2 s).
const REACH: usize = 75;
/// Length of the quiet stretch that a swell is held against, frames (30 ms).
const QUIET: usize = 11;
/// Bands that are followed: those the hit brings the most to.
const OWN_BANDS: usize = 5;
/// Mean level over the quiet stretch's highest at which the sound is audible, dB.
const AUDIBLE_DB: f32 = 2.5;
/// A hit whose bands stand no further above the quiet stretch is left as it was found, dB.
const CLEAR_DB: f32 = 14.0;
/// Nothing further below the hit's own peak belongs to it, dB.
const DEPTH_DB: f32 = 26.0;
/// Going back, the level may rise by no more than this over the lowest so far, dB.
const RIPPLE_DB: f32 = 3.0;
/// Shorter ways are an attack's own, seconds: `refine` knows them better.
const SHORTEST_S: f64 = 0.007;

/// The sample where the hit found at `start` becomes audible, no earlier than `earliest`; `start` itself
/// unless it swells.
pub(super) fn audible(s: &Spectrogram, rate: f64, start: usize, earliest: usize) -> usize {
    let at = start / s.hop;
    let first = earliest.div_ceil(s.hop) + s.window / s.hop;
    let from = at.saturating_sub(REACH).max(first);
    if at < from + QUIET + 2 || at + 2 >= s.power.len() {
        return start;
    }
    // The quietest stretch before: its highest power in each band is what already sounds.
    let total = |t: usize| s.power[t][..s.bands].iter().sum::<f32>();
    let Some(quiet) = (from..=at - QUIET).min_by(|&a, &b| {
        let sum = |t: usize| (t..t + QUIET).map(total).sum::<f32>();
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
    let before = highest(quiet..quiet + QUIET);
    let peak = highest(at..at + REACH);
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
    let least = AUDIBLE_DB.max(top_db - DEPTH_DB);
    let mut lowest = f32::INFINITY;
    let mut first_audible = at;
    for t in (quiet + QUIET..=at).rev() {
        let level = above(&s.power[t]);
        if level < least || level > lowest + RIPPLE_DB {
            break;
        }
        lowest = lowest.min(level);
        first_audible = t;
    }
    // A frame holds what comes up to half a window later; a quarter of it weighs enough to be heard.
    let sample = (first_audible * s.hop + s.window / 4).max(earliest);
    if sample + (SHORTEST_S * rate) as usize <= start { sample } else { start }
}
