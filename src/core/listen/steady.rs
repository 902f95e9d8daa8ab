//! Background that sets in and stays: the noise of a room after a cut, a hum after digital silence, a take that begins in
//! either. Its beginning rises like a hit.
//!
//! Told by what follows: a hit ends or changes; background goes on below the hits and is heard again between them, the same
//! in every band. The figures were found by trial on 33 kinds and levels of hum and noise, behind silence and without
//! (`tests/SCORES.md`).

use super::{
    hit::Hit,
    hum::SteadySpectrum,
    spectrogram::{MAX_BANDS, Spectrogram},
};
use crate::{
    take::Take,
    units::{db_to_power, power_to_db, ratio_to_cents},
};
use std::ops::Range;

/// Length of a cell, seconds, over which band levels are means.
const CELL_S: f64 = 0.01;
/// A hit's onset, and what follows it and is taken for background if it stays, in cells.
const ONSET_CELLS: usize = 6;
const HEAD_CELLS: usize = 26;
/// Fewest cells that show a level.
const LEAST_CELLS: usize = 5;
/// The onset of background stands out of what follows by no more than this, dB, with weights that turn brown noise pink.
const ONSET_DB: f32 = 4.0;
/// Cells below this are silent, dB of full scale: the rounding of 16 bits lies below.
const SILENT_DB: f32 = -85.0;
/// What sets in stands this far above what was before, dB.
const SETS_IN_DB: f32 = 6.0;
/// Length of stretches that are compared with what began, in cells.
const STRETCH: usize = 20;
/// Of a long take so many of them are looked at, evenly spread (our choice: a minute and a half has them all).
const MOST_STRETCHES: usize = 450;
/// Background falls no further than this below its beginning, dB, but for one of these many stretches.
const QUIETER_DB: f32 = 4.0;
const QUIETER_SHARE: usize = 20;
/// Further above its beginning another hit sounds, dB.
const LOUDER_DB: f32 = 6.0;
/// Another stretch is the same background if the median of its bands differs by no more than this, dB...
const SAME_DB: f32 = 2.5;
/// ...and none by more than this, dB: a soft hit sounds in few bands.
const SAME_BAND_DB: f32 = 7.0;
/// Stretches, each half over the one before, of the same background that have to follow behind another hit.
const HEARD_AGAIN: usize = 4;
/// Steady sound without a hit in it is background once it has lasted this long, in cells: 1.5 s (our choice). If hits follow,
/// only a hum is; if nothing follows, anything but a tone.
const ALONE: usize = 150;
/// A tone has a pitch of at least this confidence, above this (pitches below are unsure in short hits), Hz, and further than
/// this from every harmonic of the mains, cents. What is heard again behind hits is background only without one.
const TONE_CONFIDENCE: f32 = 0.6;
const LOWEST_TONE_HZ: f64 = 75.0;
const MAINS_CENTS: f64 = 20.0;

/// Mean power of each band.
type Bands = [f32; MAX_BANDS];

/// Band powers of a take in cells.
pub(super) struct Steadiness {
    cells: Vec<Bands>,
    /// For each cell the next silent one, itself included; their count where none follows.
    next_silent: Vec<usize>,
    bands: usize,
    cell_frames: usize,
    /// Frame of the take at which the first cell begins.
    first: usize,
}

impl Steadiness {
    /// The cells of a take.
    pub(super) fn of(s: &Spectrogram, rate: f64) -> Self {
        let rows = ((CELL_S * rate / s.hop as f64) as usize).max(1);
        let cells: Vec<Bands> = s.power.chunks(rows).map(mean).collect();
        let mut next_silent = vec![cells.len(); cells.len()];
        for i in (0..cells.len()).rev() {
            let next = next_silent.get(i + 1).copied().unwrap_or(cells.len());
            next_silent[i] = if is_silent(&cells[i]) { i } else { next };
        }
        Self { cells, next_silent, bands: s.bands, cell_frames: rows * s.hop, first: s.first }
    }

    /// Whether a hit is the beginning of background; `next` is where the next hit starts.
    pub(super) fn sets_in_with(&self, take: &Take, hit: &Hit, next: u64) -> bool {
        let at = |frame: u64| {
            ((frame as usize).saturating_sub(self.first) / self.cell_frames).min(self.cells.len())
        };
        let (start, next) = (at(hit.start), at(next));
        // windows of the next hit's onset reach into the cell before it
        let head = (start + 2).min(next)..(start + HEAD_CELLS).min(next.saturating_sub(1).max(start));
        if head.len() < LEAST_CELLS {
            return false;
        }
        let (first, head) = (head.start, mean(&self.cells[head]));
        let ends = self.next_silent.get(first).copied().unwrap_or(self.cells.len());
        self.begins(&head, start)
            && self.stays(&head, first, ends)
            && self.is_background(take, hit, &head, first, ends)
    }

    /// Whether it sets in where less was before, and with no attack.
    fn begins(&self, head: &Bands, start: usize) -> bool {
        let before = &self.cells[start.saturating_sub(STRETCH / 2 + 2)..start.saturating_sub(2)];
        let sets_in = before.len() < LEAST_CELLS || self.compare(head, &mean(before)).median_db < -SETS_IN_DB;
        let onset = &self.cells[start.saturating_sub(1)..(start + ONSET_CELLS).min(self.cells.len())];
        let bright = |cell: &Bands| cell.iter().zip(1..).map(|(p, b)| p * b as f32).sum::<f32>();
        let most = onset.iter().map(bright).fold(0.0, f32::max);
        sets_in && power_to_db(most / bright(head).max(1e-18)) < ONSET_DB
    }

    /// Whether it never becomes quieter before `ends`.
    fn stays(&self, head: &Bands, first: usize, ends: usize) -> bool {
        let step = ((ends - first) / STRETCH).div_ceil(MOST_STRETCHES).max(1);
        let stretches = || self.cells[first..ends].chunks_exact(STRETCH).step_by(step);
        let quieter = stretches().filter(|part| {
            let apart = self.compare(head, &mean(part));
            apart.median_db.min(apart.sum_db) < -QUIETER_DB
        });
        quieter.count() * QUIETER_SHARE <= stretches().len()
    }

    /// Whether what began and stayed is heard again behind another hit, is a hum that lasts [`ALONE`], or is alone and no tone.
    fn is_background(&self, take: &Take, hit: &Hit, head: &Bands, first: usize, ends: usize) -> bool {
        let loud = sum(head) * db_to_power(LOUDER_DB);
        let louder = |i: &usize| sum(&self.cells[*i]) > loud;
        let alone = (first..ends).find(louder).unwrap_or(ends);
        let frame = |cell: usize| (self.first + cell * self.cell_frames).min(take.frames());
        let part = frame(first)..frame(ends);
        let rest = alone..self.cells.len().saturating_sub(STRETCH);
        let step = STRETCH / 2 * (rest.len() / STRETCH).div_ceil(MOST_STRETCHES).max(1);
        let same = |at: &usize| {
            let apart = self.compare(head, &mean(&self.cells[*at..at + STRETCH]));
            apart.median_db.abs() < SAME_DB && apart.most_db < SAME_BAND_DB
        };
        if rest.step_by(step).filter(same).take(HEARD_AGAIN).count() == HEARD_AGAIN {
            return !is_tone(hit) || !stays_a_tone(take, part);
        }
        let silent_before = self.cells[..first.saturating_sub(LEAST_CELLS + 2)].iter().all(is_silent);
        if alone - first < ALONE || !silent_before {
            return false;
        }
        if alone < ends || !self.cells[ends..].iter().all(is_silent) {
            return SteadySpectrum::hum_in(take, frame(first)..frame(alone)).is_some();
        }
        !stays_a_tone(take, part)
    }

    /// How much louder `other` is than `head`.
    fn compare(&self, head: &Bands, other: &Bands) -> Apart {
        let mut apart = [0.0; MAX_BANDS];
        let apart = &mut apart[..self.bands];
        for (ratio, (h, o)) in apart.iter_mut().zip(head.iter().zip(other)) {
            *ratio = o.max(1e-12) / h.max(1e-12);
        }
        apart.sort_by(f32::total_cmp);
        // logarithms of few: they took most of the time
        let most = apart.first().zip(apart.last()).map_or(1.0, |(low, high)| high.max(1.0 / low));
        let median = apart.get(apart.len() / 2).copied().unwrap_or(1.0);
        Apart {
            median_db: power_to_db(median),
            most_db: power_to_db(most),
            sum_db: power_to_db(sum(other) / sum(head)),
        }
    }
}

/// How much louder one stretch is than another, dB.
struct Apart {
    /// The median of all bands.
    median_db: f32,
    /// The greatest difference of a band, either way.
    most_db: f32,
    /// The sum of all bands.
    sum_db: f32,
}

fn mean(rows: &[Bands]) -> Bands {
    std::array::from_fn(|b| rows.iter().map(|row| row[b]).sum::<f32>() / rows.len().max(1) as f32)
}

fn sum(bands: &Bands) -> f32 {
    bands.iter().sum::<f32>().max(1e-12)
}

fn is_silent(cell: &Bands) -> bool {
    cell.iter().sum::<f32>() < db_to_power(SILENT_DB)
}

/// Whether a tone that no hum has sounds all the time in a part of a take, or nobody can tell: the pitch of a short hit is
/// found in noise as well.
fn stays_a_tone(take: &Take, part: Range<usize>) -> bool {
    let tone = SteadySpectrum::of(take, part.clone()).is_none_or(|steady| steady.has_tone());
    tone && SteadySpectrum::hum_in(take, part).is_none()
}

/// Whether a hit has a clear pitch that no hum has: a note that sounds on below others.
fn is_tone(hit: &Hit) -> bool {
    let (hz, confidence) =
        (hit.description.pitch_hz.map_or(0.0, f64::from), hit.description.pitch_confidence);
    let cents = |mains: f64| ratio_to_cents(hz / (mains * (hz / mains).round().max(1.0))).abs();
    confidence >= TONE_CONFIDENCE && hz > LOWEST_TONE_HZ && cents(50.0).min(cents(60.0)) > MAINS_CENTS
}
