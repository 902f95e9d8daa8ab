//! How one hit of a pad differs from the next, and where its draws come from.

use super::{
    Transport,
    draw::{Apart, Draws, Index},
};
use crate::kit::{Variation, Way};

/// Places in a beat that are told apart: sixteenths, their triplets and 64ths fall on whole places, so
/// that rounding in a host's position cannot move a note on the grid to its neighbour.
const PLACES_PER_BEAT: f64 = 48.0;

/// The small differences of one hit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Shift {
    pub start_ms: f64,
    pub pitch_st: f64,
    pub level_db: f64,
    pub cut_oct: f64,
}

impl Shift {
    /// Uniform within plus and minus the ranges of `variation` times `amount`.
    ///
    /// Live strokes keep away from the stroke before, and their start and pitch move together: a stroke that
    /// begins further into the sound is the sharper one. Both shift a low tone's phase the same way then. Drawn
    /// apart, they would cancel out every so often, and two strokes of a low tone would be one file fired twice.
    pub fn draw(variation: &Variation, amount: f64, index: Index, draws: impl Fn(Index) -> Draws) -> Self {
        let mut own = draws(index);
        let [mut start, mut pitch, level, cut] = std::array::from_fn(|_| own.signed());
        if let Index::Stroke(n) = index {
            let apart = Apart::new(n, draws(Index::Origin).unit(), start);
            (start, pitch) = (apart.signed(), apart.beside(pitch).signed());
        }
        let within = |range: f32, draw: f64| draw * f64::from(range) * amount;
        Self {
            start_ms: within(variation.start_ms, start),
            pitch_st: within(variation.pitch_ct, pitch) / 100.0,
            level_db: within(variation.level_db, level),
            cut_oct: within(variation.cut_oct, cut),
        }
    }
}

/// Counts the strokes of one pad and says which draws the next one takes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Counter {
    strokes: u64,
    /// Place, ordinal at it and frame of the last stroke that had a place.
    last: Option<(i64, u32, u64)>,
    /// Slice of the last stroke.
    pub last_slice: Option<usize>,
}

impl Counter {
    /// The index of the draws of a stroke at absolute frame `now`; counts it.
    pub fn next(&mut self, variation: &Variation, transport: &Song, now: u64) -> Index {
        let stroke = self.strokes;
        self.strokes += 1;
        match variation.way {
            Way::Live => Index::Stroke(stroke),
            Way::Held => Index::Frozen(variation.frozen.max(0.0) as u64),
            Way::Placed => match transport.place(now) {
                Some(place) => self.placed(place, transport.frames_per_place(), now),
                // A stream apart from live ones, so that the two ways never agree by accident.
                None => Index::Place(i64::MIN, stroke as u32),
            },
        }
    }

    /// Strokes so close together that they share a place are told apart by their order.
    fn placed(&mut self, place: i64, frames_per_place: f64, now: u64) -> Index {
        let ordinal = match self.last {
            Some((p, n, at)) if p == place && ((now - at) as f64) < 1.5 * frames_per_place => n + 1,
            _ => 0,
        };
        self.last = Some((place, ordinal, now));
        Index::Place(place, ordinal)
    }

    /// Which of the `fitting` slices (indices into the pad's) sounds. One slice: that one. In turn:
    /// the next after the last one. At random: any but the last one. A placed or frozen index decides
    /// alone, since the same spot must always sound the same.
    pub fn choose(&mut self, fitting: &[usize], random: bool, index: Index, draws: &mut Draws) -> usize {
        let after_last = || match self.last_slice {
            Some(last) => fitting.iter().position(|&s| s > last).unwrap_or(0),
            None => 0,
        };
        let chosen = match index {
            Index::Frozen(_) => draws.below(fitting.len()),
            Index::Place(place, _) if place != i64::MIN => draws.below(fitting.len()),
            _ if !random => after_last(),
            _ => match self.last_slice.and_then(|last| fitting.iter().position(|&s| s == last)) {
                Some(last) if fitting.len() > 1 => {
                    (last + 1 + draws.below(fitting.len() - 1)) % fitting.len()
                }
                _ => draws.below(fitting.len()),
            },
        };
        self.last_slice = Some(fitting[chosen]);
        fitting[chosen]
    }
}

/// Where the song stands, followed from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Song {
    transport: Transport,
    /// Absolute frame at which `transport` holds.
    at: u64,
    sample_rate: f64,
}

impl Song {
    pub fn new(sample_rate: f64) -> Self {
        Self { transport: Transport::default(), at: 0, sample_rate }
    }

    pub fn set(&mut self, transport: Transport, now: u64) {
        (self.transport, self.at) = (transport, now);
    }

    fn place(&self, now: u64) -> Option<i64> {
        let beats = self.transport.beats.filter(|b| b.is_finite())?;
        let beat = beats + (now - self.at) as f64 * self.beats_per_frame();
        Some((beat * PLACES_PER_BEAT).round() as i64)
    }

    fn frames_per_place(&self) -> f64 {
        1.0 / (self.beats_per_frame() * PLACES_PER_BEAT).max(1e-9)
    }

    fn beats_per_frame(&self) -> f64 {
        let tempo = if self.transport.tempo.is_finite() { self.transport.tempo.max(0.0) } else { 0.0 };
        tempo / 60.0 / self.sample_rate
    }
}

#[cfg(test)]
mod tests {
    use super::super::draw::{
        Purpose,
        statistics::{kolmogorov_smirnov, uniform},
    };
    use super::*;

    #[test]
    fn a_thousand_hits_vary_uniformly_within_their_ranges() {
        let v =
            Variation { start_ms: 2.0, pitch_ct: 30.0, level_db: 1.5, cut_oct: 0.5, ..Variation::default() };
        let shifts: Vec<Shift> = (0..1000)
            .map(|n| Shift::draw(&v, 2.0, Index::Stroke(n), |i| Draws::new(4, 1, i, Purpose::Variation)))
            .collect();
        let fits = |value: &dyn Fn(&Shift) -> f64, range: f64| {
            let d = kolmogorov_smirnov(shifts.iter().map(value).collect(), uniform(-range, range));
            assert!(d < 1.0, "range {range}: {d}");
        };
        fits(&|s| s.start_ms, 4.0);
        fits(&|s| s.pitch_st, 0.6);
        fits(&|s| s.level_db, 3.0);
        fits(&|s| s.cut_oct, 1.0);
    }

    #[test]
    fn live_strokes_keep_away_from_the_one_before_and_their_start_and_pitch_move_together() {
        let v = Variation { start_ms: 1.0, pitch_ct: 100.0, ..Variation::default() };
        for seed in 0..20 {
            let shift =
                |n| Shift::draw(&v, 1.0, Index::Stroke(n), |i| Draws::new(seed, 3, i, Purpose::Variation));
            for n in (0..200).chain(u64::MAX - 20..u64::MAX - 1) {
                let (a, b) = (shift(n), shift(n + 1));
                let turns = (a.start_ms - b.start_ms).abs() / 2.0;
                assert!(turns.min(1.0 - turns) >= Apart::NEIGHBOURS, "stroke {n}: {turns}");
                assert!((a.pitch_st - a.start_ms).abs() <= 2.0 * Apart::LOOSE + 1e-9, "stroke {n}: {a:?}");
            }
        }
    }

    #[test]
    fn strokes_at_one_place_are_told_apart_by_order_and_a_loop_comes_round() {
        let v = Variation { way: Way::Placed, ..Variation::default() };
        let mut song = Song::new(48_000.0);
        let mut counter = Counter::default();
        let at = |beats, now, counter: &mut Counter, song: &mut Song| {
            song.set(Transport { beats: Some(beats), tempo: 120.0 }, now);
            counter.next(&v, song, now)
        };
        assert_eq!(at(2.0, 0, &mut counter, &mut song), Index::Place(96, 0));
        assert_eq!(at(2.004, 100, &mut counter, &mut song), Index::Place(96, 1), "a flam");
        assert_eq!(at(2.0, 100_000, &mut counter, &mut song), Index::Place(96, 0), "the loop's next round");
        // A transport that jumps back in time (a fresh position at an earlier frame) is no trouble.
        assert_eq!(at(0.25, 100_001, &mut counter, &mut song), Index::Place(12, 0));
    }
}
