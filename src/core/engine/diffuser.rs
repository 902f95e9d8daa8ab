//! Diffuses a cloud: four allpasses in series on each channel.
//!
//! Allpasses after M. R. Schroeder, "Natural Sounding Artificial Reverberation" (1962). Lengths and gain are
//! common practice, no source: no two lengths are close to a simple ratio.

use super::{dsp::denormal::flush32, ramp::Ramp};

const LENGTHS_MS: [[f64; 4]; 2] = [[4.31, 7.13, 11.87, 17.29], [4.73, 7.69, 11.27, 18.13]];
const GAIN: f32 = 0.6;

/// The diffusion of one pad's cloud.
#[derive(Debug)]
pub(super) struct Diffuser {
    lines: [[Line; 4]; 2],
    /// Whether the delay lines may hold sound.
    pub busy: bool,
    /// Gain of its output: it falls when the pad is choked, since the delay lines ring on.
    gain: Ramp,
}

/// One allpass.
#[derive(Debug)]
struct Line {
    memory: Vec<f32>,
    at: usize,
}

impl Diffuser {
    pub fn new(sample_rate: f64) -> Self {
        let line = |ms: f64| Line { memory: vec![0.0; (ms * sample_rate / 1000.0) as usize + 1], at: 0 };
        Self { lines: LENGTHS_MS.map(|channel| channel.map(line)), busy: false, gain: Ramp::still(1.0) }
    }

    /// Fades out within `frames` from frame `now` on, and then forgets what rings in it.
    pub fn fade_out(&mut self, now: u64, frames: u32) {
        if self.busy {
            self.gain.go(0.0, now, frames);
        }
    }

    /// Rings on, if it has not faded out by frame `now`: a new stroke needs it.
    pub fn ring_on(&mut self, now: u64, frames: u32) {
        self.gain.go(1.0, now, frames);
    }

    pub fn clear(&mut self) {
        self.gain = Ramp::still(1.0);
        if std::mem::take(&mut self.busy) {
            for line in self.lines.iter_mut().flatten() {
                line.memory.fill(0.0);
                line.at = 0;
            }
        }
    }

    /// Mixes in `share` (0 to 1) of diffused sound; `[channel]`, in place, from frame `now` on.
    pub fn process(&mut self, share: f32, now: u64, channels: [&mut [f32]; 2]) {
        self.busy = true;
        let end = now + channels[0].len() as u64;
        for (lines, samples) in self.lines.iter_mut().zip(channels) {
            for x in samples.iter_mut() {
                let mut y = *x;
                for line in lines.iter_mut() {
                    y = line.tick(y);
                }
                *x += share * (y - *x);
            }
            self.gain.scale(now, samples);
        }
        if self.gain.target() == 0.0 && self.gain.end() <= end {
            self.clear();
        }
    }

    /// The output that [`Diffuser::process`] will give for future frames, in place; the state stays as it is. There
    /// must be fewer frames than the shortest line is long, so that the lines hold all that is needed.
    pub fn peek(&self, share: f32, now: u64, channels: [&mut [f32]; 2]) {
        for (lines, samples) in self.lines.iter().zip(channels) {
            for (i, x) in samples.iter_mut().enumerate() {
                let y = lines.iter().fold(*x, |y, line| line.peek(i, y));
                *x += share * (y - *x);
            }
            self.gain.scale(now, samples);
        }
    }
}

impl Line {
    /// The output of [`Line::tick`] for the frame `i` frames from now.
    #[inline]
    fn peek(&self, i: usize, x: f32) -> f32 {
        debug_assert!(i < self.memory.len());
        let at = self.at + i;
        let old = self.memory[if at < self.memory.len() { at } else { at - self.memory.len() }];
        old - GAIN * flush32(x + GAIN * old)
    }

    #[inline]
    fn tick(&mut self, x: f32) -> f32 {
        let old = self.memory[self.at];
        let held = flush32(x + GAIN * old);
        self.memory[self.at] = held;
        self.at = if self.at + 1 == self.memory.len() { 0 } else { self.at + 1 };
        old - GAIN * held
    }
}
