//! The loop at the end of a slice: its last stretch is repeated, with a crossfade, while the key of a held pad is down or as
//! long as the envelope of a tail lasts.

use super::settings::{GRAIN_BLOCK, Steps, fixed, fixed_step, read};
use crate::{
    engine::{
        dsp::reader::{ONE, Reader},
        play_slice::Repetition,
    },
    kit::LayerSettings,
    units::ms_to_frames,
};

/// A loop at the end of a slice. Positions and lengths are 32.32 fixed point, in frames of the take.
#[derive(Debug, Clone, Copy)]
pub(super) struct SliceLoop {
    /// Reads the incoming side of the crossfade, one loop length behind.
    reader: Reader,
    length: i64,
    fade: i64,
    fading: bool,
    /// Where it stops; `None` goes on.
    stop: Option<Stop>,
}

/// Where a loop stops.
#[derive(Debug, Clone, Copy)]
struct Stop {
    /// How often it still turns back.
    turns: u32,
    /// End of what is read after the last turn.
    end: i64,
}

/// Where the grain is, while a block is read.
#[derive(Clone, Copy)]
pub(super) struct LoopPosition {
    /// Position of the block's first frame.
    pub start: i64,
    /// End of the slice.
    pub end: i64,
    pub backwards: bool,
    pub stereo: bool,
}

impl LoopPosition {
    fn to_end(self, at: i64) -> i64 {
        if self.backwards { at - self.end } else { self.end - at }
    }
}

impl SliceLoop {
    /// A loop with the lengths of `s` for a take at `rate` Hz, of which `span` frames are played at `ratio` from
    /// frame `at` on; `None` when the slice is too short for it.
    pub fn new(s: &LayerSettings, rate: f64, span: f64, ratio: f64, at: f64) -> Option<Self> {
        let source = |ms: f32| ms_to_frames(f64::from(ms), rate);
        // One turn may happen per block; three octaves are left for the pitch drop and the bend.
        let minimum = ratio * 8.0 * GRAIN_BLOCK as f64;
        let length = source(s.loop_ms).max(minimum);
        let fade = source(s.fade_ms).min(length);
        let scale = (span / (length + fade)).min(1.0);
        let (length, fade) = ((length * scale).floor(), (fade * scale).floor().max(1.0));
        (length >= minimum.min(span / 2.0) && length >= 1.0 && ratio * 8.0 < length).then(|| Self {
            reader: Reader::new(at),
            length: fixed(length),
            fade: fixed(fade),
            fading: false,
            stop: None,
        })
    }

    /// The loop of a tail that is read from frame `at` on and turns back at frame `end`. It stops at frame `stop`, where
    /// those of repetitions count on, or at the end before, where a repetition would have less than `room` frames. `None`
    /// when that is before the first turn.
    pub fn of_tail(repetition: Repetition, at: f64, end: f64, stop: f64, room: f64) -> Option<Self> {
        let length = repetition.length as f64;
        let stop = stop.is_finite().then(|| {
            let turns = ((stop - end) / length).ceil();
            let last_end = stop - turns * length;
            let (turns, last_end) =
                if last_end - (end - length) < room { (turns - 1.0, end) } else { (turns, last_end) };
            Stop { turns: turns.max(0.0) as u32, end: fixed(last_end.floor()) }
        });
        (stop.is_none_or(|stop| stop.turns > 0)).then(|| Self {
            reader: Reader::new(at),
            length: fixed(length),
            fade: fixed(repetition.fade as f64),
            fading: false,
            stop,
        })
    }

    /// Frames until the crossfade starts or the loop turns back, whichever is first; at least 1. The ratio goes
    /// from `from` to `to` meanwhile.
    pub fn frames_to_turn(&self, at: i64, end: i64, from: f64, to: f64) -> usize {
        let fastest = fixed(from.abs().max(to.abs())).max(1);
        let left = (end - at).abs();
        let until = if left > self.fade { left - self.fade } else { left };
        // Rounded up: the frame on which it happens is the last one of the block.
        ((until + fastest - 1) / fastest).max(1) as usize
    }

    /// Starts the crossfade at the first frame within the fade before the end: the second reader takes over the
    /// state of `reader` and goes one length back.
    pub fn start_crossfade(&mut self, reader: &Reader, position: LoopPosition) {
        let left = position.to_end(position.start);
        if left <= self.fade && !self.fading {
            self.fading = true;
            self.reader = *reader;
            let behind = if position.backwards { self.length } else { -self.length };
            self.reader.jump((position.start + behind) as f64 / ONE);
        }
    }

    /// Crossfades the block `out` with what lies one length behind, read into `other`.
    pub fn crossfade(
        &mut self,
        channels: &[Vec<f32>],
        position: LoopPosition,
        steps: Steps,
        out: [&mut [f32]; 2],
        other: [&mut [f32]; 2],
    ) {
        if !self.fading {
            return;
        }
        let ([l, r], [a, b]) = (out, other);
        read(&mut self.reader, channels, position.stereo, steps, a, b);
        let mut at = position.start;
        for i in 0..l.len() {
            let share = 1.0 - (position.to_end(at).max(0) as f64 / self.fade as f64) as f32;
            l[i] += share * (a[i] - l[i]);
            if position.stereo {
                r[i] += share * (b[i] - r[i]);
            }
            at = at.saturating_add(fixed_step(steps.get(i)));
        }
    }

    /// After a block that leaves the grain at `at`: turns back by one length when the end is reached. Returns the
    /// new position; `reader` is replaced by the one that was faded in.
    pub fn turn_back(&mut self, at: i64, reader: &mut Reader, position: LoopPosition) -> i64 {
        if position.to_end(at) > 0 {
            return at;
        }
        let to = at + if position.backwards { self.length } else { -self.length };
        if self.fading {
            *reader = self.reader;
        } else {
            // one step went past the whole fade
            reader.jump(to as f64 / ONE);
        }
        self.fading = false;
        if let Some(stop) = &mut self.stop {
            stop.turns -= 1;
        }
        to
    }

    /// End of what is read from here on, when it has turned back for the last time.
    pub fn last_end(&self) -> Option<i64> {
        self.stop.filter(|stop| stop.turns == 0).map(|stop| stop.end)
    }
}
