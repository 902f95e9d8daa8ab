//! One stereo output: its buffers, its true-peak ceiling and the removal of samples that are not finite.

use super::{
    dsp::{ceiling::Ceiling, denormal::flush32},
    ramp::Ramp,
};

/// One stereo output.
#[derive(Debug)]
pub(super) struct Output {
    pub left: Vec<f32>,
    pub right: Vec<f32>,
    /// Largest magnitude since it was last taken.
    pub peak: f32,
    ceiling: Ceiling,
    /// Level of the ceiling, dBTP.
    db: Ramp,
    /// Share of the limited signal: 1 with the ceiling on, 0 without.
    on: Ramp,
    /// The limited signal while the ceiling is switched on or off.
    limited: [Vec<f32>; 2],
    /// The ceiling's gain of each of the last frames, where it is recorded.
    gains: Option<Vec<f32>>,
}

impl Output {
    pub fn new(frames: usize, db: f32, sample_rate: f64) -> Self {
        let buffer = || vec![0.0; frames];
        Self {
            left: buffer(),
            right: buffer(),
            peak: 0.0,
            ceiling: Ceiling::new(db, sample_rate),
            db: Ramp::still(db),
            on: Ramp::still(1.0),
            limited: [buffer(), buffer()],
            gains: None,
        }
    }

    /// Records the ceiling's gain of every frame from now on. Allocates: not for the audio thread.
    pub fn record_gains(&mut self) {
        self.gains = Some(vec![1.0; self.left.len()]);
    }

    /// Multiplies the frames `from..from + n` by the gains of `main`'s ceiling, which records them, instead of those of an own
    /// ceiling.
    pub fn follow(&mut self, main: &Self, from: usize, n: usize) {
        let Some(gains) = &main.gains else { return };
        for channel in [&mut self.left, &mut self.right] {
            for (x, gain) in channel[from..from + n].iter_mut().zip(&gains[from..from + n]) {
                *x = if *gain == 0.0 { 0.0 } else { flush32(*x * gain) };
                self.peak = self.peak.max(x.abs());
            }
        }
    }

    /// Moves the ceiling to `db` dBTP and switches it, both within `frames` from frame `now` on.
    pub fn glide(&mut self, db: f32, on: bool, now: u64, frames: u32) {
        self.db.go(db, now, frames);
        self.on.go(if on { 1.0 } else { 0.0 }, now, frames);
    }

    /// The same at once, while nothing sounds; no reduction is left.
    pub fn set_now(&mut self, db: f32, on: bool) {
        self.ceiling.set(db);
        self.ceiling.reset();
        self.db = Ramp::still(db);
        self.on = Ramp::still(if on { 1.0 } else { 0.0 });
    }

    /// Once nothing sounds any more: no reduction is left, glides arrive.
    pub fn reset(&mut self) {
        self.set_now(self.db.target(), self.on.target() == 1.0);
    }

    /// Largest gain reduction of the ceiling since the last call, dB; 0 while it is off.
    pub fn take_reduction_db(&mut self) -> f32 {
        let db = self.ceiling.take_reduction_db();
        if self.on.target() == 1.0 { db } else { 0.0 }
    }

    /// Silences `frames` frames from index `from` on.
    pub fn clear(&mut self, from: usize, frames: usize) {
        self.left[from..from + frames].fill(0.0);
        self.right[from..from + frames].fill(0.0);
    }

    /// Limits the frames `from..from + n`, the first of which is the absolute frame `now`, to the ceiling.
    pub fn finish(&mut self, from: usize, n: usize, now: u64) {
        // A ceiling that glides moves in each frame: larger steps would be audible.
        let moving = (self.db.end() + 1).saturating_sub(now).min(n as u64) as usize;
        for i in 0..moving {
            self.ceiling.set(self.db.at(now + i as u64));
            self.limit(from + i, 1, now + i as u64);
        }
        self.limit(from + moving, n - moving, now + moving as u64);
        // Denormal numbers are inaudible and slow down what processes them next.
        for channel in [&mut self.left, &mut self.right] {
            self.peak = self.peak.max(flushed_peak(&mut channel[from..from + n]));
        }
    }

    fn limit(&mut self, from: usize, n: usize, now: u64) {
        let (left, right) = (&mut self.left[from..from + n], &mut self.right[from..from + n]);
        let mut gains = self.gains.as_mut().map(|gains| &mut gains[from..from + n]);
        if self.on.target() == 1.0 && !self.on.moves(now) {
            match gains {
                Some(gains) => self.ceiling.process_recording_gains(left, right, gains),
                None => self.ceiling.process(left, right),
            }
            return;
        }
        for (i, (l, r)) in left.iter_mut().zip(right.iter_mut()).enumerate() {
            let finite = l.is_finite() && r.is_finite();
            if !finite {
                (*l, *r) = (0.0, 0.0);
            }
            if let Some(gains) = &mut gains {
                gains[i] = if finite { 1.0 } else { 0.0 };
            }
        }
        if self.on.target() == 0.0 && !self.on.moves(now) {
            return;
        }
        let [a, b] = &mut self.limited;
        let (a, b) = (&mut a[..n], &mut b[..n]);
        a.copy_from_slice(left);
        b.copy_from_slice(right);
        self.ceiling.process(a, b);
        for i in 0..n {
            let share = self.on.at(now + i as u64);
            left[i] += share * (a[i] - left[i]);
            right[i] += share * (b[i] - right[i]);
        }
    }
}

/// Flushes denormal samples; the largest magnitude. Lanes of their own, so that vector units take several at once.
fn flushed_peak(samples: &mut [f32]) -> f32 {
    const PEAK_LANES: usize = 16;
    let mut peaks = [0.0f32; PEAK_LANES];
    let (blocks, rest) = samples.as_chunks_mut::<PEAK_LANES>();
    for block in blocks {
        for (peak, x) in peaks.iter_mut().zip(block) {
            *x = flush32(*x);
            *peak = peak.max(x.abs());
        }
    }
    for (peak, x) in peaks.iter_mut().zip(rest) {
        *x = flush32(*x);
        *peak = peak.max(x.abs());
    }
    peaks.into_iter().fold(0.0, f32::max)
}
