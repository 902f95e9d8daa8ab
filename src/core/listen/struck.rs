//! Whether a recording holds several notes, as a key needs.
//!
//! One pluck holds the pitch classes of a whole chord, its partials; one chord may be in several keys. So notes are counted
//! by where they are struck: a peak of the spectrum that rises, lasts and is no harmonic of a lower one. Drums and knocks
//! have such peaks as well, but few that ring on: a key needs notes that do, beside all that is struck.

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
/// It rings on where it has fallen by no more than this in the next window that does not overlap, 0.37 s later, dB: the
/// tones of toms and of boxes have...
const RINGS_DB: f64 = 14.0;
/// ...unless they are struck again: then they rise between the two windows by more than this, dB.
const AGAIN_DB: f64 = 3.0;
/// Notes that ring on, for each window in which anything is struck: 0 to 0.21 in knocks, toms, muted strings and drum
/// kits, up to 0.28 where their strokes follow quickly; 0.29 to 1.6 in plucks, strums and bars. Toms of some kits ring like
/// notes (tests/SCORES.md).
const LEAST_RINGING: f64 = 0.25;
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

/// Whether several notes are struck at several times, and enough of what is struck are notes.
pub(super) fn has_several_notes(windows: &[Vec<Tone>], tuning: f64) -> bool {
    let loudest = windows.iter().flatten().map(|t| t.amplitude).fold(0.0, f64::max);
    let windows = Windows { all: windows, least: loudest * db_to_gain(-FAINT_DB) };
    let mut first = [None; 12];
    let (mut ringing, mut strokes) = (0_u32, 0_u32);
    for at in 0..windows.all.len() {
        let struck = windows.struck(at);
        strokes += u32::from(!struck.is_empty());
        for note in struck.into_iter().filter(|t| windows.is_note(at, t)) {
            first[((note.note - tuning).round() as i64).rem_euclid(12) as usize].get_or_insert(at);
            ringing += u32::from(windows.rings_on(at, note));
        }
    }
    let begins: Vec<usize> = first.into_iter().flatten().collect();
    let earliest = begins.iter().min().copied().unwrap_or(0);
    let several =
        begins.len() >= LEAST_CLASSES && begins.iter().filter(|at| **at > earliest + APART).count() >= 2;
    several && f64::from(ringing) >= LEAST_RINGING * f64::from(strokes)
}

/// The tones of every window, half a window apart.
struct Windows<'a> {
    all: &'a [Vec<Tone>],
    /// Lowest amplitude that counts.
    least: f64,
}

impl Windows<'_> {
    /// Amplitude of a note in a window, 0 where it is not heard.
    fn level(&self, window: Option<usize>, note: f64) -> f64 {
        let tones = window.and_then(|w| self.all.get(w)).into_iter().flatten();
        tones.filter(|t| (t.note - note).abs() < SAME_ST).map(|t| t.amplitude).fold(0.0, f64::max)
    }

    /// The tones of a window that count.
    fn strong(&self, at: usize) -> impl Iterator<Item = &Tone> {
        let highest = self.all[at].iter().map(|t| t.amplitude).fold(0.0, f64::max);
        let least = self.least.max(highest * db_to_gain(-WEAK_DB));
        self.all[at].iter().filter(move |t| t.amplitude > least)
    }

    /// Those of them that rise.
    fn struck(&self, at: usize) -> Vec<&Tone> {
        let before = at.checked_sub(APART);
        self.strong(at).filter(|t| t.amplitude > self.level(before, t.note) * db_to_gain(RISE_DB)).collect()
    }

    /// Whether a struck tone is a note.
    fn is_note(&self, at: usize, tone: &Tone) -> bool {
        let lasts = || self.level(Some(at + 1), tone.note) > tone.amplitude * db_to_gain(-LASTS_DB);
        tone.clear && lasts() && !self.is_overtone(at, tone)
    }

    fn is_overtone(&self, at: usize, tone: &Tone) -> bool {
        self.strong(at).filter(|below| below.note < tone.note - 1.0).any(|below| {
            (2..=HARMONICS).any(|n| (tone.note - below.note - ratio_to_st(n as f64)).abs() < OFF_ST)
        })
    }

    /// Whether a note rings on until the next window that does not overlap, and is not struck again there.
    fn rings_on(&self, at: usize, note: &Tone) -> bool {
        let [next, later] = [1, APART].map(|n| self.level(Some(at + n), note.note));
        later > note.amplitude * db_to_gain(-RINGS_DB) && later < next * db_to_gain(AGAIN_DB)
    }
}
