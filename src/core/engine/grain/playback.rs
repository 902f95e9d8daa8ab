//! A grain while it sounds: read, shaped by its envelope, filtered, panned.

use super::{
    pitch::{CONTROL_INTERVAL, Pitch},
    settings::{GRAIN_BLOCK, GrainSettings, Steps, fixed, fixed_step, read},
    slice_loop::{LoopPosition, SliceLoop},
};
use crate::{
    engine::{
        dsp::{
            envelope::{AmpEnvelope, Entry, Hold},
            math,
            reader::{Reader, Step},
            svf::{Pass, Steepness, Svf},
        },
        play_slice::SampleSource,
        ramp::Ramp,
    },
    units::ms_to_frames,
};

/// Frames of a grain's own age between two cutoffs of a filter that sweeps.
const SWEEP_STEP_FRAMES: u32 = 4;
/// Absolute frames of the windows in which a grain's peak is measured.
const PEAK_WINDOW: u64 = 512;
/// Shortest fade before the end of a slice, ms.
const GRAIN_FADE_MS: f64 = 2.0;

/// A grain that sounds; plain data, holds no samples.
#[derive(Debug, Clone, Copy)]
pub(in crate::engine) struct Grain {
    source: SampleSource,
    stereo: bool,
    /// The channel that it reads when it is not stereo.
    channel: usize,
    /// Constant offset of the take, left and right.
    offset: [f32; 2],
    /// Frames until it starts.
    delay: u64,
    reader: Reader,
    /// Position in the take and where it ends, 32.32 fixed point.
    at: i64,
    end: i64,
    /// Length of the fade before the end, 32.32 fixed point; at least 1.
    fade: i64,
    /// Most frames it may sound, and the fade before that.
    limit: u64,
    limit_fade: u64,
    slice_loop: Option<SliceLoop>,
    pitch: Pitch,
    envelope: AmpEnvelope,
    gains: [f32; 2],
    low_cut: Option<Svf>,
    high_cut: Option<Svf>,
    sweep: Sweep,
    /// Frames since it started.
    age: u64,
    done: bool,
    /// Peak of the current window and of the one before.
    peaks: [f32; 2],
}

/// A cutoff that falls exponentially to its target.
#[derive(Debug, Clone, Copy)]
struct Sweep {
    /// Target, Hz.
    hz: f64,
    /// Distance from it, octaves.
    octaves: f64,
    /// Factor of the distance per [`SWEEP_STEP_FRAMES`].
    fall: f64,
}

/// Memory for one block, shared by all grains so that none is cleared for each.
#[derive(Debug)]
pub(in crate::engine) struct Scratch {
    left: [f32; GRAIN_BLOCK],
    right: [f32; GRAIN_BLOCK],
    level: [f32; GRAIN_BLOCK],
    other: [[f32; GRAIN_BLOCK]; 2],
    steps: [Step; GRAIN_BLOCK],
}

impl Default for Scratch {
    fn default() -> Self {
        Self {
            left: [0.0; GRAIN_BLOCK],
            right: [0.0; GRAIN_BLOCK],
            level: [0.0; GRAIN_BLOCK],
            other: [[0.0; GRAIN_BLOCK]; 2],
            steps: [Step::default(); GRAIN_BLOCK],
        }
    }
}

/// What a grain needs to render a block.
pub(in crate::engine) struct GrainContext<'a> {
    /// Channels of its source.
    pub channels: &'a [Vec<f32>],
    /// Pitch trim that moves while the grain sounds, semitones.
    pub bend: &'a Ramp,
    /// Absolute frame of the first frame to render.
    pub now: u64,
}

impl Grain {
    /// The same grain, read with short kernels: see [`Reader::draft`].
    #[must_use]
    pub fn draft(self) -> Self {
        Self { reader: self.reader.draft(), ..self }
    }

    /// A grain triggered at absolute frame `now` in an engine at `sample_rate` Hz.
    pub fn new(settings: &GrainSettings, bend: &Ramp, now: u64, sample_rate: f64) -> Self {
        let s = settings.settings;
        let frames = |ms: f64| ms_to_frames(ms, sample_rate);
        let pitch = Pitch::new(settings, f64::from(bend.at(now + settings.delay)), sample_rate);
        let (first, last) = settings.span();
        let length = (last - first).max(1.0);
        let mut limit = settings.limit;
        let repeats = settings.repeats();
        if settings.length < 1.0 && repeats.is_none() {
            limit = limit.min((length / pitch.to.abs().max(1e-6) * settings.length) as u64);
        }
        // In source frames; a slice shorter than its fades fades in and out at once.
        let soft = frames(settings.soft_ms.max(GRAIN_FADE_MS)) * pitch.to.abs().min(64.0);
        let (at, end) = if settings.reverse { (last - 1.0, first - 1.0) } else { (first, last) };
        let cut = first - settings.slice.start as f64 > settings.slice.sounds_from || settings.reverse;
        let mut shape = settings.shape;
        shape.attack_ms = shape.attack_ms.max(settings.soft_ms as f32);
        let entry = if cut { Entry::Cut } else { Entry::Whole };
        let hold = if settings.held { Hold::Key } else { Hold::OneShot };
        let steepness = if s.steep { Steepness::TwentyFour } else { Steepness::Twelve };
        let filter = |pass, on: bool| on.then(|| Svf::new(pass, steepness, sample_rate));
        let sweeps = s.sweep_oct != 0.0;
        let mut low_cut = filter(Pass::High, s.low_cut_hz > 20.0);
        if let Some(f) = &mut low_cut {
            f.set(s.low_cut_hz, std::f32::consts::FRAC_1_SQRT_2);
        }
        let mut high_cut =
            filter(Pass::Low, settings.high_cut_hz < 20_000.0 || (sweeps && s.sweep_oct < 0.0));
        if let Some(f) = &mut high_cut {
            f.set(settings.high_cut_hz as f32, s.resonance);
        }
        let mut new = Self {
            source: settings.slice.source,
            stereo: settings.stereo,
            channel: settings.channel,
            offset: settings.offset(),
            delay: settings.delay,
            reader: Reader::new(at),
            at: fixed(at),
            end: fixed(end),
            fade: fixed(soft.min(length / 2.0)).max(1),
            limit,
            limit_fade: (frames(settings.soft_ms.max(GRAIN_FADE_MS)) as u64).min(limit / 2).max(1),
            slice_loop: None,
            pitch,
            envelope: AmpEnvelope::new(shape, hold, entry, sample_rate),
            gains: settings.gains,
            low_cut,
            high_cut,
            sweep: Sweep {
                hz: settings.high_cut_hz,
                octaves: f64::from(s.sweep_oct),
                fall: math::one_pole(f64::from(s.sweep_ms), sample_rate / f64::from(SWEEP_STEP_FRAMES)),
            },
            age: 0,
            done: false,
            peaks: [0.0; 2],
        };
        if let Some(repetition) = repeats {
            // a repetition has room for the fade at its end
            let room = soft + GRAIN_BLOCK as f64;
            new.slice_loop = SliceLoop::of_tail(repetition, at, last, settings.stop(), room);
        } else if settings.held && s.loop_on {
            new.slice_loop = SliceLoop::new(s, settings.slice.rate, length, new.pitch.to.abs(), at);
        }
        new
    }

    /// Where its samples lie.
    pub fn source(&self) -> SampleSource {
        self.source
    }

    /// Whether it has ended.
    pub fn is_done(&self) -> bool {
        self.done
    }

    /// The key is released at the next frame. A loop goes on during the release.
    pub fn release(&mut self) {
        self.envelope.release();
        self.done |= self.envelope.finished();
    }

    /// Its recent peak; a grain younger than one window counts with its gain.
    pub fn loudness(&self) -> f32 {
        let expected = if self.age < PEAK_WINDOW { self.gains[0].max(self.gains[1]) } else { 0.0 };
        self.peaks[0].max(self.peaks[1]).max(expected)
    }

    /// Adds the next `out[0].len()` frames (at most [`GRAIN_BLOCK`]) to `out`.
    pub fn add_to(&mut self, context: &GrainContext, scratch: &mut Scratch, out: [&mut [f32]; 2]) {
        let [left, right] = out;
        let n = left.len();
        let skip = self.delay.min(n as u64) as usize;
        self.delay -= skip as u64;
        let mut i = skip;
        while i < n && !self.done {
            let now = context.now + i as u64;
            let length = self.block_length(context.bend, now, n - i);
            self.add_block(
                context.channels,
                now,
                scratch,
                [&mut left[i..i + length], &mut right[i..i + length]],
            );
            i += length;
        }
    }

    /// Frames from here on that can be rendered in one piece.
    fn block_length(&mut self, bend: &Ramp, now: u64, max: usize) -> usize {
        let phase = self.age % u64::from(CONTROL_INTERVAL);
        if phase == 0 {
            self.pitch.control(bend, now, self.age == 0);
        }
        let mut n = max.min(GRAIN_BLOCK).min((PEAK_WINDOW - now % PEAK_WINDOW) as usize);
        if self.pitch.from != self.pitch.to || self.pitch.moves(bend, now) {
            n = n.min((u64::from(CONTROL_INTERVAL) - phase) as usize);
        }
        if self.sweep.octaves != 0.0 && self.high_cut.is_some() {
            n = n.min((u64::from(SWEEP_STEP_FRAMES) - self.age % u64::from(SWEEP_STEP_FRAMES)) as usize);
        }
        if let Some(slice_loop) = &self.slice_loop {
            n = n.min(slice_loop.frames_to_turn(self.at, self.end, self.pitch.from, self.pitch.to));
        }
        n
    }

    fn add_block(&mut self, channels: &[Vec<f32>], now: u64, scratch: &mut Scratch, out: [&mut [f32]; 2]) {
        let n = out[0].len();
        let Scratch { left, right, level, other, steps } = scratch;
        let (l, r, level) = (&mut left[..n], &mut right[..n], &mut level[..n]);
        let channels = if self.stereo { channels } else { &channels[self.channel..] };
        let steps = self.pitch.steps(self.age, &mut steps[..n]);
        let start = self.at;
        let backwards = self.pitch.sign < 0.0;
        let position = LoopPosition { start, end: self.end, backwards, stereo: self.stereo };
        if let Some(slice_loop) = &mut self.slice_loop {
            slice_loop.start_crossfade(&self.reader, position);
        }
        read(&mut self.reader, channels, self.stereo, steps, l, r);
        self.envelope.fill(level);
        self.fade_ends(start, steps, level);
        let [a, b] = other;
        if let Some(slice_loop) = &mut self.slice_loop {
            slice_loop.crossfade(channels, position, steps, [l, r], [&mut a[..n], &mut b[..n]]);
            self.at = slice_loop.turn_back(self.at, &mut self.reader, position);
            if let Some(end) = slice_loop.last_end() {
                self.end = end;
                self.slice_loop = None;
            }
        }
        if self.offset != [0.0; 2] {
            self.remove_offset(channels, start, steps, [&mut *l, &mut *r]);
        }
        self.filter(l, r);
        self.done |= self.envelope.finished();
        let peak = self.mix(level, l, r, out);
        self.update_peaks(now, n, peak);
        self.age += n as u64;
    }

    /// Removes the take's constant offset from a block that begins at `start`; outside of the take there is silence.
    fn remove_offset(&self, channels: &[Vec<f32>], start: i64, steps: Steps, [l, r]: [&mut [f32]; 2]) {
        let end = fixed(channels[0].len() as f64);
        let mut at = start;
        for (i, (l, r)) in l.iter_mut().zip(r).enumerate() {
            if (0..end).contains(&at) {
                *l -= self.offset[0];
                *r -= self.offset[1];
            }
            at = at.saturating_add(fixed_step(steps.get(i)));
        }
    }

    /// Moves `at` on and fades `level` towards the end of the slice and of the time limit.
    fn fade_ends(&mut self, start: i64, steps: Steps, level: &mut [f32]) {
        let n = level.len();
        let back = self.pitch.sign < 0.0;
        let to_end = |at: i64| if back { at - self.end } else { self.end - at };
        self.at = (0..if steps.constant().is_some() { 0 } else { n })
            .fold(start, |at, i| at.saturating_add(fixed_step(steps.get(i))));
        if let Some(step) = steps.constant() {
            self.at = start.saturating_add(fixed_step(step).saturating_mul(n as i64));
        }
        let slice_ends = self.slice_loop.is_none() && to_end(self.at) < self.fade;
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
        let Some(f) = &mut self.high_cut else {
            if let Some(f) = &mut self.low_cut {
                if self.stereo { f.process(l, r) } else { f.process_mono(l) }
            }
            return;
        };
        if self.sweep.octaves != 0.0 && self.age.is_multiple_of(u64::from(SWEEP_STEP_FRAMES)) {
            f.set_cutoff((self.sweep.hz * f64::from(math::exp2_fast(self.sweep.octaves as f32))) as f32);
            self.sweep.octaves *= self.sweep.fall;
            // Below a thousandth of an octave the rest is inaudible.
            if self.sweep.octaves.abs() < 1e-3 {
                self.sweep.octaves = 0.0;
                f.set_cutoff(self.sweep.hz as f32);
            }
        }
        match &mut self.low_cut {
            Some(low) if self.stereo => {
                low.process(l, r);
                f.process(l, r);
            }
            Some(low) => low.process_mono_with(f, l),
            None if self.stereo => f.process(l, r),
            None => f.process_mono(l),
        }
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

    fn update_peaks(&mut self, now: u64, n: usize, peak: f32) {
        self.peaks[0] = self.peaks[0].max(peak);
        if (now + n as u64).is_multiple_of(PEAK_WINDOW) {
            self.peaks = [0.0, self.peaks[0]];
        }
    }
}
