//! What the window asks of the audio thread besides the kit.

use crate::take::Take;
use std::sync::Arc;

/// A pad played from the window: the same as its MIDI note, with a finer velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadTrigger {
    /// Index of the pad, 0 to 15; another one is ignored.
    pub pad: usize,
    /// Velocity, above 0 up to 1.
    pub velocity: f32,
}

/// A range of a take, to be played as it was recorded.
#[derive(Debug, Clone)]
pub struct Preview {
    /// The take.
    pub take: Arc<Take>,
    /// First frame, at the take's own rate.
    pub start: u64,
    /// First frame after it; an empty range ends the preview that plays.
    pub end: u64,
}
