//! What one grain is asked to play, and the constants its parts share.

use crate::{
    engine::{
        dsp::{
            envelope::EnvelopeShape,
            reader::{ONE, Reader, Step},
        },
        play_slice::{PlaySlice, Repetition},
    },
    kit::{LayerSettings, NO_END_MS},
    units::ms_to_frames,
};

/// Most frames that a grain renders in one go.
pub(in crate::engine) const GRAIN_BLOCK: usize = 256;

/// What one grain is asked to play.
#[derive(Debug, Clone, Copy)]
pub(in crate::engine) struct GrainSettings<'a> {
    pub slice: PlaySlice,
    pub settings: &'a LayerSettings,
    pub stereo: bool,
    /// The channel that is played when it is not stereo.
    pub channel: usize,
    /// Frames until it starts.
    pub delay: u64,
    /// Offset from the slice's start, ms; negative starts before it.
    pub start_ms: f64,
    /// Semitones, without the pitch drop and without the trims that move while it sounds.
    pub pitch_st: f64,
    /// Cutoff of the high cut, Hz; off at 20 kHz and above.
    pub high_cut_hz: f64,
    /// Left and right, as amplitude ratios.
    pub gains: [f32; 2],
    pub reverse: bool,
    pub shape: EnvelopeShape,
    pub held: bool,
    /// Most frames it may sound.
    pub limit: u64,
    /// Share of its natural length after which it ends, up to 1.
    pub length: f64,
    /// Shortest fade at both ends, ms.
    pub soft_ms: f64,
}

impl GrainSettings<'_> {
    /// Constant offset of the channels that are read, left and right.
    pub fn offset(&self) -> [f32; 2] {
        if self.stereo { self.slice.offset } else { [self.slice.offset[self.channel]; 2] }
    }

    /// How the slice goes on at its end; `None` where it does not.
    pub fn repeats(&self) -> Option<Repetition> {
        self.slice.repeats.filter(|_| !self.reverse)
    }

    /// Frame of the source at which its layer stops it, frames of repetitions counted on; infinite where it does not.
    pub fn stop(&self) -> f64 {
        let end_ms = self.settings.end_ms;
        let after =
            if end_ms < NO_END_MS { ms_to_frames(f64::from(end_ms), self.slice.rate) } else { f64::INFINITY };
        self.slice.start as f64 + after
    }

    /// First frame of the source that is played, and the one after the last.
    pub fn span(&self) -> (f64, f64) {
        let frames = |ms: f64| ms_to_frames(ms, self.slice.rate);
        let (start, end) = (self.slice.start as f64, self.slice.end as f64);
        let stop = self.stop().min(end);
        // Variation may start a little before the slice, and before the take, which is silent there. A start past
        // the end leaves one frame.
        let first = (start + frames(self.start_ms)).round().min((stop - 1.0).max(0.0));
        (first, stop.floor().max(first + 1.0))
    }
}

/// A position or length in 32.32 fixed point, from frames of the source.
pub(super) fn fixed(frames: f64) -> i64 {
    (frames * ONE).round() as i64
}

/// A reader's step in 32.32 fixed point.
pub(super) fn fixed_step(step: Step) -> i64 {
    (step.ratio() * ONE) as i64
}

/// The step after each frame of a block.
#[derive(Clone, Copy)]
pub(super) enum Steps<'a> {
    Constant(Step),
    Glide(&'a [Step]),
}

impl Steps<'_> {
    /// The step, when it is the same throughout.
    pub fn constant(&self) -> Option<Step> {
        match self {
            Self::Constant(step) => Some(*step),
            Self::Glide(_) => None,
        }
    }

    /// The step after frame `i`.
    pub fn get(&self, i: usize) -> Step {
        match self {
            Self::Constant(step) => *step,
            Self::Glide(steps) => steps[i],
        }
    }
}

/// Reads a block of the take: one channel into `l`, or two into `l` and `r`.
pub(super) fn read(
    reader: &mut Reader,
    take: &[Vec<f32>],
    stereo: bool,
    steps: Steps,
    l: &mut [f32],
    r: &mut [f32],
) {
    match (stereo, steps) {
        (false, Steps::Constant(step)) => reader.read_mono(&take[0], step, l),
        (false, Steps::Glide(steps)) => reader.glide_mono(&take[0], steps, l),
        (true, Steps::Constant(step)) => reader.read_stereo([&take[0], &take[1]], step, [l, r]),
        (true, Steps::Glide(steps)) => reader.glide_stereo([&take[0], &take[1]], steps, [l, r]),
    }
}
