//! How fast a slice is read: pitch, drop and the trims that bend it, from frame to frame.

use super::Order;
use crate::engine::{
    dsp::{math, reader::Step},
    ramp::Ramp,
};

/// Moving pitches are worked out anew every so many frames of a reading's own age, with straight lines
/// between.
pub(super) const CONTROL: u32 = 16;

/// Where a reading's pitch stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pitch {
    /// Take rate over engine rate.
    rate: f64,
    st: f64,
    drop_st: f64,
    drop_fall: f64,
    /// -1 backwards.
    pub sign: f64,
    /// Signed ratio at the last control point and at the next one.
    pub from: f64,
    pub to: f64,
}

impl Pitch {
    /// The pitch of `order` with a bend of so many semitones at its first frame; engine at `sample_rate` Hz.
    pub fn new(order: &Order, bend: f64, sample_rate: f64) -> Self {
        let s = order.settings;
        let mut new = Self {
            rate: order.slice.rate / sample_rate,
            st: order.pitch_st,
            drop_st: f64::from(s.drop_st),
            drop_fall: math::one_pole(f64::from(s.drop_ms), sample_rate / f64::from(CONTROL)),
            sign: if order.reverse { -1.0 } else { 1.0 },
            from: 0.0,
            to: 0.0,
        };
        new.to = new.ratio(bend);
        new
    }

    fn ratio(&self, bend: f64) -> f64 {
        let st = self.st + bend + self.drop_st;
        (self.sign * self.rate * libm::exp2(st / 12.0)).clamp(-1000.0, 1000.0)
    }

    /// At a control point: from here to the next.
    pub fn control(&mut self, bend: &Ramp, now: u64, first: bool) {
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

    /// Whether the ratio moves at frame `now` or soon after.
    pub fn moves(&self, bend: &Ramp, now: u64) -> bool {
        self.drop_st != 0.0 || bend.end() + u64::from(CONTROL) >= now
    }

    /// Steps of the frames from `age` on, within one control period or at rest.
    pub fn steps<'a>(&self, age: u64, steps: &'a mut [Step]) -> Steps<'a> {
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
