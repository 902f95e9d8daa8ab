//! Band-limited resampling of a slice at any ratio: forwards, backwards, gliding.
//!
//! ```
//! use kitwright_core::engine::dsp::reader::{Reader, Step};
//! Reader::prepare(); // off the audio thread: builds the tables once
//! let take: Vec<f32> = (0..1000).map(|i| (i as f32 * 0.1).sin()).collect();
//! let mut out = [0.0; 64];
//! let mut reader = Reader::new(100.0);
//! reader.read_mono(&take, Step::from_ratio(1.5), &mut out);
//! assert!((reader.position() - 196.0).abs() < 1e-6);
//! ```
//!
//! Positions are 32.32 fixed point: a take may be 2^31 frames long (93 minutes at 384 kHz), and
//! stepping through it never rounds. Outside of the given source there is silence: pass the whole take and start
//! at the hit's frame, so that the kernel includes the samples around the hit. At a step of exactly ±1 from a
//! whole frame the samples pass unchanged.

mod fixed;
mod kernel;
pub mod table;

pub(crate) use fixed::ONE;
pub use fixed::Step;

use fixed::WHOLE;
use kernel::{Positions, READ_BLOCK};
use table::{BANDS, TableBand, bands, draft_bands};

/// Length of the crossfade when a gliding reader changes from one table to the next, frames: a switch would click,
/// since their transition bands differ.
const TABLE_FADE: u8 = 32;

/// A position in a source and the table last used. Cheap to copy; holds no samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reader {
    position: i64,
    /// Table in use; `u8::MAX` before the first read.
    band: u8,
    /// Table that is faded out.
    from: u8,
    /// Remaining frames of the crossfade.
    fade: u8,
    /// Whether it reads with short kernels.
    draft: bool,
}

impl Reader {
    /// Builds the tables, once per process, in a few milliseconds. Call it off the audio thread.
    pub fn prepare() {
        bands();
    }

    /// A reader whose next output frame is at `position` in the source: frames, fractions allowed, negative before
    /// the source.
    pub fn new(position: f64) -> Self {
        Self { position: (position * ONE).round() as i64, band: u8::MAX, from: 0, fade: 0, draft: false }
    }

    /// The same reader with kernels of a third of the length, for sounds that are measured and not heard.
    #[must_use]
    pub fn draft(self) -> Self {
        Self { draft: true, ..self }
    }

    fn tables(&self) -> &'static [TableBand; BANDS] {
        if self.draft { draft_bands() } else { bands() }
    }

    /// Position of the next output frame, frames of the source.
    pub fn position(&self) -> f64 {
        self.position as f64 / ONE
    }

    /// Moves to another position, in frames; the table is kept.
    pub fn jump(&mut self, position: f64) {
        self.position = (position * ONE).round() as i64;
    }

    /// Reads `out.len()` frames of one channel at a constant step.
    pub fn read_mono(&mut self, source: &[f32], step: Step, out: &mut [f32]) {
        self.read_constant([source], step, [out]);
    }

    /// Reads `out[0].len()` frames of two channels at a constant step.
    pub fn read_stereo(&mut self, source: [&[f32]; 2], step: Step, out: [&mut [f32]; 2]) {
        self.read_constant(source, step, out);
    }

    /// Reads `out.len()` frames of one channel; `steps` holds the step after each frame. `steps` and `out` have the same
    /// length; shorter `steps` panic.
    pub fn glide_mono(&mut self, source: &[f32], steps: &[Step], out: &mut [f32]) {
        self.read_gliding([source], steps, [out]);
    }

    /// Reads `out[0].len()` frames of two channels; `steps` holds the step after each frame. `steps` and all outputs have the
    /// same length; shorter `steps` panic.
    pub fn glide_stereo(&mut self, source: [&[f32]; 2], steps: &[Step], out: [&mut [f32]; 2]) {
        self.read_gliding(source, steps, out);
    }

    fn read_constant<const N: usize>(&mut self, source: [&[f32]; N], step: Step, out: [&mut [f32]; N]) {
        if self.passes_through(step) {
            let frames = out[0].len() as i64;
            for (source, out) in source.iter().zip(out) {
                copy(source, self.position >> 32, step, out);
            }
            self.position = self.position.saturating_add(step.0.saturating_mul(frames));
            return;
        }
        let band = band_for(step);
        let place = |position: &mut i64, _, n| Positions::steady(position, step.0, n);
        self.read_blocks(source, out, place, |_, end| (band, end));
    }

    fn read_gliding<const N: usize>(&mut self, source: [&[f32]; N], steps: &[Step], out: [&mut [f32]; N]) {
        let same_band = |i: usize, end: usize| {
            let band = band_for(steps[i]);
            let same = steps[i + 1..end].iter().take_while(|s| band_for(**s) == band).count();
            (band, i + 1 + same)
        };
        let place = |position: &mut i64, from: usize, n: usize| {
            Positions::gliding(position, steps[from..from + n].iter().map(|s| s.0))
        };
        self.read_blocks(source, out, place, same_band);
    }

    fn passes_through(&self, step: Step) -> bool {
        let first_table = self.band == 0 || self.band == u8::MAX;
        first_table && self.fade == 0 && step.0.abs() == WHOLE && self.position as u32 == 0
    }

    /// Reads in blocks of frames that share a table. `place` gives the positions of a number of frames from one on
    /// and advances the position; `same_band` gives, for a frame, its table and the first frame up to an end
    /// that needs another one.
    fn read_blocks<const N: usize>(
        &mut self,
        source: [&[f32]; N],
        mut out: [&mut [f32]; N],
        place: impl Fn(&mut i64, usize, usize) -> Positions,
        same_band: impl Fn(usize, usize) -> (u8, usize),
    ) {
        let frames = out[0].len();
        let mut from = 0;
        while from < frames {
            let span = self.next_span(from, (from + READ_BLOCK).min(frames), &same_band);
            let to = from + span.frames;
            let positions = place(&mut self.position, from, span.frames);
            kernel::read(
                &self.tables()[span.band],
                source,
                &positions,
                out.each_mut().map(|o| &mut o[from..to]),
            );
            if let Some(fade) = span.fade {
                let mut old = [[0.0; READ_BLOCK]; N];
                let n = span.frames;
                kernel::read(
                    &self.tables()[fade.from],
                    source,
                    &positions,
                    old.each_mut().map(|o| &mut o[..n]),
                );
                for (old, out) in old.iter().zip(&mut out) {
                    fade.blend(&old[..n], &mut out[from..to]);
                }
            }
            from = to;
        }
    }

    /// The frames from `i` on that share a table and a crossfade; updates the table in use.
    fn next_span(&mut self, i: usize, end: usize, same_band: impl Fn(usize, usize) -> (u8, usize)) -> Span {
        if self.fade == 0 {
            let (wanted, until) = same_band(i, end);
            if self.band == wanted || self.band == u8::MAX {
                self.band = wanted;
                return Span { frames: until - i, band: wanted as usize, fade: None };
            }
            self.from = self.band;
            self.band = wanted;
            self.fade = TABLE_FADE;
        }
        let frames = (end - i).min(self.fade as usize);
        let fade = Fade { from: self.from as usize, left: self.fade };
        self.fade -= frames as u8;
        Span { frames, band: self.band as usize, fade: Some(fade) }
    }
}

/// Frames that share a table.
struct Span {
    frames: usize,
    band: usize,
    fade: Option<Fade>,
}

/// A crossfade from table `from`, with `left` frames to go.
struct Fade {
    from: usize,
    left: u8,
}

impl Fade {
    fn blend(&self, old: &[f32], new: &mut [f32]) {
        for (i, (o, n)) in old.iter().zip(new).enumerate() {
            let share = (self.left as usize - i) as f32 / (f32::from(TABLE_FADE) + 1.0);
            *n += share * (o - *n);
        }
    }
}

/// First table without aliases at `step`; the last one for steps beyond all tables.
fn band_for(step: Step) -> u8 {
    let speed = step.0.abs();
    let all = bands();
    let mut band = 0;
    while band < BANDS - 1 && all[band].max_step < speed {
        band += 1;
    }
    band as u8
}

/// Exact samples from frame `first` on, forwards or backwards; zero outside.
fn copy(source: &[f32], first: i64, step: Step, out: &mut [f32]) {
    let direction = step.0.signum();
    for (i, y) in out.iter_mut().enumerate() {
        let frame = first + direction * i as i64;
        *y = usize::try_from(frame).ok().and_then(|f| source.get(f)).copied().unwrap_or(0.0);
    }
}
