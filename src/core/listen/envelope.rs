//! Power of a take over time in short steps, summed over channels, DC offset removed.

use crate::{take::Take, units::power_to_db};

/// Length of a block, seconds.
const BLOCK_S: f64 = 0.000_25;
/// Length over which the noise floor is measured, seconds.
const FLOOR_S: f64 = 0.01;

/// Power of a whole take over time: means over blocks of a quarter of a millisecond.
pub(super) struct TakeEnvelope {
    /// Samples per block.
    pub step: usize,
    /// Sample rate, Hz.
    pub rate: f64,
    /// Mean power per block, summed over channels.
    pub power: Vec<f32>,
    /// Mean of each channel: its DC offset.
    pub means: Vec<f32>,
}

impl TakeEnvelope {
    /// The envelope of all channels of `take`.
    pub(super) fn of(take: &Take) -> Self {
        let rate = f64::from(take.sample_rate);
        let step = ((rate * BLOCK_S) as usize).max(1);
        let mut power = vec![0.0f32; take.frames().div_ceil(step)];
        let mean = |c: &[f32]| (c.iter().map(|&x| f64::from(x)).sum::<f64>() / c.len().max(1) as f64) as f32;
        let means: Vec<f32> = take.channels.iter().map(|c| mean(c)).collect();
        for (channel, mean) in take.channels.iter().zip(&means) {
            for (p, block) in power.iter_mut().zip(channel.chunks(step)) {
                *p += block.iter().map(|x| (x - mean).powi(2)).sum::<f32>() / block.len() as f32;
            }
        }
        Self { step, rate, power, means }
    }

    /// Power in steps of about `seconds`, and the number of blocks in a step.
    pub(super) fn steps(&self, seconds: f64) -> (Vec<f32>, usize) {
        let blocks = ((seconds * self.rate) as usize / self.step).max(1);
        (self.power.chunks(blocks).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect(), blocks)
    }

    /// Mean power of the take over its noise floor, dB; very high where the floor is digital silence.
    pub(super) fn over_floor_db(&self) -> f32 {
        let mean = self.power.iter().sum::<f32>() / self.power.len().max(1) as f32;
        power_to_db(mean.max(1e-18)) - power_to_db(self.floor().max(1e-18))
    }

    /// Power of the noise floor: the quietest tenth of the take stays below.
    pub(super) fn floor(&self) -> f32 {
        let (mut steps, _) = self.steps(FLOOR_S);
        let at = steps.len() / 10;
        if steps.is_empty() { 0.0 } else { *steps.select_nth_unstable_by(at, f32::total_cmp).1 }
    }
}
