//! How much memory recordings may take.
//!
//! Small files can hold much: half an hour of silence at 384 kHz is 200 KB of FLAC and 5.5 GB of samples.

use crate::error::{Error, Result};
use std::sync::{
    OnceLock,
    atomic::{AtomicU64, Ordering},
};

/// Memory for the recordings of a kit unless the user says otherwise, bytes: half an hour in stereo at
/// 96 kHz.
pub const DEFAULT_MEMORY: u64 = 1_500_000_000;
/// Environment variable that sets another limit, in megabytes (10^6 bytes); the plugin reads it as well.
pub const MEMORY_VARIABLE: &str = "KITWRIGHT_MEMORY_MB";

fn limit() -> &'static AtomicU64 {
    static LIMIT: OnceLock<AtomicU64> = OnceLock::new();
    LIMIT.get_or_init(|| {
        let set = std::env::var(MEMORY_VARIABLE).ok().and_then(|text| text.trim().parse::<u64>().ok());
        set.map_or(DEFAULT_MEMORY, |megabytes| megabytes.saturating_mul(1_000_000)).into()
    })
}

/// Sets how much memory the recordings of a kit may take in this process, bytes.
pub fn set_memory_limit(bytes: u64) {
    limit().store(bytes, Ordering::Relaxed);
}

/// Memory of a recording's samples, bytes.
pub(crate) fn sample_bytes(frames: u64, channels: usize) -> u64 {
    frames.saturating_mul(channels as u64 * size_of::<f32>() as u64)
}

/// Whether recordings may take so much memory; otherwise what is wrong with them, without their name.
pub(crate) fn memory_trouble(bytes: u64) -> Option<String> {
    let most = limit().load(Ordering::Relaxed);
    (bytes > most).then(|| {
        format!(
            "needs {} of memory, more than the {} allowed: use shorter recordings, or raise the limit \
             (option --memory, or the environment variable {MEMORY_VARIABLE})",
            shown(bytes),
            shown(most)
        )
    })
}

fn shown(bytes: u64) -> String {
    match bytes as f64 / 1e9 {
        gigabytes if gigabytes < 1.0 => format!("{:.0} MB", (gigabytes * 1e3).ceil()),
        gigabytes => format!("{gigabytes:.1} GB"),
    }
}

/// Whether the recordings of one kit may take so much memory, bytes.
///
/// # Errors
/// One sentence that says how to raise the limit.
pub fn check_memory(bytes: u64) -> Result<()> {
    memory_trouble(bytes).map_or(Ok(()), |trouble| Err(Error::invalid(format!("the kit {trouble}"))))
}
