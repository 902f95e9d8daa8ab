//! A held slice goes round: its end is repeated, with a crossfade, while the key is down.

use super::{ONE, RUN, Reading, fixed, fixed_step, pitch::Steps, read};
use crate::{engine::dsp::reader::Reader, kit::LayerSettings};

/// The repeated stretch at the end of a held slice.
#[derive(Debug, Clone, Copy)]
pub(super) struct Repeat {
    /// Reads the crossfade: one length behind.
    reader: Reader,
    length: i64,
    fade: i64,
    fading: bool,
}

impl Repeat {
    /// `None` when the slice is too short for it.
    pub fn new(s: &LayerSettings, rate: f64, span: f64, ratio: f64, at: f64) -> Option<Self> {
        let source = |ms: f32| f64::from(ms) * rate / 1000.0;
        // Turning back takes less than a run; two octaves of drop and bend on top are left room for.
        let least = ratio * 8.0 * RUN as f64;
        let length = source(s.loop_ms).max(least);
        let fade = source(s.fade_ms).min(length);
        let scale = (span / (length + fade)).min(1.0);
        let (length, fade) = ((length * scale).floor(), (fade * scale).floor().max(1.0));
        (length >= least.min(span / 2.0) && length >= 1.0 && ratio * 8.0 < length).then(|| Self {
            reader: Reader::new(at),
            length: fixed(length),
            fade: fixed(fade),
            fading: false,
        })
    }

    /// Frames that can be read before something about the repeat changes: a crossfade beginning or the
    /// turn. At least 1.
    pub fn frames_to_turn(&self, at: i64, end: i64, from: f64, to: f64) -> usize {
        let fastest = fixed(from.abs().max(to.abs())).max(1);
        let left = (end - at).abs();
        let until = if left > self.fade { left - self.fade } else { left };
        // Rounded up: the frame on which it happens is the last one of the run.
        ((until + fastest - 1) / fastest).max(1) as usize
    }
}

impl Reading {
    /// The first frame within the fade before the end of a repeated stretch: a second reader starts one
    /// length behind.
    pub(super) fn begin_crossfade(&mut self, start: i64) {
        let Some(repeat) = &mut self.repeat else { return };
        let back = self.pitch.sign < 0.0;
        let left = if back { start - self.end } else { self.end - start };
        if left <= repeat.fade && !repeat.fading {
            repeat.fading = true;
            repeat.reader = self.reader;
            let behind = if back { repeat.length } else { -repeat.length };
            repeat.reader.jump((start + behind) as f64 / ONE);
        }
    }

    /// The crossfade of a repeated stretch, and the turn back at its end.
    pub(super) fn turn(
        &mut self,
        channels: &[Vec<f32>],
        start: i64,
        steps: Steps,
        out: [&mut [f32]; 2],
        other: [&mut [f32]; 2],
    ) {
        let Some(repeat) = &mut self.repeat else { return };
        let back = self.pitch.sign < 0.0;
        let end = self.end;
        let to_end = |at: i64| if back { at - end } else { end - at };
        if repeat.fading {
            let ([l, r], [a, b]) = (out, other);
            read(&mut repeat.reader, channels, self.stereo, steps, a, b);
            let mut at = start;
            for i in 0..l.len() {
                let share = 1.0 - (to_end(at).max(0) as f64 / repeat.fade as f64) as f32;
                l[i] += share * (a[i] - l[i]);
                if self.stereo {
                    r[i] += share * (b[i] - r[i]);
                }
                at = at.saturating_add(fixed_step(steps.get(i)));
            }
        }
        if to_end(self.at) <= 0 {
            self.at += if back { repeat.length } else { -repeat.length };
            self.reader = repeat.reader;
            repeat.fading = false;
        }
    }
}
