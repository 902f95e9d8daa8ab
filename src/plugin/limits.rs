//! What the plugin accepts from a host; the guards of both formats refuse the rest before the framework sees it.

use std::{ops::RangeInclusive, time::Duration};

/// Sample rates, Hz. Recordings come at 8 kHz to 384 kHz; a power of two beyond that on either side is
/// common practice, no source. At a few Hz the lengths that are derived from the rate make no sense.
const HOST_SAMPLE_RATES: RangeInclusive<f64> = 1_000.0..=768_000.0;

/// Longest block, frames; common practice, no source.
pub(super) const MAX_BLOCK_FRAMES: u32 = 1 << 20;

/// Longest wait for a kit when the host activates the plugin or loads a state: a host that waits
/// is better than a bounce that begins silent.
pub(super) const KIT_TIMEOUT: Duration = Duration::from_secs(30);

/// Whether the plugin plays at `rate` Hz; false for NaN and infinity.
pub(super) fn is_sample_rate(rate: f64) -> bool {
    HOST_SAMPLE_RATES.contains(&rate)
}
