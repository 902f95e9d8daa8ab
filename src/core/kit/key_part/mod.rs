//! Key parts: a hit played over the keyboard on a MIDI channel of its own, the bass line and the chords that go with
//! the drums.
//!
//! A part pitches its hit from the hit's fundamental and sustains it by a loop in its tail. The loop is found once,
//! when the part is made ([`find_loop`]), and belongs to the document.

mod choose;
mod find_loop;

pub use choose::KeyPartKind;
pub use find_loop::{FoundLoop, find_loop};

use super::layer::Slice;
use crate::settings::settings;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// Key parts in a kit at most.
pub const KEY_PARTS: usize = 2;
/// Fundamentals that a part can be pitched from, Hz: what can be heard, and an octave on either side.
pub(super) const ROOT_HZ: RangeInclusive<f32> = 10.0..=40_000.0;

/// A hit played over the keyboard.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct KeyPart {
    /// Name to show: "bass", "chords".
    pub name: String,
    /// What it plays; its velocities do not count. `None`: the part is silent, and its channel plays the pads.
    pub slice: Option<Slice>,
    /// Fundamental of the slice as recorded, Hz: 10 to 40,000.
    pub root_hz: f32,
    /// What repeats while a key is held; `None` plays the slice to its end.
    #[serde(rename = "loop")]
    pub sustain: Option<KeyLoop>,
    /// How it is played.
    #[serde(flatten)]
    pub settings: KeyPartSettings,
}

/// The stretch of a slice that repeats: frames of its take.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeyLoop {
    /// First frame.
    pub start: u64,
    /// First frame after it.
    pub end: u64,
    /// Length of the crossfade before the end, from what lies there to what lies before the start: at most the loop,
    /// and at most what the slice holds before it.
    pub fade: u64,
}

settings! {
    /// How a key part is played.
    ///
    /// Envelope: the level rises from 0 to 1 in `attack_ms`, falls to `sustain` in `decay_ms`, and from there to 0 in
    /// `release_ms` after the key is let go.
    pub struct KeyPartSettings, table KEY_PART, count KEY_PART_COUNT {
        on: bool = 1.0, "On", Switch, 0.0 ..= 1.0, Linear, "Plays the part; off, its channel plays the pads.";
        channel: u8 = 2.0, "Channel", Count, 1.0 ..= 16.0, Linear, "MIDI channel that plays the part instead of the pads.";
        low_key: u8 = 0.0, "Lowest key", Count, 0.0 ..= 127.0, Linear, "Lowest key that plays the part; keys below it play the pads.";
        high_key: u8 = 127.0, "Highest key", Count, 0.0 ..= 127.0, Linear, "Highest key that plays the part; keys above it play the pads.";
        mono: bool = 0.0, "Mono", Switch, 0.0 ..= 1.0, Linear, "Plays one key at a time, the last one pressed.";
        glide_ms: f32 = 0.0, "Glide", Milliseconds, 0.0 ..= 2000.0, Fine, "Mono: slides to a key that is pressed while another is held, without a new attack.";
        voices: u8 = 8.0, "Voices", Count, 1.0 ..= 8.0, Linear, "Keys that sound at once when it is not mono.";
        transpose_st: f32 = 0.0, "Transpose", Semitones, -48.0 ..= 48.0, Linear, "Plays every key higher or lower.";
        fine_ct: f32 = 0.0, "Fine", Cents, -100.0 ..= 100.0, Linear, "Tunes by hundredths of a semitone.";
        start_ms: f32 = 0.0, "Start", Milliseconds, 0.0 ..= 2000.0, Fine, "Skips this much of the hit: past the attack, into the tone.";
        loop_on: bool = 1.0, "Loop", Switch, 0.0 ..= 1.0, Linear, "Sustains while a key is held; off plays the hit to its end.";
        attack_ms: f32 = 0.0, "Attack", Milliseconds, 0.0 ..= 5000.0, Fine, "Fades in: slow makes soft chords.";
        decay_ms: f32 = 1000.0, "Decay", Milliseconds, 1.0 ..= 20000.0, Fine, "Falls to the sustain level.";
        sustain: f32 = 1.0, "Sustain", Percent, 0.0 ..= 1.0, Linear, "Level kept while a key is held.";
        release_ms: f32 = 100.0, "Release", Milliseconds, 0.0 ..= 10000.0, Fine, "Falls to silence after the key is let go.";
        low_cut_hz: f32 = 20.0, "Low cut", Hertz, 20.0 ..= 8000.0, Logarithmic, "Takes away what lies below; fully down it is off.";
        high_cut_hz: f32 = 20000.0, "High cut", Hertz, 100.0 ..= 20000.0, Logarithmic, "Takes away what lies above; fully up it is off.";
        velocity_level: f32 = 0.5, "Velocity to level", Percent, 0.0 ..= 3.0, Linear, "How much softer a soft stroke is.";
        level_db: f32 = 0.0, "Level", Decibels, -60.0 ..= 24.0, Linear, "Makes the part louder or softer.";
        pan: f32 = 0.0, "Pan", Pan, -1.0 ..= 1.0, Linear, "Moves the part between left and right.";
    }
}

impl KeyPart {
    /// Whether it plays key `note` (0 to 127) of MIDI channel `channel` (0 to 15) in place of the pads.
    pub fn answers(&self, channel: u8, note: u8) -> bool {
        let s = &self.settings;
        s.on && self.slice.is_some() && s.channel == channel + 1 && (s.low_key..=s.high_key).contains(&note)
    }
}

impl KeyLoop {
    /// Whether it lies within `slice`, with room before it for its crossfade.
    pub fn fits(&self, slice: &Slice) -> bool {
        slice.start <= self.start
            && self.start < self.end
            && self.end <= slice.end
            && self.fade <= self.end - self.start
            && self.fade <= self.start - slice.start
    }
}
