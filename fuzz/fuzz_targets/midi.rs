//! Any bytes are read as a MIDI file or refused; its times are finite and in order.
#![no_main]

use kitwright_core::export::Score;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(score) = Score::parse(bytes) {
        assert!(score.events.iter().all(|e| e.seconds.is_finite()));
        assert!(score.events.is_sorted_by(|a, b| a.seconds <= b.seconds));
    }
});
