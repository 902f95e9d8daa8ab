//! How one trigger of a pad differs from the next, and which draws it takes.

use super::{
    draw::{Draws, Index, LowDiscrepancy},
    transport::SongPosition,
};
use crate::kit::{Variation, VariationMode};

/// How far one trigger differs from the pad as it is set: variation drawn for it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Offsets {
    pub start_ms: f64,
    pub pitch_st: f64,
    pub level_db: f64,
    pub cut_oct: f64,
}

impl Offsets {
    /// Uniform within plus and minus the ranges of `variation` times `amount`.
    ///
    /// Live triggers draw their start from a low-discrepancy sequence, so that it differs from the trigger before,
    /// and their pitch follows their start: a later start has a higher pitch. Both then shift a low tone's phase in
    /// the same direction. Drawn independently, the two shifts would sometimes cancel, and two triggers of a low
    /// tone would sound the same.
    pub fn draw(variation: &Variation, amount: f64, index: Index, draws: impl Fn(Index) -> Draws) -> Self {
        let mut own = draws(index);
        let [mut start, mut pitch, level, cut] = std::array::from_fn(|_| own.signed());
        if let Index::Trigger(n) = index {
            let sequence = LowDiscrepancy::new(n, draws(Index::Origin).unit(), start);
            (start, pitch) = (sequence.signed(), sequence.beside(pitch).signed());
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

/// Counts the triggers of one pad and gives the index of the draws that the next one takes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct TriggerCounter {
    triggers: u64,
    /// Grid step, ordinal at it and frame of the last trigger that had one.
    last: Option<(i64, u32, u64)>,
    /// Slice of the last trigger.
    pub last_slice: Option<usize>,
}

impl TriggerCounter {
    /// The index of the draws of a trigger at absolute frame `now`; counts it.
    pub fn next(&mut self, variation: &Variation, song: &SongPosition, now: u64) -> Index {
        let trigger = self.triggers;
        self.triggers += 1;
        match variation.mode {
            VariationMode::Live => Index::Trigger(trigger),
            VariationMode::Held => Index::Frozen(variation.frozen.max(0.0) as u64),
            VariationMode::Placed => match song.grid_step(now) {
                Some(step) => self.placed(step, song.frames_per_grid_step(), now),
                // Not the live stream, so that the two modes never agree by accident.
                None => Index::GridStep(i64::MIN, trigger as u32),
            },
        }
    }

    /// Numbers the triggers that fall on the same grid step, so that each has draws of its own.
    fn placed(&mut self, step: i64, frames_per_step: f64, now: u64) -> Index {
        let ordinal = match self.last {
            Some((last, n, at)) if last == step && ((now - at) as f64) < 1.5 * frames_per_step => n + 1,
            _ => 0,
        };
        self.last = Some((step, ordinal, now));
        Index::GridStep(step, ordinal)
    }

    /// Which of the `fitting` slices (indices into the pad's slices, not empty) sounds. In turn: the next after
    /// the last one. At random: any but the last one. A placed or frozen index decides alone, since the same
    /// grid step must always sound the same.
    pub fn choose(&mut self, fitting: &[usize], random: bool, index: Index, draws: &mut Draws) -> usize {
        let after_last = || match self.last_slice {
            Some(last) => fitting.iter().position(|&s| s > last).unwrap_or(0),
            None => 0,
        };
        let chosen = match index {
            Index::Frozen(_) => draws.below(fitting.len()),
            Index::GridStep(step, _) if step != i64::MIN => draws.below(fitting.len()),
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

#[cfg(test)]
mod tests {
    use super::super::draw::{
        DrawPurpose,
        statistics::{kolmogorov_smirnov, uniform},
    };
    use super::{super::transport::Transport, *};

    #[test]
    fn a_thousand_triggers_vary_uniformly_within_their_ranges() {
        let v =
            Variation { start_ms: 2.0, pitch_ct: 30.0, level_db: 1.5, cut_oct: 0.5, ..Variation::default() };
        let offsets: Vec<Offsets> = (0..1000)
            .map(|n| {
                Offsets::draw(&v, 2.0, Index::Trigger(n), |i| Draws::new(4, 1, i, DrawPurpose::Variation))
            })
            .collect();
        let fits = |value: &dyn Fn(&Offsets) -> f64, range: f64| {
            let d = kolmogorov_smirnov(offsets.iter().map(value).collect(), uniform(-range, range));
            assert!(d < 1.0, "range {range}: {d}");
        };
        fits(&|s| s.start_ms, 4.0);
        fits(&|s| s.pitch_st, 0.6);
        fits(&|s| s.level_db, 3.0);
        fits(&|s| s.cut_oct, 1.0);
    }

    #[test]
    fn consecutive_live_triggers_differ_in_start_and_pitch_follows_start() {
        let v = Variation { start_ms: 1.0, pitch_ct: 100.0, ..Variation::default() };
        for seed in 0..20 {
            let offsets = |n| {
                Offsets::draw(&v, 1.0, Index::Trigger(n), |i| Draws::new(seed, 3, i, DrawPurpose::Variation))
            };
            for n in (0..200).chain(u64::MAX - 20..u64::MAX - 1) {
                let (a, b) = (offsets(n), offsets(n + 1));
                let turns = (a.start_ms - b.start_ms).abs() / 2.0;
                assert!(turns.min(1.0 - turns) >= LowDiscrepancy::MIN_DISTANCE, "trigger {n}: {turns}");
                assert!(
                    (a.pitch_st - a.start_ms).abs() <= 2.0 * LowDiscrepancy::JITTER + 1e-9,
                    "trigger {n}: {a:?}"
                );
            }
        }
    }

    #[test]
    fn triggers_at_one_grid_step_are_numbered_and_a_loop_repeats_them() {
        let v = Variation { mode: VariationMode::Placed, ..Variation::default() };
        let mut song = SongPosition::new(48_000.0);
        let mut counter = TriggerCounter::default();
        let at = |beats, now, counter: &mut TriggerCounter, song: &mut SongPosition| {
            song.set(Transport { beats: Some(beats), tempo: 120.0 }, now);
            counter.next(&v, song, now)
        };
        assert_eq!(at(2.0, 0, &mut counter, &mut song), Index::GridStep(96, 0));
        assert_eq!(at(2.004, 100, &mut counter, &mut song), Index::GridStep(96, 1), "a flam");
        assert_eq!(at(2.0, 100_000, &mut counter, &mut song), Index::GridStep(96, 0), "the loop's next pass");
        // The transport may jump to an earlier beat.
        assert_eq!(at(0.25, 100_001, &mut counter, &mut song), Index::GridStep(12, 0));
    }
}
