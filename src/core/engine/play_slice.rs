//! A slice prepared for playing, and what every preparation shares.

use crate::{kit::Slice, settings::Setting, take::Take, units::ms_to_frames};
use std::sync::Arc;

/// Where the samples of a slice lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SampleSource {
    /// A take of the kit, by index.
    Take(usize),
    /// A tail of a pad: the pad, and the tail by index.
    Tail(u16, u16),
}

/// How the end of a slice is repeated, in frames of its source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Repetition {
    pub length: usize,
    /// Crossfade to the repetition.
    pub fade: usize,
}

/// A slice that lies within its source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlaySlice {
    pub source: SampleSource,
    pub start: usize,
    /// Above `start`.
    pub end: usize,
    /// Sample rate of the source, Hz.
    pub rate: f64,
    /// Constant offset of its source, left and right.
    pub offset: [f32; 2],
    /// Frame from which on it sounds, counted from its start; below 0 where its start lies within a sound. What starts
    /// later starts with a step.
    pub sounds_from: f64,
    pub gain_db: f32,
    /// Lowest and highest velocity that it is played at.
    pub velocities: [f32; 2],
    /// How it goes on at its end, as a tail does.
    pub repeats: Option<Repetition>,
}

/// What lies this far below the head of a slice is silence beside it (our choice: -34 dB).
const SILENT_SHARE: f32 = 0.02;
/// The head of a slice, and how long before its start there has to be silence, ms (our choice).
const HEAD_MS: f64 = 20.0;
const SILENCE_MS: f64 = 0.5;

/// See [`PlaySlice::sounds_from`].
fn sounds_from(take: &Take, start: usize, end: usize) -> f64 {
    let frames = |ms: f64| ms_to_frames(ms, f64::from(take.sample_rate)) as usize;
    let level = |i: usize| {
        let channels = take.channels.iter().zip(take.offset());
        channels.map(|(samples, offset)| (samples[i] - offset).abs()).fold(0.0, f32::max)
    };
    let head = (start + frames(HEAD_MS)).min(end);
    let silent = SILENT_SHARE * (start..head).map(level).fold(0.0, f32::max);
    let first = (start.saturating_sub(frames(SILENCE_MS))..head).find(|&i| level(i) > silent).unwrap_or(head);
    first as f64 - start as f64
}

impl PlaySlice {
    /// `None` when nothing of the slice lies within its take; its gain must lie within its range.
    pub fn new(takes: &[Arc<Take>], slice: &Slice) -> Option<Self> {
        let take = takes.get(slice.take)?;
        let frames = take.channels.iter().map(Vec::len).min()?;
        let start = usize::try_from(slice.start).ok()?;
        let end = usize::try_from(slice.end).unwrap_or(usize::MAX).min(frames);
        let [low, high] = slice.velocities;
        (start < end && take.sample_rate > 0).then(|| Self {
            sounds_from: sounds_from(take, start, end),
            source: SampleSource::Take(slice.take),
            start,
            end,
            rate: f64::from(take.sample_rate),
            offset: take.offset(),
            gain_db: slice.gain_db,
            velocities: if low <= high { [low, high] } else { [0.0, 1.0] },
            repeats: None,
        })
    }
}

/// Gains of the left and right channel for a pan position from left (-1) to right (1): equal power, 0 dB in the
/// centre, where samples pass unchanged.
pub(super) fn pan(position: f64) -> [f32; 2] {
    if position == 0.0 {
        return [1.0, 1.0];
    }
    let angle = (position.clamp(-1.0, 1.0) + 1.0) * std::f64::consts::FRAC_PI_4;
    [libm::cos(angle), libm::sin(angle)].map(|g| (g * std::f64::consts::SQRT_2).max(0.0) as f32)
}

/// Clamps every setting of `value` to its range.
pub(super) fn clamp_settings<T>(table: &[Setting<T>], value: &mut T) {
    for s in table {
        (s.set)(value, s.clamp((s.get)(value)));
    }
}
