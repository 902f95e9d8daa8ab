//! Takes: recordings of one instrument, kept whole and unaltered.

mod decode;
mod edits;
mod flac;
mod flac_read;
mod guarded;
mod lossy;
mod memory;
mod mix;
mod pyramid;
pub mod shift;
mod source;
mod tags;
mod trouble;

pub use decode::{MAX_SECONDS, SAMPLE_RATES, is_decoding};
pub(crate) use guarded::{Allowance, GuardedSource};
pub use lossy::LossyCodec;
pub use memory::{DEFAULT_MEMORY, MEMORY_VARIABLE, check_memory, set_memory_limit};
pub(crate) use memory::{memory_trouble, sample_bytes};
pub use pyramid::{Pyramid, sample_range, widest};
pub use source::MAX_FILE_BYTES;

use std::sync::{Arc, OnceLock};

/// One recording of one instrument at its own sample rate, mono or stereo.
///
/// Samples are full scale ±1.0 and lie on a 24-bit grid (integers / 2^23), so that a kit file, which
/// keeps takes as FLAC of up to 24 bits, plays bit for bit like the take it was made from. A float recording
/// that exceeds ±1.0 is scaled by a power of two; see [`Take::read`].
#[derive(Debug)]
pub struct Take {
    /// Name to show: the file name without its folder.
    pub name: String,
    /// Frames per second, in Hz (8,000 to 384,000).
    pub sample_rate: u32,
    /// One or two channels of equal length; `[channel][frame]`.
    pub channels: Vec<Vec<f32>>,
    /// What the user should know about the import (mixed down, scaled), one sentence each.
    pub notices: Vec<String>,
    /// The lossy codec of the file it was decoded from; `None` as well in kits saved before this was kept.
    pub lossy: Option<LossyCodec>,
    /// FLAC bytes, encoded at the first save and kept: takes never change.
    flac: OnceLock<Arc<[u8]>>,
    offset: OnceLock<[f32; 2]>,
}

/// Smallest offset that is removed: a smaller one moves a full-scale peak by less than 0.01 dB (20 log10 1.001).
const MIN_OFFSET: f64 = 0.001;

impl Take {
    /// A take from samples; `channels` is `[channel][frame]`, one or two of equal length, each
    /// sample is moved to the nearest step of the 24-bit grid and clipped to ±1.0. Numbers that are not finite become 0.
    /// The count and lengths of channels are not checked.
    pub fn from_samples(name: impl Into<String>, sample_rate: u32, mut channels: Vec<Vec<f32>>) -> Self {
        put_on_grid(&mut channels);
        Self::from_exact_samples(name, sample_rate, channels)
    }

    /// As [`Take::from_samples`], with the samples as they are, also beyond ±1: for takes that are only tried and never
    /// saved.
    pub(crate) fn from_exact_samples(
        name: impl Into<String>,
        sample_rate: u32,
        channels: Vec<Vec<f32>>,
    ) -> Self {
        Self {
            name: name.into(),
            sample_rate,
            channels,
            notices: Vec::new(),
            lossy: None,
            flac: OnceLock::new(),
            offset: OnceLock::new(),
        }
    }

    /// Constant offset (DC) of the left and right channel, the mean of all samples: 0 where it is smaller than 0.001,
    /// so that takes without an offset play sample by sample as they were recorded. Computed once.
    pub fn offset(&self) -> [f32; 2] {
        *self.offset.get_or_init(|| {
            let mean = |channel: &Vec<f32>| {
                let sum: f64 = channel.iter().map(|&s| f64::from(s)).sum();
                let mean = sum / channel.len().max(1) as f64;
                if mean.abs() < MIN_OFFSET { 0.0 } else { mean as f32 }
            };
            let left = self.channels.first().map_or(0.0, mean);
            [left, self.channels.get(1).map_or(left, mean)]
        })
    }

    /// The same take with this offset instead of its samples' own: for what was cut out of a longer take.
    pub fn with_offset(mut self, offset: [f32; 2]) -> Self {
        self.offset = offset.into();
        self
    }

    /// The same take as one decoded from a lossy file.
    pub fn with_lossy(mut self, lossy: Option<LossyCodec>) -> Self {
        self.lossy = lossy;
        self
    }

    /// Memory that its samples take, bytes.
    pub fn memory(&self) -> u64 {
        memory::sample_bytes(self.frames() as u64, self.channels.len())
    }

    /// Length in frames (samples per channel).
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.sample_rate)
    }
}

/// Not generic, so that it is compiled here and optimised.
fn put_on_grid(channels: &mut [Vec<f32>]) {
    channels.iter_mut().flatten().for_each(|sample| *sample = on_grid(*sample));
}

/// The nearest step of the 24-bit grid, ties to the even one; 0 for what is no number.
fn on_grid(sample: f32) -> f32 {
    const FULL_SCALE_24_BIT: f32 = 8_388_608.0; // 2^23
    let steps = (sample * FULL_SCALE_24_BIT).clamp(-FULL_SCALE_24_BIT, FULL_SCALE_24_BIT - 1.0);
    // from 2^23 to 2^24 neighbouring numbers are 1 apart, so that the sum is rounded; `round_ties_even` is a call of the
    // system's library for every sample where the processor's newer instructions may not be used
    let steps = (steps.abs() + FULL_SCALE_24_BIT - FULL_SCALE_24_BIT).copysign(steps);
    if sample.is_finite() { steps / FULL_SCALE_24_BIT } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::on_grid;

    #[test]
    fn samples_are_rounded_as_the_standard_library_rounds() {
        let rounded = |sample: f32| {
            let steps = if sample.is_finite() { (sample * 8_388_608.0).round_ties_even() } else { 0.0 };
            steps.clamp(-8_388_608.0, 8_388_607.0) / 8_388_608.0
        };
        // numbers of every size and sign, infinities and no numbers among them
        let bits = (0..=u32::MAX).step_by(997);
        let ties = (0..4000_u32).flat_map(|half| {
            [0.5, 4_194_304.0, 8_388_600.0].map(|from| ((from + half as f32 * 0.5) / 8_388_608.0).to_bits())
        });
        for sample in bits.chain(ties).map(f32::from_bits) {
            for sample in [sample, -sample] {
                assert_eq!(on_grid(sample).to_bits(), rounded(sample).to_bits(), "{sample:e}");
            }
        }
    }
}
