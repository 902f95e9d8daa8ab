//! Attack, hold, decay, sustain and release with curves, accurate to the sample and free of clicks.
//!
//! Times are durations, not time constants: an attack of 10 ms reaches full level exactly 10 ms
//! after its first frame (rounded to whole frames). A segment from level `a` to level `b` follows
//! `b + (a - b) * fall(x)` with `x` from 0 to 1 and
//!
//! `fall(x) = (exp(-k x) - exp(-k)) / (1 - exp(-k))`, `k = curve * ln 1000`
//!
//! which is a straight line at curve 0, an exponential that has lost 60 dB at its end at curve 1, and
//! its mirror image at -1. Common practice, no source.
//!
//! No clicks: with an attack of 0 ms, a sound that starts at silence (a whole hit) keeps its first frame, so that
//! the transient is unchanged; a sound that is cut in its middle ([`Entry::Cut`]) starts with a ramp of
//! [`ANTI_CLICK_MS`]. A fall to silence takes at least that long.

use crate::kit::LayerSettings;
use crate::units::ms_to_frames;

/// Shortest ramp where a step would click, ms. Common practice, no source.
pub const ANTI_CLICK_MS: f64 = 0.5;

/// How the sound under an envelope starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Entry {
    /// At silence: an attack of 0 ms leaves the first frame unchanged.
    Whole,
    /// Cut in its middle: an attack of 0 ms becomes one of [`ANTI_CLICK_MS`].
    Cut,
}

/// What ends the sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hold {
    /// The decay, to silence, independently of the key.
    OneShot,
    /// The key: decays to the sustain level and stays there until [`AmpEnvelope::release`].
    Key,
}

/// Times, levels and curves of an envelope; see [`LayerSettings`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnvelopeShape {
    /// From 0 to full level, ms.
    pub attack_ms: f32,
    /// At full level, ms.
    pub hold_ms: f32,
    /// From full to sustain level, ms.
    pub decay_ms: f32,
    /// Level while the key is held, 0 to 1.
    pub sustain: f32,
    /// From the current level to 0 after the key is released, ms.
    pub release_ms: f32,
    /// Curve of the attack, -1 to 1.
    pub attack_curve: f32,
    /// Curve of the decay, -1 to 1.
    pub decay_curve: f32,
    /// Curve of the release, -1 to 1.
    pub release_curve: f32,
}

impl From<&LayerSettings> for EnvelopeShape {
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
enum Segment {
    Attack,
    Hold,
    Decay,
    Sustain,
    Release,
    Finished,
}

/// An amplitude envelope while it runs. Cheap to copy, no heap memory.
#[derive(Debug, Clone, Copy)]
pub struct AmpEnvelope {
    shape: EnvelopeShape,
    sample_rate: f64,
    hold: Hold,
    segment: Segment,
    curve: SegmentCurve,
    /// Level of the frame before the next one.
    level: f32,
}

impl AmpEnvelope {
    /// An envelope at its first frame, at `sample_rate` Hz.
    pub fn new(shape: EnvelopeShape, hold: Hold, entry: Entry, sample_rate: f64) -> Self {
        let mut new = Self {
            shape,
            sample_rate,
            hold,
            segment: Segment::Attack,
            curve: SegmentCurve::still(0.0, 0),
            level: 0.0,
        };
        let mut attack = new.frames(shape.attack_ms);
        if entry == Entry::Cut {
            attack = attack.max(new.anti_click());
        }
        new.curve = SegmentCurve::new(0.0, 1.0, attack, shape.attack_curve);
        new.skip_empty();
        new
    }

    /// Writes the levels of the next `out.len()` frames, 0 to 1; exact zeros once finished.
    pub fn fill(&mut self, out: &mut [f32]) {
        let mut rest = out;
        while !rest.is_empty() {
            let n = (rest.len() as u64).min(self.curve.left) as usize;
            let (now, later) = rest.split_at_mut(n);
            self.curve.fill(now);
            if let Some(&last) = now.last() {
                self.level = last;
            }
            self.skip_empty();
            rest = later;
        }
    }

    /// The key is released at the next frame. Does nothing after the first call.
    pub fn release(&mut self) {
        if !matches!(self.segment, Segment::Release | Segment::Finished) {
            let frames = self.frames(self.shape.release_ms).max(self.anti_click());
            self.fall(frames, self.shape.release_curve);
        }
    }

    /// Whether it has ended: only zeros follow.
    pub fn finished(&self) -> bool {
        self.segment == Segment::Finished
    }

    fn fall(&mut self, frames: u64, curve: f32) {
        self.segment = Segment::Release;
        self.curve = SegmentCurve::new(f64::from(self.level), 0.0, frames, curve);
    }

    fn frames(&self, ms: f32) -> u64 {
        ms_to_frames(f64::from(ms), self.sample_rate).round() as u64
    }

    fn anti_click(&self) -> u64 {
        ms_to_frames(ANTI_CLICK_MS, self.sample_rate).round() as u64
    }

    /// Moves on to the next segment that has frames.
    fn skip_empty(&mut self) {
        while self.curve.left == 0 {
            let s = self.shape;
            let floor = if self.hold == Hold::Key { f64::from(s.sustain) } else { 0.0 };
            (self.segment, self.curve) = match self.segment {
                Segment::Attack => (Segment::Hold, SegmentCurve::still(1.0, self.frames(s.hold_ms))),
                Segment::Hold => {
                    let frames = self.frames(s.decay_ms).max(self.anti_click());
                    (Segment::Decay, SegmentCurve::new(1.0, floor, frames, s.decay_curve))
                }
                Segment::Decay if floor > 0.0 => (Segment::Sustain, SegmentCurve::still(floor, u64::MAX)),
                Segment::Sustain => (Segment::Sustain, SegmentCurve::still(floor, u64::MAX)),
                Segment::Decay | Segment::Release | Segment::Finished => {
                    (Segment::Finished, SegmentCurve::still(0.0, u64::MAX))
                }
            };
        }
    }
}

/// Frames computed side by side.
const SEGMENT_LANES: usize = 8;

/// The curve of one segment: `base + scale * e`, where `e` is multiplied by a factor, or increased, in each frame.
///
/// Eight frames are computed side by side, each from the one eight frames before, on a grid that starts with the
/// segment: the levels do not depend on the chunks.
#[derive(Debug, Clone, Copy)]
struct SegmentCurve {
    base: f64,
    scale: f64,
    /// `e` of the eight frames of the current block.
    e: [f64; SEGMENT_LANES],
    factor: f64,
    add: f64,
    /// Frame within the block.
    at: usize,
    /// Frames left.
    left: u64,
    /// Exact level of the last frame.
    end: f32,
}

impl SegmentCurve {
    /// From `a` (the level before its first frame) to `b` (the level of its last frame).
    fn new(a: f64, b: f64, frames: u64, curve: f32) -> Self {
        let k = f64::from(curve) * std::f64::consts::LN_10 * 3.0;
        let n = frames.max(1) as f64;
        if k.abs() < 1e-3 {
            let e = std::array::from_fn(|i| (i + 1) as f64);
            let curve = Self {
                base: a,
                scale: (b - a) / n,
                e,
                factor: 1.0,
                add: SEGMENT_LANES as f64,
                ..Self::still(b, frames)
            };
            return curve;
        }
        let span = (a - b) / (1.0 - libm::exp(-k));
        let e = std::array::from_fn(|i| libm::exp(-k * (i + 1) as f64 / n));
        let factor = libm::exp(-k * SEGMENT_LANES as f64 / n);
        Self { base: b - span * libm::exp(-k), scale: span, e, factor, add: 0.0, ..Self::still(b, frames) }
    }

    fn still(level: f64, frames: u64) -> Self {
        Self {
            base: level,
            scale: 0.0,
            e: [0.0; SEGMENT_LANES],
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
            self.fill_curve(out);
        }
        if let (true, Some(last)) = (ends_here, out.last_mut()) {
            *last = self.end;
        }
    }

    fn fill_curve(&mut self, out: &mut [f32]) {
        let lead = ((SEGMENT_LANES - self.at) % SEGMENT_LANES).min(out.len());
        let (head, body) = out.split_at_mut(lead);
        self.fill_some(head);
        let mut blocks = body.chunks_exact_mut(SEGMENT_LANES);
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
            if self.at == SEGMENT_LANES {
                self.at = 0;
                for e in &mut self.e {
                    *e = *e * self.factor + self.add;
                }
            }
        }
    }
}
