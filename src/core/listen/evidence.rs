//! Evidence for a change of level in noise: a likelihood ratio over bands.
//!
//! Where noise hides soft hits, a band's level rises by little and the rise alone cannot be told from the noise's own
//! fluctuation. How unlikely a rise is depends on how many independent values it is a mean of: two decibels over
//! twenty bins are sure, over one bin they are nothing.
//!
//! The figures were found by trial on the noisy takes that `tests/SCORES.md` names.

use super::spectrogram::{MAX_BANDS, Spectrogram};
use crate::units::power_to_db;

/// Frames after an onset whose mean is compared: short for attacks, long for what sounds on.
const SHORT: usize = 4;
const LONG: usize = 16;
/// Frames before it that they are compared with, and frames between that belong to neither.
const PAST: usize = 16;
const GAP: usize = 3;
/// Frames whose windows overlap so far that they hold one independent value.
const OVERLAP: f32 = 4.0;
/// The noise's mean power over its quietest tenth where there is no past yet, at the beginning of a take.
const MEAN_OVER_FLOOR: f32 = 3.0;
/// Added to both powers before they are compared: a share of the band's floor and a share of the mean floor of all bands,
/// so that a band with almost no power (above what a codec keeps) does not count.
const GUARD: f32 = 0.5;
const COMMON_GUARD: f32 = 0.01;

/// Means of a spectrogram over any frames, and what is added to them before they are compared.
pub(super) struct Evidence<'a> {
    spectrogram: &'a Spectrogram,
    floor: [f32; MAX_BANDS],
    guard: [f32; MAX_BANDS],
    /// Sum of each band's power over the frames before each.
    sums: Vec<[f64; MAX_BANDS]>,
}

impl<'a> Evidence<'a> {
    /// Of a spectrogram and the steady power of each of its bands.
    pub(super) fn of(spectrogram: &'a Spectrogram, floor: &[f32; MAX_BANDS]) -> Self {
        let bands = spectrogram.bands;
        let common = COMMON_GUARD * floor[..bands].iter().sum::<f32>() / bands.max(1) as f32;
        let mut sum = [0.0; MAX_BANDS];
        let mut sums = vec![sum];
        sums.extend(spectrogram.power.iter().map(|row| {
            sum.iter_mut().zip(row).for_each(|(s, p)| *s += f64::from(*p));
            sum
        }));
        let guard = floor.map(|f| GUARD * f + common);
        Self { spectrogram, floor: *floor, guard, sums }
    }

    /// Mean power of band `b` over frames `from..to`, cut to those that are there; nothing where none is.
    fn mean(&self, b: usize, from: usize, to: usize) -> Option<f32> {
        let last = self.sums.len() - 1;
        let (from, to) = (from.min(last), to.min(last));
        (to > from).then(|| ((self.sums[to][b] - self.sums[from][b]) / (to - from) as f64) as f32)
    }

    /// Ratios of the `frames` from frame `t` to the past, per band.
    fn ratios(&self, t: usize, frames: usize) -> impl Iterator<Item = f32> {
        (0..self.spectrogram.bands).map(move |b| {
            let past =
                if t < GAP + SHORT { None } else { self.mean(b, t.saturating_sub(GAP + PAST), t - GAP) };
            let past = past.unwrap_or(MEAN_OVER_FLOOR * self.floor[b]) + self.guard[b];
            self.mean(b, t, t + frames).unwrap_or(0.0) / past
        })
    }

    /// 10 lg(1 + L), dB, with L the logarithm of the likelihood ratio of a rise at frame `t`, summed over bands. For a mean of n
    /// exponentially distributed powers it is n (r - 1 - ln r), with r the ratio of the mean to what it was before
    /// (J. Sohn, N. S. Kim, W. Sung, "A statistical model-based voice activity detection", IEEE Signal Processing
    /// Letters 6, 1999).
    fn likelihood_db(&self, t: usize, frames: usize) -> f32 {
        let each = self.ratios(t, frames).zip(&self.spectrogram.bins);
        let sum: f32 = each.filter(|(r, _)| *r > 1.0).map(|(r, bins)| bins * (r - 1.0 - libm::logf(r))).sum();
        power_to_db(1.0 + sum * frames as f32 / OVERLAP)
    }

    /// For an attack at each frame.
    pub(super) fn curve(&self) -> Vec<f32> {
        (0..self.spectrogram.power.len()).map(|t| self.likelihood_db(t, SHORT)).collect()
    }

    /// For a sound that lasts, at frame `t`.
    pub(super) fn lasting(&self, t: usize) -> f32 {
        self.likelihood_db(t, LONG)
    }

    /// Mean rise of all bands and mean rise of the three that rise the most, dB.
    pub(super) fn rises_db(&self, t: usize) -> [f32; 2] {
        let mut rises: Vec<f32> = self.ratios(t, SHORT).map(|r| power_to_db(r.max(1.0))).collect();
        rises.sort_by(|a, b| b.total_cmp(a));
        let mean = |part: &[f32]| part.iter().sum::<f32>() / part.len().max(1) as f32;
        [mean(&rises), mean(&rises[..rises.len().min(3)])]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twelve bands of steady power, the upper ones with more bins, that all rise by `rise_db` at frame 60.
    fn rising(rise_db: f32) -> Spectrogram {
        let rise = crate::units::db_to_power(rise_db);
        let power = (0..120).map(|t| [if t < 60 { 0.01 } else { 0.01 * rise }; MAX_BANDS]).collect();
        let bins = (0..12).map(|b| 1.0 + b as f32).collect();
        Spectrogram {
            hop: 128,
            window: 512,
            first: 0,
            length: 120 * 128,
            bands: 12,
            centres_hz: vec![1000.0; 12],
            bins,
            power,
        }
    }

    #[test]
    fn the_likelihood_ratio_is_that_of_exponentially_distributed_powers() {
        let (s, floor) = (rising(3.0), [0.0; MAX_BANDS]);
        let evidence = Evidence { guard: [0.0; MAX_BANDS], ..Evidence::of(&s, &floor) };
        // 78 bins, each with a ratio of 1.9953: 78 (0.9953 - ln 1.9953) = 23.75
        assert!((evidence.curve()[60] - power_to_db(24.75_f32)).abs() < 0.01, "{}", evidence.curve()[60]);
        assert!((evidence.lasting(60) - power_to_db(1.0 + 4.0 * 23.75_f32)).abs() < 0.01);
        assert_eq!(evidence.curve()[40], 0.0);
    }

    #[test]
    fn evidence_is_highest_where_the_level_rises_and_grows_with_the_rise() {
        let highest = |rise_db: f32| {
            let (s, floor) = (rising(rise_db), [0.005; MAX_BANDS]);
            let curve = Evidence::of(&s, &floor).curve();
            let at = (0..curve.len()).max_by(|&a, &b| curve[a].total_cmp(&curve[b])).unwrap();
            (at, curve[at])
        };
        let (at, soft) = highest(1.0);
        assert!((59..=63).contains(&at), "frame {at}");
        assert!(highest(6.0).1 > soft + 10.0);
    }
}
