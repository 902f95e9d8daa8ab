//! One reading of a slice: a layer of a hit or a copy in its cloud. The smallest thing that sounds.

mod pitch;
mod repeat;

use super::{
    dsp::{
        envelope::{ANTI_CLICK_MS, Entry, Envelope, Hold, Shape},
        math,
        reader::{Reader, Step},
        svf::{Pass, Steepness, Svf},
    },
    play_kit::PlaySlice,
    ramp::Ramp,
};
use crate::kit::LayerSettings;
use pitch::{CONTROL, Pitch, Steps};
use repeat::Repeat;

/// A sweeping filter is moved every so many frames of a reading's own age.
const SWEEP: u32 = 4;
/// Frames of the windows over which a reading's peak is watched.
const WATCH: u64 = 512;
/// One source frame in 32.32 fixed point, the grid on which the reader steps.
const ONE: f64 = 4_294_967_296.0;
/// Most frames a reading renders in one go.
pub(super) const RUN: usize = 256;

/// What one reading is to do.
#[derive(Debug, Clone, Copy)]
pub(super) struct Order<'a> {
    pub slice: PlaySlice,
    pub settings: &'a LayerSettings,
    pub stereo: bool,
    /// Frames until it starts.
    pub delay: u64,
    /// Skips this much after the slice's start, ms; negative begins before it.
    pub start_ms: f64,
    /// Semitones without the drop and without the trims that move while it sounds.
    pub pitch_st: f64,
    /// High cut, Hz; 20 kHz and above is off.
    pub high_cut_hz: f64,
    pub gains: [f32; 2],
    pub reverse: bool,
    pub shape: Shape,
    pub held: bool,
    /// Ends after this many frames at the latest.
    pub limit: u64,
    /// Share of its natural length after which it ends, up to 1.
    pub length: f64,
    /// Softens both ends, ms.
    pub soft_ms: f64,
}

/// One reading in motion; plain data, holds no samples.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    take: usize,
    stereo: bool,
    /// Frames until it starts.
    delay: u64,
    reader: Reader,
    /// Where the reader is, in its own fixed point, and where it ends.
    at: i64,
    end: i64,
    /// Length of the fade before the end, same grid; at least 1.
    fade: i64,
    limit: u64,
    limit_fade: u64,
    repeat: Option<Repeat>,
    pitch: Pitch,
    envelope: Envelope,
    gains: [f32; 2],
    low_cut: Option<Svf>,
    high_cut: Option<Svf>,
    sweep: Sweep,
    age: u64,
    done: bool,
    peaks: [f32; 2],
}

#[derive(Debug, Clone, Copy)]
struct Sweep {
    hz: f64,
    octaves: f64,
    fall: f64,
}

/// Memory for one run, so that none is cleared over and over.
#[derive(Debug)]
pub(super) struct Scratch {
    left: [f32; RUN],
    right: [f32; RUN],
    level: [f32; RUN],
    other: [[f32; RUN]; 2],
    steps: [Step; RUN],
}

impl Default for Scratch {
    fn default() -> Self {
        Self {
            left: [0.0; RUN],
            right: [0.0; RUN],
            level: [0.0; RUN],
            other: [[0.0; RUN]; 2],
            steps: [Step::default(); RUN],
        }
    }
}

/// What a reading needs to know of its surroundings.
pub(super) struct Around<'a> {
    /// Channels of its take.
    pub channels: &'a [Vec<f32>],
    /// Pitch trim in semitones that moves while it sounds.
    pub bend: &'a Ramp,
    /// Absolute frame of the first frame to render.
    pub now: u64,
}

impl Reading {
    pub fn new(order: &Order, bend: &Ramp, now: u64, sample_rate: f64) -> Self {
        let s = order.settings;
        let frames = |ms: f64| ms * sample_rate / 1000.0;
        let pitch = Pitch::new(order, f64::from(bend.at(now + order.delay)), sample_rate);
        let (first, last) = span(order);
        let length = (last - first).max(1.0);
        let mut limit = order.limit;
        if order.length < 1.0 {
            limit = limit.min((length / pitch.to.abs().max(1e-6) * order.length) as u64);
        }
        // In source frames; a slice shorter than its fades is one hump.
        let soft = frames(order.soft_ms.max(FADE_MS)) * pitch.to.abs().min(64.0);
        let (at, end) = if order.reverse { (last - 1.0, first - 1.0) } else { (first, last) };
        let cut = order.start_ms > ANTI_CLICK_MS || order.reverse;
        let mut shape = order.shape;
        shape.attack_ms = shape.attack_ms.max(order.soft_ms as f32);
        let entry = if cut { Entry::Cut } else { Entry::Whole };
        let hold = if order.held { Hold::Key } else { Hold::OneShot };
        let steepness = if s.steep { Steepness::TwentyFour } else { Steepness::Twelve };
        let filter = |pass, on: bool| on.then(|| Svf::new(pass, steepness, sample_rate));
        let sweeps = s.sweep_oct != 0.0;
        let mut low_cut = filter(Pass::High, s.low_cut_hz > 20.0);
        if let Some(f) = &mut low_cut {
            f.set(s.low_cut_hz, std::f32::consts::FRAC_1_SQRT_2);
        }
        let mut high_cut = filter(Pass::Low, order.high_cut_hz < 20_000.0 || (sweeps && s.sweep_oct < 0.0));
        if let Some(f) = &mut high_cut {
            f.set(order.high_cut_hz as f32, s.resonance);
        }
        let mut new = Self {
            take: order.slice.take,
            stereo: order.stereo,
            delay: order.delay,
            reader: Reader::new(at),
            at: fixed(at),
            end: fixed(end),
            fade: fixed(soft.min(length / 2.0)).max(1),
            limit,
            limit_fade: (frames(order.soft_ms.max(FADE_MS)) as u64).min(limit / 2).max(1),
            repeat: None,
            pitch,
            envelope: Envelope::new(shape, hold, entry, sample_rate),
            gains: order.gains,
            low_cut,
            high_cut,
            sweep: Sweep {
                hz: order.high_cut_hz,
                octaves: f64::from(s.sweep_oct),
                fall: math::one_pole(f64::from(s.sweep_ms), sample_rate / f64::from(SWEEP)),
            },
            age: 0,
            done: false,
            peaks: [0.0; 2],
        };
        if order.held && s.loop_on {
            new.repeat = Repeat::new(s, order.slice.rate, length, new.pitch.to.abs(), at);
        }
        new
    }

    pub fn take(&self) -> usize {
        self.take
    }

    pub fn is_done(&self) -> bool {
        self.done
    }

    /// The key is let go at the next frame. A repeated stretch goes on while it fades.
    pub fn release(&mut self) {
        self.envelope.release();
        self.done |= self.envelope.finished();
    }

    /// Loudest it has lately been; one that has not begun counts with its gain.
    pub fn loudness(&self) -> f32 {
        let watched = if self.age < WATCH { self.gains[0].max(self.gains[1]) } else { 0.0 };
        self.peaks[0].max(self.peaks[1]).max(watched)
    }

    /// Adds the next `out[0].len()` frames (at most [`RUN`]) to `out`.
    pub fn add_to(&mut self, around: &Around, scratch: &mut Scratch, out: [&mut [f32]; 2]) {
        let [left, right] = out;
        let n = left.len();
        let skip = self.delay.min(n as u64) as usize;
        self.delay -= skip as u64;
        let mut i = skip;
        while i < n && !self.done {
            let now = around.now + i as u64;
            let run = self.run(around.bend, now, n - i);
            self.add_run(around.channels, now, scratch, [&mut left[i..i + run], &mut right[i..i + run]]);
            i += run;
        }
    }

    /// Frames from here on that can be read in one piece.
    fn run(&mut self, bend: &Ramp, now: u64, most: usize) -> usize {
        let phase = self.age % u64::from(CONTROL);
        if phase == 0 {
            self.pitch.control(bend, now, self.age == 0);
        }
        let mut n = most.min(RUN).min((WATCH - now % WATCH) as usize);
        if self.pitch.from != self.pitch.to || self.pitch.moves(bend, now) {
            n = n.min((u64::from(CONTROL) - phase) as usize);
        }
        if self.sweep.octaves != 0.0 && self.high_cut.is_some() {
            n = n.min((u64::from(SWEEP) - self.age % u64::from(SWEEP)) as usize);
        }
        if let Some(repeat) = &self.repeat {
            n = n.min(repeat.frames_to_turn(self.at, self.end, self.pitch.from, self.pitch.to));
        }
        n
    }

    fn add_run(&mut self, channels: &[Vec<f32>], now: u64, scratch: &mut Scratch, out: [&mut [f32]; 2]) {
        let n = out[0].len();
        let Scratch { left, right, level, other, steps } = scratch;
        let (l, r, level) = (&mut left[..n], &mut right[..n], &mut level[..n]);
        let steps = self.pitch.steps(self.age, &mut steps[..n]);
        let start = self.at;
        self.begin_crossfade(start);
        read(&mut self.reader, channels, self.stereo, steps, l, r);
        self.envelope.fill(level);
        self.edges(start, steps, level);
        let [a, b] = other;
        self.turn(channels, start, steps, [l, r], [&mut a[..n], &mut b[..n]]);
        self.filter(l, r);
        self.done |= self.envelope.finished();
        let peak = self.mix(level, l, r, out);
        self.watch(now, n, peak);
        self.age += n as u64;
    }

    /// Moves `at` on and fades `level` towards the end of the slice and of the time limit.
    fn edges(&mut self, start: i64, steps: Steps, level: &mut [f32]) {
        let n = level.len();
        let back = self.pitch.sign < 0.0;
        let to_end = |at: i64| if back { at - self.end } else { self.end - at };
        self.at = (0..if steps.constant().is_some() { 0 } else { n })
            .fold(start, |at, i| at.saturating_add(fixed_step(steps.get(i))));
        if let Some(step) = steps.constant() {
            self.at = start.saturating_add(fixed_step(step).saturating_mul(n as i64));
        }
        let slice_ends = self.repeat.is_none() && to_end(self.at) < self.fade;
        let limit_nears = self.limit.saturating_sub(self.age + n as u64) < self.limit_fade;
        if !slice_ends && !limit_nears {
            return;
        }
        let mut at = start;
        for (i, level) in level.iter_mut().enumerate() {
            let left = to_end(at);
            if slice_ends && left < self.fade {
                *level *= (left.max(0) as f64 / self.fade as f64) as f32;
                self.done |= left <= 0;
            }
            let frames = self.limit.saturating_sub(self.age + i as u64);
            if frames < self.limit_fade {
                *level *= frames as f32 / self.limit_fade as f32;
                self.done |= frames == 0;
            }
            at = at.saturating_add(fixed_step(steps.get(i)));
        }
    }

    fn filter(&mut self, l: &mut [f32], r: &mut [f32]) {
        if let Some(f) = &mut self.low_cut {
            if self.stereo { f.process(l, r) } else { f.process_mono(l) }
        }
        let Some(f) = &mut self.high_cut else { return };
        if self.sweep.octaves != 0.0 && self.age.is_multiple_of(u64::from(SWEEP)) {
            f.set_cutoff((self.sweep.hz * f64::from(math::exp2_fast(self.sweep.octaves as f32))) as f32);
            self.sweep.octaves *= self.sweep.fall;
            // Below a thousandth of an octave nothing is heard of it.
            if self.sweep.octaves.abs() < 1e-3 {
                self.sweep.octaves = 0.0;
                f.set_cutoff(self.sweep.hz as f32);
            }
        }
        if self.stereo { f.process(l, r) } else { f.process_mono(l) }
    }

    /// Adds to `out`; returns the peak.
    fn mix(&self, level: &[f32], l: &[f32], r: &[f32], out: [&mut [f32]; 2]) -> f32 {
        let n = level.len();
        let [to_left, to_right] = out;
        let r = if self.stereo { r } else { l };
        let (l, r, to_left, to_right) = (&l[..n], &r[..n], &mut to_left[..n], &mut to_right[..n]);
        let [gl, gr] = self.gains;
        // Bits of numbers from 0 up are in the order of the numbers, and whole numbers are compared side by side.
        let magnitude = |x: f32| x.to_bits() & 0x7fff_ffff;
        let mut peak = 0;
        for i in 0..n {
            let (a, b) = (l[i] * level[i] * gl, r[i] * level[i] * gr);
            to_left[i] += a;
            to_right[i] += b;
            peak = magnitude(a).max(magnitude(b)).max(peak);
        }
        f32::from_bits(peak)
    }

    fn watch(&mut self, now: u64, n: usize, peak: f32) {
        self.peaks[0] = self.peaks[0].max(peak);
        if (now + n as u64).is_multiple_of(WATCH) {
            self.peaks = [0.0, self.peaks[0]];
        }
    }
}

/// Shortest fade before the end of a slice, ms.
const FADE_MS: f64 = 2.0;

/// First frame and the one after the last, of the take.
fn span(order: &Order) -> (f64, f64) {
    let frames = |ms: f64| ms * order.slice.rate / 1000.0;
    let (start, end) = (order.slice.start as f64, order.slice.end as f64);
    let stop = (start + frames(f64::from(order.settings.end_ms))).min(end);
    // Variation may begin a little before the slice, and before the take: nothing is heard there. A start past
    // the end leaves one frame.
    let first = (start + frames(order.start_ms)).round().min((stop - 1.0).max(0.0));
    (first, stop.floor().max(first + 1.0))
}

fn fixed(frames: f64) -> i64 {
    (frames * ONE).round() as i64
}

fn fixed_step(step: Step) -> i64 {
    (step.ratio() * ONE) as i64
}

fn read(reader: &mut Reader, take: &[Vec<f32>], stereo: bool, steps: Steps, l: &mut [f32], r: &mut [f32]) {
    match (stereo, steps) {
        (false, Steps::Constant(step)) => reader.read_mono(&take[0], step, l),
        (false, Steps::Glide(steps)) => reader.glide_mono(&take[0], steps, l),
        (true, Steps::Constant(step)) => reader.read_stereo([&take[0], &take[1]], step, [l, r]),
        (true, Steps::Glide(steps)) => reader.glide_stereo([&take[0], &take[1]], steps, [l, r]),
    }
}
