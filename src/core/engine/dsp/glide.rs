//! A value that moves along a straight line, frame by frame.

/// Moves to each new goal within a fixed number of frames.
#[derive(Debug, Clone, Copy)]
pub struct Glide {
    now: f64,
    goal: f64,
    step: f64,
    left: u32,
    frames: u32,
}

impl Glide {
    /// Rests at `value`; later goals are reached within `frames`.
    pub fn new(value: f64, frames: u32) -> Self {
        Self { now: value, goal: value, step: 0.0, left: 0, frames: frames.max(1) }
    }

    /// Sets out for `goal`, unless it is already on its way there.
    pub fn aim(&mut self, goal: f64) {
        if goal != self.goal {
            self.goal = goal;
            self.left = self.frames;
            self.step = (goal - self.now) / f64::from(self.frames);
        }
    }

    /// Arrives at once.
    pub fn jump(&mut self) {
        (self.now, self.left) = (self.goal, 0);
    }

    /// Whether it has arrived.
    pub fn rests(&self) -> bool {
        self.left == 0
    }

    /// The value for the next frame.
    #[inline(always)]
    pub fn next_frame(&mut self) -> f64 {
        if self.left > 0 {
            self.left -= 1;
            self.now = if self.left == 0 { self.goal } else { self.now + self.step };
        }
        self.now
    }
}
