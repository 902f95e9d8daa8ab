//! Any bytes are decoded as the FLAC of a kit or refused, and nothing longer than it may be is kept.
#![no_main]

use kitwright_core::{progress::Quiet, take::Take};
use libfuzzer_sys::fuzz_target;

const MAX_FRAMES: u64 = 1 << 20;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(take) = Take::from_flac("take", 48_000, bytes.into(), MAX_FRAMES, &Quiet) {
        assert!(take.frames() as u64 <= MAX_FRAMES);
    }
});
