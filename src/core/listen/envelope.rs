//! Power of a take over time in short steps, summed over channels, DC offset removed.

use super::recorded::recorded;
use crate::{take::Take, units::power_to_db};
use std::ops::Range;

/// Length of a block, seconds.
const BLOCK_S: f64 = 0.000_25;
/// Length over which the noise floor is measured, seconds.
const FLOOR_S: f64 = 0.01;
/// A recording fades in where its first steps of [`FLOOR_S`] lie this far below the highest of some more, dB (our choice).
const STEP_STEPS: usize = 3;
const FADE_STEPS: usize = 25;
const FADE_DB: f32 = 20.0;

/// Power of a whole take over time: means over blocks of a quarter of a millisecond.
pub(super) struct TakeEnvelope {
    /// Samples per block.
    pub step: usize,
    /// Sample rate, Hz.
    pub rate: f64,
    /// Mean power per block, summed over channels.
    pub power: Vec<f32>,
    /// Mean of each channel where it was recorded: its DC offset.
    pub means: Vec<f32>,
    /// Frames that were recorded, see [`recorded`].
    pub recorded: Range<usize>,
}

impl TakeEnvelope {
    /// The envelope of all channels of `take`.
    pub(super) fn of(take: &Take) -> Self {
        let rate = f64::from(take.sample_rate);
        let step = ((rate * BLOCK_S) as usize).max(1);
        let mut power = vec![0.0f32; take.frames().div_ceil(step)];
        let recorded = recorded(take);
        let mean = |c: &[f32]| (c.iter().map(|&x| f64::from(x)).sum::<f64>() / c.len().max(1) as f64) as f32;
        let means: Vec<f32> = take.channels.iter().map(|c| mean(&c[recorded.clone()])).collect();
        for (channel, mean) in take.channels.iter().zip(&means) {
            for (p, block) in power.iter_mut().zip(channel.chunks(step)) {
                *p += block.iter().map(|x| (x - mean).powi(2)).sum::<f32>() / block.len() as f32;
            }
        }
        Self { step, rate, power, means, recorded }
    }

    /// Blocks in a step of about `seconds`.
    fn blocks(&self, seconds: f64) -> usize {
        ((seconds * self.rate) as usize / self.step).max(1)
    }

    /// Power in steps of about `seconds`, and the number of blocks in a step.
    pub(super) fn steps(&self, seconds: f64) -> (Vec<f32>, usize) {
        let blocks = self.blocks(seconds);
        (means_of(&self.power, blocks), blocks)
    }

    /// Power of the blocks that were wholly recorded.
    fn recorded_power(&self) -> &[f32] {
        &self.power[self.recorded.start.div_ceil(self.step).min(self.power.len())..]
    }

    /// Whether the recording begins with a step and not with a fade.
    pub(super) fn begins_with_a_step(&self) -> bool {
        let blocks = self.blocks(FLOOR_S);
        let highest = |steps: usize| {
            let part = self.recorded_power().iter().take(steps * blocks).copied();
            means_of(&part.collect::<Vec<_>>(), blocks).into_iter().fold(1e-18, f32::max)
        };
        power_to_db(highest(FADE_STEPS) / highest(STEP_STEPS)) < FADE_DB
    }

    /// Mean power of the take over its noise floor, dB; very high where the floor is digital silence.
    pub(super) fn over_floor_db(&self) -> f32 {
        let power = self.recorded_power();
        let mean = power.iter().sum::<f32>() / power.len().max(1) as f32;
        power_to_db(mean.max(1e-18)) - power_to_db(self.floor().max(1e-18))
    }

    /// Power of the noise floor: the quietest tenth of the take stays below.
    pub(super) fn floor(&self) -> f32 {
        let mut steps = means_of(self.recorded_power(), self.blocks(FLOOR_S));
        let at = steps.len() / 10;
        if steps.is_empty() { 0.0 } else { *steps.select_nth_unstable_by(at, f32::total_cmp).1 }
    }
}

/// Means of so many blocks each.
fn means_of(power: &[f32], blocks: usize) -> Vec<f32> {
    power.chunks(blocks).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect()
}
