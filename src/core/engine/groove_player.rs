//! Plays a pattern of the groove in step with a transport, or at its own tempo. Nothing in it allocates, locks or waits.

use super::Transport;
use crate::{
    groove::patterns::{GrooveSettings, MAX_STROKES, PATTERN_BEATS, Parts, Stroke, parts_of, strokes},
    kit::{Document, PADS},
};

/// A host's position may differ from the one expected by this much, beats, before it counts as a jump.
const TOLERANCE: f64 = 0.01;
/// How long a stroke holds its key, beats: for pads that end with it.
const KEY_BEATS: f64 = 0.2;

/// What is to be done at a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GrooveEvent {
    /// The pad's key is struck.
    On {
        /// Index of the pad.
        pad: usize,
        /// Above 0 up to 1.
        velocity: f32,
    },
    /// The pad's key is let go.
    Off {
        /// Index of the pad.
        pad: usize,
    },
}

/// Plays the groove. Give it the settings and the kit, then for each block [`GroovePlayer::begin_block`] and, from frame to
/// frame, [`GroovePlayer::take_due`].
#[derive(Debug)]
pub struct GroovePlayer {
    settings: GrooveSettings,
    parts: Parts,
    strokes: [Stroke; MAX_STROKES],
    count: usize,
    /// The next stroke, and how often the pattern has been played before it.
    next: usize,
    round: f64,
    /// Beats at the start of the block and at its end.
    from: f64,
    until: f64,
    beats_per_frame: f64,
    /// When each held key is let go, beats; infinity for none.
    off_at: [f64; PADS],
    /// The position follows the host.
    by_host: bool,
}

impl Default for GroovePlayer {
    fn default() -> Self {
        Self {
            settings: GrooveSettings::default(),
            parts: [None; PADS],
            strokes: [Stroke::default(); MAX_STROKES],
            count: 0,
            next: 0,
            round: 0.0,
            from: 0.0,
            until: 0.0,
            beats_per_frame: 0.0,
            off_at: [f64::INFINITY; PADS],
            by_host: false,
        }
    }
}

impl GroovePlayer {
    /// Takes other settings; a groove that begins begins with the pattern's first stroke, unless a host plays.
    pub fn set(&mut self, settings: GrooveSettings) {
        if settings == self.settings {
            return;
        }
        let begins = settings.playing && !self.settings.playing;
        self.settings = settings;
        if begins {
            (self.until, self.by_host) = (0.0, false);
        }
        self.prepare();
    }

    /// Takes the pads of another kit.
    pub fn set_kit(&mut self, doc: &Document) {
        self.parts = parts_of(doc);
        self.prepare();
    }

    fn prepare(&mut self) {
        self.count = strokes(&self.settings, &self.parts, &mut self.strokes);
        self.go_to(self.until);
    }

    /// Whether it plays, or a key is still held.
    pub fn is_playing(&self) -> bool {
        self.settings.playing || self.off_at.iter().any(|at| *at < f64::INFINITY)
    }

    /// The next stroke is the first one from this beat on.
    fn go_to(&mut self, beat: f64) {
        self.round = (beat / PATTERN_BEATS).floor();
        let within = beat - self.round * PATTERN_BEATS;
        // a stroke on the position itself belongs to what follows, whatever the rounding
        self.next = self.strokes[..self.count].partition_point(|s| s.beat < within - 1e-9);
        if self.next == self.count {
            (self.next, self.round) = (0, self.round + 1.0);
        }
    }

    /// A block of `frames` begins at this position of the host's song.
    pub fn begin_block(&mut self, transport: Transport, frames: usize, sample_rate: f64) {
        let tempo = match transport.beats {
            Some(_) => transport.tempo,
            None => f64::from(self.settings.tempo),
        };
        let tempo = if tempo.is_finite() { tempo.clamp(1.0, 1000.0) } else { 120.0 };
        let from = transport.beats.filter(|b| b.is_finite()).unwrap_or(self.until);
        self.beats_per_frame = tempo / 60.0 / sample_rate;
        let jumped = (from - self.until).abs() > TOLERANCE || self.by_host != transport.beats.is_some();
        self.by_host = transport.beats.is_some();
        if jumped {
            // keys that are held are let go at once
            self.off_at.iter_mut().filter(|at| **at < f64::INFINITY).for_each(|at| *at = f64::NEG_INFINITY);
            self.go_to(from);
        }
        self.from = from;
        self.until = from + frames as f64 * self.beats_per_frame;
        if !self.settings.playing {
            self.off_at.iter_mut().filter(|at| **at < f64::INFINITY).for_each(|at| *at = f64::NEG_INFINITY);
        }
    }

    /// What is due at frame `at` of the block; call it until it gives nothing more.
    pub fn take_due(&mut self, at: usize) -> Option<GrooveEvent> {
        if let Some(pad) =
            (0..PADS).find(|&pad| self.off_at[pad] < f64::INFINITY && self.frame(self.off_at[pad]) <= at)
        {
            self.off_at[pad] = f64::INFINITY;
            return Some(GrooveEvent::Off { pad });
        }
        let beat = self.next_beat().filter(|&beat| self.frame(beat) <= at)?;
        let stroke = self.strokes[self.next];
        self.next += 1;
        if self.next == self.count {
            (self.next, self.round) = (0, self.round + 1.0);
        }
        let pad = usize::from(stroke.pad);
        self.off_at[pad] = beat + KEY_BEATS;
        Some(GrooveEvent::On { pad, velocity: stroke.velocity })
    }

    /// The frame of the next event in the block, if there is one.
    pub fn next_frame(&self) -> Option<usize> {
        let next = self.off_at.iter().copied().chain(self.next_beat()).fold(f64::INFINITY, f64::min);
        (next < self.until).then(|| self.frame(next))
    }

    /// The beat of the next stroke within the block.
    fn next_beat(&self) -> Option<f64> {
        if !self.settings.playing || self.count == 0 {
            return None;
        }
        Some(self.round * PATTERN_BEATS + self.strokes[self.next].beat).filter(|&beat| beat < self.until)
    }

    /// The first frame of the block at or after a beat.
    fn frame(&self, beat: f64) -> usize {
        // just before a frame by rounding is that frame
        ((beat - self.from) / self.beats_per_frame - 1e-6).ceil().max(0.0) as usize
    }
}
