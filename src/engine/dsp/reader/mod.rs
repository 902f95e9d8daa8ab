//! Reading a slice at any pitch: band-limited, forwards, backwards, gliding.
//!
//! ```
//! use kitwright::engine::dsp::reader::{Reader, Step};
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

use table::{BANDS, bands};

/// One frame in 32.32 fixed point.
pub(crate) const ONE: f64 = 4_294_967_296.0;
const WHOLE: i64 = 1 << 32;
/// Frames read at once.
const RUN: usize = 64;
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
    /// Builds the tables (once per process, about 0.1 s). Call it before the audio starts.
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
        if self.passes_through(step) {
            copy(source, self.position >> 32, step, out);
            self.position += step.0 * out.len() as i64;
            return;
        }
        for out in out.chunks_mut(RUN) {
            let positions = self.positions(|_| step, out.len());
            self.run_mono(source, &positions[..out.len()], |_| step, out);
        }
    }

    /// Reads `out[0].len()` frames of two channels at a constant step.
    pub fn read_stereo(&mut self, source: [&[f32]; 2], step: Step, out: [&mut [f32]; 2]) {
        let [left, right] = out;
        if self.passes_through(step) {
            copy(source[0], self.position >> 32, step, left);
            copy(source[1], self.position >> 32, step, right);
            self.position += step.0 * left.len() as i64;
            return;
        }
        for (l, r) in left.chunks_mut(RUN).zip(right.chunks_mut(RUN)) {
            let positions = self.positions(|_| step, l.len());
            self.run_stereo(source, &positions[..l.len()], |_| step, [l, r]);
        }
    }

    /// Reads `out.len()` frames of one channel; `steps` holds the step after each frame.
    pub fn glide_mono(&mut self, source: &[f32], steps: &[Step], out: &mut [f32]) {
        for (steps, out) in steps.chunks(RUN).zip(out.chunks_mut(RUN)) {
            let positions = self.positions(|i| steps[i], out.len());
            self.run_mono(source, &positions[..out.len()], |i| steps[i], out);
        }
    }

    /// Reads `out[0].len()` frames of two channels; `steps` holds the step after each frame.
    pub fn glide_stereo(&mut self, source: [&[f32]; 2], steps: &[Step], out: [&mut [f32]; 2]) {
        let [left, right] = out;
        for ((steps, l), r) in steps.chunks(RUN).zip(left.chunks_mut(RUN)).zip(right.chunks_mut(RUN)) {
            let positions = self.positions(|i| steps[i], l.len());
            self.run_stereo(source, &positions[..l.len()], |i| steps[i], [l, r]);
        }
    }

    fn passes_through(&self, step: Step) -> bool {
        let first_table = self.band == 0 || self.band == u8::MAX;
        first_table && self.fade == 0 && step.0.abs() == WHOLE && self.position as u32 == 0
    }

    /// The next `n` positions; moves on behind them.
    fn positions(&mut self, step: impl Fn(usize) -> Step, n: usize) -> [i64; RUN] {
        let mut positions = [0; RUN];
        for (i, p) in positions[..n].iter_mut().enumerate() {
            *p = self.position;
            self.position = self.position.saturating_add(step(i).0);
        }
        positions
    }

    fn run_mono(&mut self, source: &[f32], at: &[i64], step: impl Fn(usize) -> Step, out: &mut [f32]) {
        let mut i = 0;
        while i < at.len() {
            let stretch = self.stretch(&step, i, at.len());
            let n = i + stretch.frames;
            kernel::mono(&bands()[stretch.band], source, &at[i..n], &mut out[i..n]);
            if let Some(fade) = stretch.fade {
                let mut old = [0.0; RUN];
                kernel::mono(&bands()[fade.from], source, &at[i..n], &mut old[i..n]);
                fade.blend(&old[i..n], &mut out[i..n]);
            }
            i = n;
        }
    }

    fn run_stereo(
        &mut self,
        source: [&[f32]; 2],
        at: &[i64],
        step: impl Fn(usize) -> Step,
        out: [&mut [f32]; 2],
    ) {
        let [left, right] = out;
        let mut i = 0;
        while i < at.len() {
            let stretch = self.stretch(&step, i, at.len());
            let n = i + stretch.frames;
            kernel::stereo(&bands()[stretch.band], source, &at[i..n], [&mut left[i..n], &mut right[i..n]]);
            if let Some(fade) = stretch.fade {
                let mut old = [[0.0; RUN]; 2];
                let [a, b] = &mut old;
                kernel::stereo(&bands()[fade.from], source, &at[i..n], [&mut a[i..n], &mut b[i..n]]);
                fade.blend(&old[0][i..n], &mut left[i..n]);
                fade.blend(&old[1][i..n], &mut right[i..n]);
            }
            i = n;
        }
    }

    /// The frames from `i` on that share a table (and a fade); moves the table's memory behind them.
    fn stretch(&mut self, step: &impl Fn(usize) -> Step, i: usize, end: usize) -> Stretch {
        if self.band == u8::MAX {
            self.band = band_for(step(i));
        }
        if self.fade == 0 {
            let wanted = band_for(step(i));
            if wanted != self.band {
                self.from = self.band;
                self.band = wanted;
                self.fade = TABLE_FADE;
            }
        }
        let band = self.band as usize;
        if self.fade > 0 {
            let frames = (end - i).min(self.fade as usize);
            let fade = Fade { from: self.from as usize, left: self.fade };
            self.fade -= frames as u8;
            return Stretch { frames, band, fade: Some(fade) };
        }
        let same = (i + 1..end).take_while(|&j| band_for(step(j)) == self.band).count();
        Stretch { frames: 1 + same, band, fade: None }
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
