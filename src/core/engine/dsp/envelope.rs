//! Attack, hold, decay, sustain, release with curves, sample-accurate and free of clicks.
//!
//! Times are whole stretches, not time constants: an attack of 10 ms reaches full level exactly 10 ms
//! after its first frame (rounded to whole frames). A stretch from level `a` to level `b` runs along
//! `b + (a - b) * fall(x)` with `x` from 0 to 1 and
//!
//! `fall(x) = (exp(-k x) - exp(-k)) / (1 - exp(-k))`, `k = curve * ln 1000`
//!
//! which is a straight line at curve 0, an exponential that has lost 60 dB at its end at curve 1, and
//! its mirror image at -1. Common practice, no source.
//!
//! No clicks: an attack of 0 ms starts at full level at once when the sound itself begins at silence
//! (a whole hit), so that the transient stays untouched; a sound cut in its middle is started with a
//! ramp of [`ANTI_CLICK_MS`] ([`Entry::Cut`]). Falling to silence never takes less than that.

use crate::kit::LayerSettings;
use crate::units::ms_to_frames;

/// Shortest ramp wherever a jump would click, ms.
pub const ANTI_CLICK_MS: f64 = 0.5;

/// How the sound under an envelope begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Entry {
    /// At silence: an attack of 0 ms leaves its first frame untouched.
    Whole,
    /// In its middle: an attack of 0 ms becomes one of [`ANTI_CLICK_MS`].
    Cut,
}

/// How long the sound is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hold {
    /// Decays to silence whatever the key does.
    OneShot,
    /// Decays to the sustain level and stays until [`Envelope::release`].
    Key,
}

/// Times, levels and curves of an envelope; see [`LayerSettings`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    /// 0 to full level, ms.
    pub attack_ms: f32,
    /// At full level, ms.
    pub hold_ms: f32,
    /// Full to sustain level, ms.
    pub decay_ms: f32,
    /// Level while the key is down, 0 to 1.
    pub sustain: f32,
    /// From wherever it is to 0 after the key is let go, ms.
    pub release_ms: f32,
    /// Bend of the attack, -1 to 1.
    pub attack_curve: f32,
    /// Bend of the decay, -1 to 1.
    pub decay_curve: f32,
    /// Bend of the release, -1 to 1.
    pub release_curve: f32,
}

impl From<&LayerSettings> for Shape {
    fn from(s: &LayerSettings) -> Self {
        Self {
            attack_ms: s.attack_ms,
            hold_ms: s.hold_ms,
            decay_ms: s.decay_ms,
            sustain: s.sustain,
            release_ms: s.release_ms,
            attack_curve: s.attack_curve,
            decay_curve: s.decay_curve,
            release_curve: s.release_curve,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Attack,
    Hold,
    Decay,
    Sustain,
    Release,
    Finished,
}

/// One envelope in motion. Cheap to copy, holds no heap memory.
#[derive(Debug, Clone, Copy)]
pub struct Envelope {
    shape: Shape,
    sample_rate: f64,
    hold: Hold,
    stage: Stage,
    line: Line,
    /// Level of the frame before the next one.
    level: f32,
}

impl Envelope {
    /// An envelope at its first frame, at `sample_rate` Hz.
    pub fn new(shape: Shape, hold: Hold, entry: Entry, sample_rate: f64) -> Self {
        let mut new =
            Self { shape, sample_rate, hold, stage: Stage::Attack, line: Line::still(0.0, 0), level: 0.0 };
        let mut attack = new.frames(shape.attack_ms);
        if entry == Entry::Cut {
            attack = attack.max(new.anti_click());
        }
        new.line = Line::new(0.0, 1.0, attack, shape.attack_curve);
        new.skip_empty();
        new
    }

    /// Writes the levels of the next `out.len()` frames, 0 to 1; exact zeros once finished.
    pub fn fill(&mut self, out: &mut [f32]) {
        let mut rest = out;
        while !rest.is_empty() {
            let n = (rest.len() as u64).min(self.line.left) as usize;
            let (now, later) = rest.split_at_mut(n);
            self.line.fill(now);
            if let Some(&last) = now.last() {
                self.level = last;
            }
            self.skip_empty();
            rest = later;
        }
    }

    /// The key is let go at the next frame. Does nothing when already released.
    pub fn release(&mut self) {
        if !matches!(self.stage, Stage::Release | Stage::Finished) {
            let frames = self.frames(self.shape.release_ms).max(self.anti_click());
            self.fall(frames, self.shape.release_curve);
        }
    }

    /// Falls to silence along a straight line within `frames` (at least 1), unless it is there sooner
    /// already.
    pub fn fast_fade(&mut self, frames: u64) {
        let sooner = self.stage == Stage::Release && self.line.left <= frames;
        if !sooner && self.stage != Stage::Finished {
            self.fall(frames.max(1), 0.0);
        }
    }

    /// Whether it has come to its end: only zeros follow.
    pub fn finished(&self) -> bool {
        self.stage == Stage::Finished
    }

    /// Level of the last frame that was filled.
    pub fn level(&self) -> f32 {
        self.level
    }

    fn fall(&mut self, frames: u64, curve: f32) {
        self.stage = Stage::Release;
        self.line = Line::new(f64::from(self.level), 0.0, frames, curve);
    }

    fn frames(&self, ms: f32) -> u64 {
        ms_to_frames(f64::from(ms), self.sample_rate).round() as u64
    }

    fn anti_click(&self) -> u64 {
        ms_to_frames(ANTI_CLICK_MS, self.sample_rate).round() as u64
    }

    /// Moves on to the next stage that has frames in it.
    fn skip_empty(&mut self) {
        while self.line.left == 0 {
            let s = self.shape;
            let floor = if self.hold == Hold::Key { f64::from(s.sustain) } else { 0.0 };
            (self.stage, self.line) = match self.stage {
                Stage::Attack => (Stage::Hold, Line::still(1.0, self.frames(s.hold_ms))),
                Stage::Hold => {
                    let frames = self.frames(s.decay_ms).max(self.anti_click());
                    (Stage::Decay, Line::new(1.0, floor, frames, s.decay_curve))
                }
                Stage::Decay if floor > 0.0 => (Stage::Sustain, Line::still(floor, u64::MAX)),
                Stage::Sustain => (Stage::Sustain, Line::still(floor, u64::MAX)),
                Stage::Decay | Stage::Release | Stage::Finished => {
                    (Stage::Finished, Line::still(0.0, u64::MAX))
                }
            };
        }
    }
}

/// Frames computed side by side.
const LANES: usize = 8;

/// A bent line: `base + scale * e`, where `e` is multiplied or added to from frame to frame.
///
/// Eight frames are computed side by side, each from the one eight before it, on a grid that begins
/// with the line: the levels do not depend on how the frames are chunked.
#[derive(Debug, Clone, Copy)]
struct Line {
    base: f64,
    scale: f64,
    /// `e` of the eight frames of the current block.
    e: [f64; LANES],
    factor: f64,
    add: f64,
    /// Frame within the block.
    at: usize,
    /// Frames left.
    left: u64,
    /// Exact level of the last frame.
    end: f32,
}

impl Line {
    /// From `a` (the level before its first frame) to `b` (the level of its last frame).
    fn new(a: f64, b: f64, frames: u64, curve: f32) -> Self {
        let k = f64::from(curve) * std::f64::consts::LN_10 * 3.0;
        let n = frames.max(1) as f64;
        if k.abs() < 1e-3 {
            let e = std::array::from_fn(|i| (i + 1) as f64);
            let line = Self {
                base: a,
                scale: (b - a) / n,
                e,
                factor: 1.0,
                add: LANES as f64,
                ..Self::still(b, frames)
            };
            return line;
        }
        let span = (a - b) / (1.0 - libm::exp(-k));
        let e = std::array::from_fn(|i| libm::exp(-k * (i + 1) as f64 / n));
        let factor = libm::exp(-k * LANES as f64 / n);
        Self { base: b - span * libm::exp(-k), scale: span, e, factor, add: 0.0, ..Self::still(b, frames) }
    }

    fn still(level: f64, frames: u64) -> Self {
        Self {
            base: level,
            scale: 0.0,
            e: [0.0; LANES],
            factor: 1.0,
            add: 0.0,
            at: 0,
            left: frames,
            end: level as f32,
        }
    }

    fn fill(&mut self, out: &mut [f32]) {
        self.left -= out.len() as u64;
        let ends_here = self.left == 0;
        if self.scale == 0.0 {
            out.fill(self.base as f32);
        } else {
            self.fill_bent(out);
        }
        if let (true, Some(last)) = (ends_here, out.last_mut()) {
            *last = self.end;
        }
    }

    fn fill_bent(&mut self, out: &mut [f32]) {
        let lead = ((LANES - self.at) % LANES).min(out.len());
        let (head, body) = out.split_at_mut(lead);
        self.fill_some(head);
        let mut blocks = body.chunks_exact_mut(LANES);
        for block in &mut blocks {
            for (y, e) in block.iter_mut().zip(&mut self.e) {
                *y = (self.base + self.scale * *e) as f32;
                *e = *e * self.factor + self.add;
            }
        }
        self.fill_some(blocks.into_remainder());
    }

    /// Less than a block, not past its end.
    fn fill_some(&mut self, out: &mut [f32]) {
        for y in out {
            *y = (self.base + self.scale * self.e[self.at]) as f32;
            self.at += 1;
            if self.at == LANES {
                self.at = 0;
                for e in &mut self.e {
                    *e = *e * self.factor + self.add;
                }
            }
        }
    }
}
