//! Layers, what they read, and the cloud of copies around them.

use crate::{
    settings::{Curve, Setting, Unit, choice, settings},
    units::ms_to_frames,
};
use serde::{Deserialize, Serialize};

/// A stretch of a take.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Slice {
    /// Index into the kit's takes.
    pub take: usize,
    /// First frame, at the take's own rate.
    pub start: u64,
    /// First frame after it.
    pub end: u64,
    /// Gain that makes slices of one pad equally strong, dB: [`SLICE`].
    #[serde(default)]
    pub gain_db: f32,
    /// Velocities (0 to 1, inclusive) that play this slice; alternates share a range.
    #[serde(default = "whole_range")]
    pub velocities: [f32; 2],
}

fn whole_range() -> [f32; 2] {
    [0.0, 1.0]
}

/// The settings of [`Slice`].
pub static SLICE: [Setting<Slice>; 1] = [Setting {
    id: "gain_db",
    name: "Gain",
    unit: Unit::Decibels,
    min: -120.0,
    max: 120.0,
    curve: Curve::Linear,
    default: 0.0,
    help: "Makes the slices of a pad equally strong.",
    get: |slice| slice.gain_db,
    set: |slice, v| slice.gain_db = v,
}];

/// One reading of a slice.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Layer {
    /// Its own slice; `None` reads the slice that the pad chose for this hit.
    pub slice: Option<Slice>,
    /// How it is read.
    #[serde(flatten)]
    pub settings: LayerSettings,
}

/// How far on either side of its point a tail reads the hit at most, ms: short enough to follow a hit, long enough to
/// resolve 30 Hz.
pub(crate) const TAIL_REACH_MS: f64 = 60.0;
/// How many frames of the hit a tail needs at least on either side of its point.
const MIN_TAIL_REACH: u64 = 64;
/// [`LayerSettings::end_ms`] that stops nothing.
pub(crate) const NO_END_MS: f32 = 60_000.0;

impl LayerSettings {
    /// Frame of a slice at which its tail begins, where the slice has so many `frames` of a take at `rate` Hz; `None` where
    /// it has no tail: none is set, the slice is read backwards, or the tail would not begin within it.
    pub fn tail_from(&self, frames: u64, rate: f64) -> Option<u64> {
        let from = ms_to_frames(f64::from(self.tail_ms), rate).round() as u64;
        let within = from >= MIN_TAIL_REACH && from + MIN_TAIL_REACH <= frames;
        (within && !self.reverse).then_some(from)
    }
}

settings! {
    /// How a layer reads its slice.
    ///
    /// Envelope: level rises from 0 to 1 in `attack_ms`, stays for `hold_ms`, falls to `sustain` in
    /// `decay_ms` and, in a held pad, from there to 0 in `release_ms` after the key is let go; a
    /// one-shot pad goes on to 0 as if `sustain` were 0. Curves bend a stretch: 0 is a straight line in
    /// amplitude, 1 falls fast first (exponential), -1 falls slowly first.
    pub struct LayerSettings, table LAYER, count LAYER_COUNT {
        on: bool = 1.0, "On", Switch, 0.0 ..= 1.0, Linear, "Plays this layer.";
        start_ms: f32 = 0.0, "Start", Milliseconds, 0.0 ..= 2000.0, Fine, "Skips this much of the hit: past the attack, into the body or the noise.";
        end_ms: f32 = 60000.0, "End", Milliseconds, 1.0 ..= 60000.0, Fine, "Stops reading this long after the hit's start, its tail included; fully up reads to the end.";
        tail_ms: f32 = 0.0, "Tail", Milliseconds, 0.0 ..= 2000.0, Fine, "From here on the hit goes on as noise of its own spectrum, as long as the envelope lasts: for hits that end too soon. 0 is off.";
        channels: Channels = 0.0, "Channels", Choice(CHANNELS_WORDS), 0.0 ..= 2.0, Linear, "What it plays of a stereo recording: both sides, or one of them, in the middle. One alone loses nothing where a song is heard in mono.";
        reverse: bool = 0.0, "Reverse", Switch, 0.0 ..= 1.0, Linear, "Reads the slice backwards.";
        loop_on: bool = 0.0, "Loop", Switch, 0.0 ..= 1.0, Linear, "Repeats the end of the slice while a held pad's key is down; a layer with a tail sounds on without it.";
        loop_ms: f32 = 100.0, "Loop length", Milliseconds, 5.0 ..= 5000.0, Fine, "Length of the repeated stretch at the end of the slice.";
        fade_ms: f32 = 20.0, "Loop fade", Milliseconds, 1.0 ..= 1000.0, Fine, "Crossfade between the repeats.";
        pitch_st: f32 = 0.0, "Pitch", Semitones, -48.0 ..= 48.0, Linear, "Plays the slice higher and shorter, or lower and longer.";
        fine_ct: f32 = 0.0, "Fine", Cents, -100.0 ..= 100.0, Linear, "Tunes by hundredths of a semitone.";
        drop_st: f32 = 0.0, "Drop", Semitones, -48.0 ..= 48.0, Linear, "Starts this much higher and falls to the pitch: what makes a kick out of a thud.";
        drop_ms: f32 = 40.0, "Drop time", Milliseconds, 1.0 ..= 2000.0, Fine, "Time until 63 % of the drop is done.";
        attack_ms: f32 = 0.0, "Attack", Milliseconds, 0.0 ..= 2000.0, Fine, "Fades in.";
        hold_ms: f32 = 0.0, "Hold", Milliseconds, 0.0 ..= 5000.0, Fine, "Keeps full level after the attack.";
        decay_ms: f32 = 5000.0, "Decay", Milliseconds, 1.0 ..= 10000.0, Fine, "Falls to the sustain level: shorter is drier.";
        sustain: f32 = 0.0, "Sustain", Percent, 0.0 ..= 1.0, Linear, "Level kept while a held pad's key is down.";
        release_ms: f32 = 50.0, "Release", Milliseconds, 0.0 ..= 5000.0, Fine, "Falls to silence after the key is let go.";
        attack_curve: f32 = 0.0, "Attack curve", Plain, -1.0 ..= 1.0, Linear, "Bends the attack.";
        decay_curve: f32 = 0.5, "Decay curve", Plain, -1.0 ..= 1.0, Linear, "Bends the decay: above zero it falls fast first.";
        release_curve: f32 = 0.5, "Release curve", Plain, -1.0 ..= 1.0, Linear, "Bends the release.";
        low_cut_hz: f32 = 20.0, "Low cut", Hertz, 20.0 ..= 16000.0, Logarithmic, "Takes away what lies below; fully down it is off.";
        high_cut_hz: f32 = 20000.0, "High cut", Hertz, 40.0 ..= 20000.0, Logarithmic, "Takes away what lies above; fully up it is off.";
        steep: bool = 0.0, "Steep", Switch, 0.0 ..= 1.0, Linear, "Cuts with 24 dB per octave instead of 12.";
        resonance: f32 = 0.707, "Resonance", Q, 0.5 ..= 10.0, Logarithmic, "Lifts the edge of the high cut.";
        sweep_oct: f32 = 0.0, "Sweep", Octaves, -6.0 ..= 6.0, Linear, "Starts with the high cut this much higher and lets it fall back.";
        sweep_ms: f32 = 80.0, "Sweep time", Milliseconds, 1.0 ..= 5000.0, Fine, "Time until 63 % of the sweep is done.";
        level_db: f32 = 0.0, "Level", Decibels, -60.0 ..= 24.0, Linear, "Makes the layer louder or softer.";
        pan: f32 = 0.0, "Pan", Pan, -1.0 ..= 1.0, Linear, "Moves the layer between left and right.";
        delay_ms: f32 = 0.0, "Delay", Milliseconds, 0.0 ..= 500.0, Fine, "Starts the layer later than the stroke.";
        velocity_level: f32 = 0.7, "Velocity to level", Percent, 0.0 ..= 3.0, Linear, "How much softer a soft stroke is.";
        velocity_cut_oct: f32 = 0.0, "Velocity to high cut", Octaves, 0.0 ..= 6.0, Linear, "How much darker a soft stroke is.";
        velocity_pitch_st: f32 = 0.0, "Velocity to pitch", Semitones, -12.0 ..= 12.0, Linear, "How much higher a hard stroke is than a soft one.";
    }
}

choice! {
    /// Which channels of a stereo take are played.
    pub enum Channels words CHANNELS_WORDS {
        /// Left and right as they are.
        Both = "both",
        /// The left one, as if it were mono.
        Left = "left",
        /// The right one, as if it were mono.
        Right = "right",
    }
}

choice! {
    /// How the copies of a cloud fall in time.
    pub enum Timing words TIMING_WORDS {
        /// At equal distances, slightly loosened.
        Even = "even",
        /// Dense at the start.
        Early = "early",
        /// Dense towards the end.
        Late = "late",
        /// In bursts, the last one long: a hand clap.
        Bursts = "bursts",
    }
}

choice! {
    /// How the pitches of a cloud are drawn.
    pub enum Draw words DRAW_WORDS {
        /// Every pitch in the range equally likely.
        Uniform = "uniform",
        /// Most near the middle; the range is two standard deviations.
        Gaussian = "gaussian",
    }
}

settings! {
    /// The randomised, pitched, closely spaced copies that make a hit sound like several people.
    pub struct Cloud, table CLOUD, count CLOUD_COUNT {
        copies: u8 = 0.0, "Copies", Count, 0.0 ..= 48.0, Linear, "How many copies fall around the hit; 0 is off.";
        spread_ms: f32 = 30.0, "Spread", Milliseconds, 0.0 ..= 1000.0, Fine, "Time within which the copies fall.";
        timing: Timing = 0.0, "Timing", Choice(TIMING_WORDS), 0.0 ..= 3.0, Linear, "How the copies bunch in time.";
        bursts: u8 = 4.0, "Bursts", Count, 2.0 ..= 8.0, Linear, "How many bursts a clap has.";
        burst_gap_ms: f32 = 11.0, "Burst gap", Milliseconds, 4.0 ..= 40.0, Linear, "Time between bursts; 8 to 15 ms sound like one rough clap.";
        pitch_st: f32 = 1.0, "Pitch range", Semitones, 0.0 ..= 12.0, Fine, "Copies are pitched up to this far up and down.";
        pitch_draw: Draw = 0.0, "Pitch draw", Choice(DRAW_WORDS), 0.0 ..= 1.0, Linear, "How the pitches are drawn.";
        pitch_steps: bool = 0.0, "Semitone steps", Switch, 0.0 ..= 1.0, Linear, "Draws whole semitones only.";
        fall_db: f32 = 0.0, "Fall", Decibels, 0.0 ..= 60.0, Linear, "How much softer the last copies are than the first: a tail that rings on after a short hit.";
        level_range_db: f32 = 6.0, "Level range", Decibels, 0.0 ..= 40.0, Linear, "Copies are up to this much softer.";
        length_range: f32 = 0.3, "Length range", Percent, 0.0 ..= 0.95, Linear, "Copies are up to this much shorter.";
        reverse_chance: f32 = 0.0, "Reverse chance", Percent, 0.0 ..= 1.0, Linear, "Share of the copies that are read backwards.";
        width: f32 = 0.6, "Width", Percent, 0.0 ..= 1.0, Linear, "How far the copies stand apart between left and right.";
        window_ms: f32 = 2.0, "Soft edge", Milliseconds, 0.0 ..= 50.0, Fine, "Fades each copy in and out.";
        dry_db: f32 = 0.0, "Hit level", Decibels, -60.0 ..= 12.0, Linear, "Level of the hit itself.";
        cloud_db: f32 = 0.0, "Cloud level", Decibels, -60.0 ..= 12.0, Linear, "Level of all copies together.";
        diffusion: f32 = 0.0, "Diffusion", Percent, 0.0 ..= 1.0, Linear, "Smears the tail of the cloud.";
    }
}
