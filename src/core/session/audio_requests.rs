//! What the window asks of the audio thread besides the kit.

use crate::take::Take;
use std::sync::Arc;

/// A pad played from the window: the same as its MIDI note, with a finer velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadTrigger {
    /// Index of the pad, 0 to 15; another one is ignored.
    pub pad: usize,
    /// Velocity, above 0 up to 1; 0 lets the pad's key go.
    pub velocity: f32,
}

/// A key pressed or let go in the window, as MIDI would bring it: for key parts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeyTrigger {
    /// MIDI channel, 0 to 15.
    pub channel: u8,
    /// MIDI note, 0 to 127.
    pub key: u8,
    /// Velocity, above 0 up to 1; 0 lets the key go.
    pub velocity: f32,
}

/// A key that came in as MIDI.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReceivedKey {
    /// Counts the keys that came in, wrapping after 65,535; two keys in a row differ in it.
    pub count: u16,
    /// MIDI channel, 0 to 15.
    pub channel: u8,
    /// MIDI note, 0 to 127.
    pub key: u8,
}

impl ReceivedKey {
    pub(super) fn pack(self) -> u32 {
        u32::from(self.count) << 16 | u32::from(self.channel & 15) << 8 | u32::from(self.key & 127)
    }

    pub(super) fn unpack(bits: u32) -> Self {
        let byte = |shift: u32| (bits >> shift & 0xff) as u8;
        Self { count: (bits >> 16) as u16, channel: byte(8), key: byte(0) }
    }
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
