//! Whether a recording holds several notes, as a key needs.
//!
//! One pluck holds the pitch classes of a whole chord, its partials; one chord may be in several keys. So notes are counted
//! by where they are struck: a peak of the spectrum that rises, lasts and is no harmonic of a lower one.

use crate::units::{db_to_gain, ratio_to_st};

/// Pitch classes that have to be struck...
const LEAST_CLASSES: usize = 3;
/// Windows apart that do not overlap.
const APART: usize = 2;
/// A struck note rises by this over the window before, dB; a partial that rings does not.
const RISE_DB: f64 = 6.0;
/// It lies no further than this below the highest of its window, and this below that of the recording, dB.
const WEAK_DB: f64 = 20.0;
const FAINT_DB: f64 = 30.0;
/// In the next window it has fallen by no more than this, dB: knocks have.
const LASTS_DB: f64 = 14.0;
/// Tones within this are the same, semitones.
const SAME_ST: f64 = 0.5;
/// Harmonics by which a lower tone explains a higher one, and how far they may be off, semitones: strings are stiff.
const HARMONICS: usize = 10;
const OFF_ST: f64 = 0.4;

/// A spectral peak.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tone {
    /// Its note (MIDI, with a fraction).
    pub note: f64,
    /// Its amplitude.
    pub amplitude: f64,
    /// Whether it stands out of what surrounds it as no peak of noise does.
    pub clear: bool,
}

/// Whether several notes are struck at several times.
pub(super) fn has_several_notes(windows: &[Vec<Tone>], tuning: f64) -> bool {
    let loudest = windows.iter().flatten().map(|t| t.amplitude).fold(0.0, f64::max);
    let mut first = [None; 12];
    for at in 0..windows.len() {
        for class in struck(windows, at, loudest * db_to_gain(-FAINT_DB), tuning) {
            first[class].get_or_insert(at);
        }
    }
    let begins: Vec<usize> = first.into_iter().flatten().collect();
    let earliest = begins.iter().min().copied().unwrap_or(0);
    begins.len() >= LEAST_CLASSES && begins.iter().filter(|at| **at > earliest + APART).count() >= 2
}

/// Pitch classes that are struck in a window.
fn struck(windows: &[Vec<Tone>], at: usize, least: f64, tuning: f64) -> Vec<usize> {
    let highest = windows[at].iter().map(|t| t.amplitude).fold(0.0, f64::max);
    let level = |window: Option<usize>, note: f64| {
        let tones = window.and_then(|w| windows.get(w)).into_iter().flatten();
        tones.filter(|t| (t.note - note).abs() < SAME_ST).map(|t| t.amplitude).fold(0.0, f64::max)
    };
    let rises = |t: &Tone| t.amplitude > level(at.checked_sub(APART), t.note) * db_to_gain(RISE_DB);
    let lasts = |t: &Tone| level(Some(at + 1), t.note) > t.amplitude * db_to_gain(-LASTS_DB);
    let strong = |t: &Tone| t.amplitude > least.max(highest * db_to_gain(-WEAK_DB));
    let overtone = |t: &Tone| {
        let below = windows[at].iter().filter(|b| b.note < t.note - 1.0 && strong(b));
        below
            .into_iter()
            .any(|b| (2..=HARMONICS).any(|n| (t.note - b.note - ratio_to_st(n as f64)).abs() < OFF_ST))
    };
    let notes = windows[at].iter().filter(|t| t.clear && strong(t) && rises(t) && lasts(t) && !overtone(t));
    notes.map(|t| ((t.note - tuning).round() as i64).rem_euclid(12) as usize).collect()
}
