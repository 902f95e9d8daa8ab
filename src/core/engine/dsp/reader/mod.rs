//! Reading a slice at any pitch: band-limited, forwards, backwards, gliding.
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
//! stepping through it never rounds. Outside of the given slice there is silence: to let a reading
//! see what surrounds a hit, hand in the whole take and start at the hit's frame. At a step of exactly
//! ±1 from a whole frame the samples pass through bit for bit.

mod kernel;
pub mod table;

use kernel::{Positions, RUN};
use table::{BANDS, bands};

/// One frame in 32.32 fixed point.
pub(crate) const ONE: f64 = 4_294_967_296.0;
const WHOLE: i64 = 1 << 32;
/// Frames over which a gliding reading changes from one table to the next: a switch at once would
/// click, since their transition bands differ.
const TABLE_FADE: u8 = 32;

/// How far a reading moves with each output frame: frames of the source in 32.32 fixed point,
/// negative to read backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Step(i64);

impl Step {
    /// The step for a ratio of speeds: source frames per output frame, within ±1024; NaN stands still.
    pub fn from_ratio(ratio: f64) -> Self {
        // Casting saturates and turns NaN into 0.
        Self((ratio.clamp(-1024.0, 1024.0) * ONE).round() as i64)
    }

    /// Source frames per output frame.
    pub fn ratio(self) -> f64 {
        self.0 as f64 / ONE
    }
}

/// A place in a source and the memory of its last table. Cheap to copy; holds no samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reader {
    position: i64,
    /// Table in use; `u8::MAX` before the first reading.
    band: u8,
    /// Table that fades out.
    from: u8,
    /// Frames until it is gone.
    fade: u8,
}

impl Reader {
    /// Builds the tables (once per process, a few milliseconds). Call it before the audio starts.
    pub fn prepare() {
        bands();
    }

    /// A reader whose next output frame is the source at `position` (frames, fractions allowed,
    /// negative is before the source).
    pub fn new(position: f64) -> Self {
        Self { position: (position * ONE).round() as i64, band: u8::MAX, from: 0, fade: 0 }
    }

    /// Where the next output frame is read, in frames of the source.
    pub fn position(&self) -> f64 {
        self.position as f64 / ONE
    }

    /// Moves to another place; the table is kept.
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

    /// Reads `out.len()` frames of one channel; `steps` holds the step after each frame.
    pub fn glide_mono(&mut self, source: &[f32], steps: &[Step], out: &mut [f32]) {
        self.read_gliding([source], steps, [out]);
    }

    /// Reads `out[0].len()` frames of two channels; `steps` holds the step after each frame.
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
        self.read_runs(source, out, place, |_, end| (band, end));
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
        self.read_runs(source, out, place, same_band);
    }

    fn passes_through(&self, step: Step) -> bool {
        let first_table = self.band == 0 || self.band == u8::MAX;
        first_table && self.fade == 0 && step.0.abs() == WHOLE && self.position as u32 == 0
    }

    /// Reads in runs of frames that share a table. `place` puts down where so many frames from one on are
    /// read and moves on behind them; `same_band` gives, for a frame, its table and the first frame (up to
    /// an end) that wants another one.
    fn read_runs<const N: usize>(
        &mut self,
        source: [&[f32]; N],
        mut out: [&mut [f32]; N],
        place: impl Fn(&mut i64, usize, usize) -> Positions,
        same_band: impl Fn(usize, usize) -> (u8, usize),
    ) {
        let frames = out[0].len();
        let mut from = 0;
        while from < frames {
            let stretch = self.stretch(from, (from + RUN).min(frames), &same_band);
            let to = from + stretch.frames;
            let positions = place(&mut self.position, from, stretch.frames);
            kernel::read(
                &bands()[stretch.band],
                source,
                &positions,
                out.each_mut().map(|o| &mut o[from..to]),
            );
            if let Some(fade) = stretch.fade {
                let mut old = [[0.0; RUN]; N];
                let n = stretch.frames;
                kernel::read(&bands()[fade.from], source, &positions, old.each_mut().map(|o| &mut o[..n]));
                for (old, out) in old.iter().zip(&mut out) {
                    fade.blend(&old[..n], &mut out[from..to]);
                }
            }
            from = to;
        }
    }

    /// The frames from `i` on that share a table (and a fade); moves the table's memory behind them.
    fn stretch(&mut self, i: usize, end: usize, same_band: impl Fn(usize, usize) -> (u8, usize)) -> Stretch {
        if self.fade == 0 {
            let (wanted, until) = same_band(i, end);
            if self.band == wanted || self.band == u8::MAX {
                self.band = wanted;
                return Stretch { frames: until - i, band: wanted as usize, fade: None };
            }
            self.from = self.band;
            self.band = wanted;
            self.fade = TABLE_FADE;
        }
        let frames = (end - i).min(self.fade as usize);
        let fade = Fade { from: self.from as usize, left: self.fade };
        self.fade -= frames as u8;
        Stretch { frames, band: self.band as usize, fade: Some(fade) }
    }
}

struct Stretch {
    frames: usize,
    band: usize,
    fade: Option<Fade>,
}

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

/// First table that keeps a reading at `step` free of aliases (the last one beyond that).
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
