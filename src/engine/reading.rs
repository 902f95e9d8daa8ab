//! One reading of a slice: a layer of a hit or a copy in its cloud. The smallest thing that sounds.

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

/// Moving pitches and cutoffs are worked out anew every so many frames of a reading's own age, with
/// straight lines between for the pitch.
const CONTROL: u32 = 16;
/// The same for a sweeping filter.
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

/// The repeated stretch at the end of a held slice.
#[derive(Debug, Clone, Copy)]
struct Repeat {
    /// Reads the crossfade: one length behind.
    reader: Reader,
    length: i64,
    fade: i64,
    fading: bool,
}

#[derive(Debug, Clone, Copy)]
struct Pitch {
    /// Take rate over engine rate.
    rate: f64,
    st: f64,
    drop_st: f64,
    drop_fall: f64,
    sign: f64,
    /// Signed ratio at the last control point and at the next one.
    from: f64,
    to: f64,
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
        let rate = order.slice.rate / sample_rate;
        let sign = if order.reverse { -1.0 } else { 1.0 };
        let mut pitch = Pitch {
            rate,
            st: order.pitch_st,
            drop_st: f64::from(s.drop_st),
            drop_fall: math::one_pole(f64::from(s.drop_ms), sample_rate / f64::from(CONTROL)),
            sign,
            from: 0.0,
            to: 0.0,
        };
        pitch.to = pitch.ratio(f64::from(bend.at(now + order.delay)));
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

    /// The first frame within the fade before the end of a repeated stretch: a second reader starts one
    /// length behind.
    fn begin_crossfade(&mut self, start: i64) {
        let Some(repeat) = &mut self.repeat else { return };
        let back = self.pitch.sign < 0.0;
        let left = if back { start - self.end } else { self.end - start };
        if left < repeat.fade && !repeat.fading {
            repeat.fading = true;
            repeat.reader = self.reader;
            let behind = if back { repeat.length } else { -repeat.length };
            repeat.reader.jump((start + behind) as f64 / ONE);
        }
    }

    /// The crossfade of a repeated stretch, and the turn back at its end.
    fn turn(
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
        let [to_left, to_right] = out;
        let [gl, gr] = self.gains;
        let mut peak = 0.0_f32;
        let r = if self.stereo { r } else { l };
        for i in 0..level.len() {
            let (a, b) = (l[i] * level[i] * gl, r[i] * level[i] * gr);
            to_left[i] += a;
            to_right[i] += b;
            peak = peak.max(a.abs().max(b.abs()));
        }
        peak
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

impl Pitch {
    fn ratio(&self, bend: f64) -> f64 {
        let st = self.st + bend + self.drop_st;
        (self.sign * self.rate * libm::exp2(st / 12.0)).clamp(-1000.0, 1000.0)
    }

    /// At a control point: from here to the next.
    fn control(&mut self, bend: &Ramp, now: u64, first: bool) {
        if first {
            self.to = self.ratio(f64::from(bend.at(now)));
        }
        self.from = self.to;
        if self.moves(bend, now) {
            self.drop_st *= self.drop_fall;
            // A hundredth of a cent: nobody hears the rest.
            if self.drop_st.abs() < 1e-4 {
                self.drop_st = 0.0;
            }
            self.to = self.ratio(f64::from(bend.at(now + u64::from(CONTROL))));
        }
    }

    fn moves(&self, bend: &Ramp, now: u64) -> bool {
        self.drop_st != 0.0 || bend.end() + u64::from(CONTROL) >= now
    }

    /// Steps of the frames from `age` on, within one control period or at rest.
    fn steps<'a>(&self, age: u64, steps: &'a mut [Step]) -> Steps<'a> {
        if self.from == self.to {
            return Steps::Constant(Step::from_ratio(self.to));
        }
        let phase = age % u64::from(CONTROL);
        for (i, s) in steps.iter_mut().enumerate() {
            let x = (phase + i as u64 + 1) as f64 / f64::from(CONTROL);
            *s = Step::from_ratio(self.from + (self.to - self.from) * x);
        }
        Steps::Glide(steps)
    }
}

/// The step after each frame of a run.
#[derive(Clone, Copy)]
enum Steps<'a> {
    Constant(Step),
    Glide(&'a [Step]),
}

impl Steps<'_> {
    fn constant(&self) -> Option<Step> {
        match self {
            Self::Constant(step) => Some(*step),
            Self::Glide(_) => None,
        }
    }

    fn get(&self, i: usize) -> Step {
        match self {
            Self::Constant(step) => *step,
            Self::Glide(steps) => steps[i],
        }
    }
}

impl Repeat {
    /// `None` when the slice is too short for it.
    fn new(s: &LayerSettings, rate: f64, span: f64, ratio: f64, at: f64) -> Option<Self> {
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
    fn frames_to_turn(&self, at: i64, end: i64, from: f64, to: f64) -> usize {
        let fastest = fixed(from.abs().max(to.abs())).max(1);
        let left = (end - at).abs();
        let until = if left > self.fade { left - self.fade } else { left };
        // Rounded up: the frame on which it happens is the last one of the run.
        ((until + fastest - 1) / fastest).max(1) as usize
    }
}

/// First frame and the one after the last, of the take.
fn span(order: &Order) -> (f64, f64) {
    let frames = |ms: f64| ms * order.slice.rate / 1000.0;
    let (start, end) = (order.slice.start as f64, order.slice.end as f64);
    let stop = (start + frames(f64::from(order.settings.end_ms))).min(end);
    // Variation may begin a little before the slice; a start past the end leaves one frame.
    let first = (start + frames(order.start_ms)).round().clamp(0.0, (stop - 1.0).max(0.0));
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
