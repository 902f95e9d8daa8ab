//! Power over time in short steps, summed over channels, direct current removed.

use crate::take::Take;

/// Mean power of short blocks of the take.
pub(super) struct Envelope {
    /// Samples per block.
    pub step: usize,
    /// Sample rate, Hz.
    pub rate: f64,
    /// Mean power per block, summed over channels.
    pub power: Vec<f32>,
}

/// Blocks of a quarter of a millisecond.
pub(super) fn envelope(take: &Take) -> Envelope {
    let rate = f64::from(take.sample_rate);
    let step = ((rate * 0.000_25) as usize).max(1);
    let mut power = vec![0.0f32; take.frames().div_ceil(step)];
    for channel in &take.channels {
        let mean = channel.iter().map(|&x| f64::from(x)).sum::<f64>() / channel.len().max(1) as f64;
        for (p, block) in power.iter_mut().zip(channel.chunks(step)) {
            *p += block.iter().map(|x| (x - mean as f32).powi(2)).sum::<f32>() / block.len() as f32;
        }
    }
    Envelope { step, rate, power }
}
