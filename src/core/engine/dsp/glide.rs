//! A linear parameter smoother, frame by frame.

/// A value that moves to each new target within a fixed number of frames.
#[derive(Debug, Clone, Copy)]
pub struct Glide {
    now: f64,
    target: f64,
    step: f64,
    left: u32,
    frames: u32,
}

impl Glide {
    /// Rests at `value`; later goals are reached within `frames`.
    pub fn new(value: f64, frames: u32) -> Self {
        Self { now: value, target: value, step: 0.0, left: 0, frames: frames.max(1) }
    }

    /// Moves to `target` from the next frame on; does nothing if that is the target already.
    pub fn set_target(&mut self, target: f64) {
        if target != self.target {
            self.target = target;
            self.left = self.frames;
            self.step = (target - self.now) / f64::from(self.frames);
        }
    }

    /// Takes the target's value at once.
    pub fn jump(&mut self) {
        (self.now, self.left) = (self.target, 0);
    }

    /// The value for the next frame.
    #[inline(always)]
    pub fn next_frame(&mut self) -> f64 {
        if self.left > 0 {
            self.left -= 1;
            self.now = if self.left == 0 { self.target } else { self.now + self.step };
        }
        self.now
    }
}
