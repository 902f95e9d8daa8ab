//! Where hits end: by decay to the noise floor, by a gate, or by the next hit.

use super::envelope::TakeEnvelope;
use crate::{take::Take, units::db_to_power};

/// Step in which the decay is followed, seconds: longer than a cycle of a low note, so that the cycles do not show.
const STEP_S: f64 = 0.01;
/// A hit is over when it comes this close to the noise floor (2 dB), as a power.
const NEAR_FLOOR: f32 = 1.6;
/// A hit is over this far below its loudest step, in dB, however quiet the floor is: a gate makes it shorter only.
pub const DECAYED_DB: f32 = 60.0;
/// The loudest step is searched within this time from the start, seconds: bowed notes swell.
const LOUDEST_WITHIN_S: f64 = 0.5;
/// An end is moved to a zero crossing when one comes within this time, seconds.
const CROSSING_S: f64 = 0.01;

/// Finds the ends of a take's hits.
pub(super) struct Ends {
    /// Power per step.
    steps: Vec<f32>,
    /// Samples per step.
    step: usize,
    /// Power of the noise floor: the quietest tenth of the take stays below.
    floor: f32,
    /// A hit is over at this share of its loudest step.
    share: f32,
}

impl Ends {
    /// `gate_db`: how far below its loudest moment a hit is cut off (1 to [`DECAYED_DB`]); by its decay alone when absent.
    pub(super) fn new(envelope: &TakeEnvelope, gate_db: Option<f32>) -> Self {
        let (steps, blocks) = envelope.steps(STEP_S);
        let depth = gate_db.map_or(DECAYED_DB, |db| db.clamp(1.0, DECAYED_DB));
        Self { steps, step: blocks * envelope.step, floor: envelope.floor(), share: db_to_power(-depth) }
    }

    /// First frame after the hit that starts at `start`; `next` is where the next one starts.
    pub(super) fn end(&self, take: &Take, start: usize, next: usize) -> usize {
        let first = start / self.step;
        let last = next.div_ceil(self.step).min(self.steps.len());
        if first + 1 >= last {
            return next;
        }
        let steps = &self.steps[first..last];
        let swell = ((LOUDEST_WITHIN_S * f64::from(take.sample_rate)) as usize / self.step).max(1);
        // The last step may hold the next hit's attack.
        let rising = &steps[..steps.len().min(swell).max(2) - 1];
        let top = (0..rising.len()).max_by(|&a, &b| rising[a].total_cmp(&rising[b])).unwrap_or(0);
        let least = (self.floor * NEAR_FLOOR).max(rising[top] * self.share);
        match (top + 1..steps.len()).find(|&i| steps[i] < least) {
            Some(i) => crossing(take, ((first + i + 1) * self.step).min(next), next),
            None => next,
        }
    }
}

/// The first rising zero crossing of the louder channel from `at` on, if it comes soon: an end there does
/// not cut a cycle.
fn crossing(take: &Take, at: usize, next: usize) -> usize {
    let to = (at + (CROSSING_S * f64::from(take.sample_rate)) as usize).min(next).min(take.frames());
    let from = at.saturating_sub(1);
    if to <= from + 1 {
        return at.min(next);
    }
    let energy = |c: &[f32]| c[from..to].iter().map(|x| x * x).sum::<f32>();
    let louder = take.channels.iter().max_by(|a, b| energy(a).total_cmp(&energy(b)));
    let found = louder.and_then(|c| c[from..to].windows(2).position(|w| w[0] < 0.0 && w[1] >= 0.0));
    found.map_or(at, |i| from + i + 1)
}
