//! What is no hit although it begins like one: the background of a take that sets in (a room, a hum, the rounding of
//! 16 bits) and traces far below all hits (of codecs).
//!
//! The figures separate 2,782 true hits of assembled and real recordings, clean and in pink noise, from the beginnings of
//! background in the same recordings (`tests/SCORES.md`).

use super::{envelope::TakeEnvelope, hit::Hit};
use crate::units::power_to_db;

/// Steps over which levels are compared, seconds.
const STEP_S: f64 = 0.01;
/// Steps of a hit's head, and the end of what follows it.
const HEAD: usize = 7;
const AFTER: usize = 25;
/// Background comes no further than this above the take's noise floor, dB...
const OVER_FLOOR_DB: f32 = 6.0;
/// ...falls by no more than this after its beginning, dB...
const FALL_DB: f32 = 3.0;
/// ...and stays this far below the loudest step of the take, dB.
const BELOW_LOUDEST_DB: f32 = 32.0;
/// What lies so far below the loudest step is no hit in any case, dB: the softest true hits lie 41 dB below.
const TRACE_DB: f32 = 45.0;

/// The levels of a take that tell its hits from its background.
pub(super) struct Background {
    /// Levels of the take's steps, dB.
    levels: Vec<f32>,
    step_frames: usize,
    floor_db: f32,
    loudest_db: f32,
}

impl Background {
    /// The background of a take.
    pub(super) fn of(envelope: &TakeEnvelope) -> Self {
        let (steps, blocks) = envelope.steps(STEP_S);
        let levels: Vec<f32> = steps.iter().map(|p| power_to_db(p.max(1e-18))).collect();
        let loudest_db = levels.iter().copied().fold(f32::MIN, f32::max);
        let floor_db = power_to_db(envelope.floor().max(1e-18));
        Self { levels, step_frames: blocks * envelope.step, floor_db, loudest_db }
    }

    /// Whether a detected hit is only background.
    pub(super) fn is(&self, hit: &Hit) -> bool {
        let from = (hit.start as usize / self.step_frames).min(self.levels.len());
        let part = |a: usize, b: usize| {
            &self.levels[(from + a).min(self.levels.len())..(from + b).min(self.levels.len())]
        };
        let head = part(0, HEAD).iter().copied().fold(f32::MIN, f32::max);
        let below = self.loudest_db - head;
        let mut after = part(HEAD, AFTER).to_vec();
        if below >= TRACE_DB || after.is_empty() {
            return below >= TRACE_DB;
        }
        after.sort_by(f32::total_cmp);
        let fall = head - after[after.len() / 2];
        head - self.floor_db < OVER_FLOOR_DB && fall < FALL_DB && below > BELOW_LOUDEST_DB
    }
}
