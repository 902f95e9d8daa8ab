//! The playback ratio of a grain from frame to frame: pitch, pitch drop and the trims that bend it.

use super::settings::{GrainSettings, Steps};
use crate::{
    engine::{
        dsp::{math, reader::Step},
        ramp::Ramp,
    },
    units::st_to_ratio,
};

/// Frames of a grain's own age between two computations of a moving ratio; it is interpolated linearly between
/// them.
pub(super) const CONTROL_INTERVAL: u32 = 16;

/// The playback ratio of a grain: frames of the take per output frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pitch {
    /// Take rate over engine rate.
    rate: f64,
    st: f64,
    drop_st: f64,
    drop_fall: f64,
    /// -1 when played backwards, else 1.
    pub sign: f64,
    /// Signed ratio at the last control point and at the next one.
    pub from: f64,
    pub to: f64,
}

impl Pitch {
    /// The ratio of a grain with a bend of so many semitones at its first frame; engine at `sample_rate` Hz.
    pub fn new(grain: &GrainSettings, bend: f64, sample_rate: f64) -> Self {
        let s = grain.settings;
        let mut new = Self {
            rate: grain.slice.rate / sample_rate,
            st: grain.pitch_st,
            drop_st: f64::from(s.drop_st),
            drop_fall: math::one_pole(f64::from(s.drop_ms), sample_rate / f64::from(CONTROL_INTERVAL)),
            sign: if grain.reverse { -1.0 } else { 1.0 },
            from: 0.0,
            to: 0.0,
        };
        new.to = new.ratio(bend);
        new
    }

    fn ratio(&self, bend: f64) -> f64 {
        let st = self.st + bend + self.drop_st;
        (self.sign * self.rate * st_to_ratio(st)).clamp(-1000.0, 1000.0)
    }

    /// At a control point: sets the ratio here and at the next one. `first` at the grain's first frame.
    pub fn control(&mut self, bend: &Ramp, now: u64, first: bool) {
        if first {
            self.to = self.ratio(f64::from(bend.at(now)));
        }
        self.from = self.to;
        if self.moves(bend, now) {
            self.drop_st *= self.drop_fall;
            // Below a hundredth of a cent the rest is inaudible.
            if self.drop_st.abs() < 1e-4 {
                self.drop_st = 0.0;
            }
            self.to = self.ratio(f64::from(bend.at(now + u64::from(CONTROL_INTERVAL))));
        }
    }

    /// Whether the ratio moves at frame `now` or within one control interval.
    pub fn moves(&self, bend: &Ramp, now: u64) -> bool {
        self.drop_st != 0.0 || bend.end() + u64::from(CONTROL_INTERVAL) >= now
    }

    /// The steps of the frames from `age` on; at most to the next control point while the ratio moves.
    pub fn steps<'a>(&self, age: u64, steps: &'a mut [Step]) -> Steps<'a> {
        if self.from == self.to {
            return Steps::Constant(Step::from_ratio(self.to));
        }
        let phase = age % u64::from(CONTROL_INTERVAL);
        for (i, s) in steps.iter_mut().enumerate() {
            let x = (phase + i as u64 + 1) as f64 / f64::from(CONTROL_INTERVAL);
            *s = Step::from_ratio(self.from + (self.to - self.from) * x);
        }
        Steps::Glide(steps)
    }
}
