//! A linear ramp in closed form: its value depends on the absolute frame only, so the result does not depend on
//! the chunks.

/// A value that moves along a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ramp {
    from: f32,
    to: f32,
    start: u64,
    frames: u32,
}

impl Ramp {
    /// A constant value.
    pub fn still(value: f32) -> Self {
        Self { from: value, to: value, start: 0, frames: 0 }
    }

    /// From one value to another within `frames`, starting at frame `now`.
    pub fn between(from: f32, to: f32, now: u64, frames: u32) -> Self {
        Self { from, to, start: now, frames }
    }

    /// Moves to `to` within `frames`, from its value at frame `now`.
    pub fn go(&mut self, to: f32, now: u64, frames: u32) {
        if to != self.to {
            *self = Self { from: self.at(now), to, start: now, frames };
        }
    }

    /// Value at a frame; the first frame of a ramp has made one step.
    #[inline]
    pub fn at(&self, frame: u64) -> f32 {
        let done = frame.saturating_sub(self.start) + 1;
        if done >= u64::from(self.frames) {
            return self.to;
        }
        self.from + (self.to - self.from) * (done as f32 / self.frames as f32)
    }

    /// Value at the end of the ramp.
    pub fn target(&self) -> f32 {
        self.to
    }

    /// Whether it still moves at `frame` or after.
    pub fn moves(&self, frame: u64) -> bool {
        frame + 1 < self.start + u64::from(self.frames)
    }

    /// Frame from which the value is constant.
    pub fn end(&self) -> u64 {
        self.start + u64::from(self.frames)
    }

    /// Multiplies `samples`, the first of which lies at `frame`.
    pub fn scale(&self, frame: u64, samples: &mut [f32]) {
        let moving = self.end().saturating_sub(frame).min(samples.len() as u64) as usize;
        let (head, tail) = samples.split_at_mut(moving);
        for (i, x) in head.iter_mut().enumerate() {
            *x *= self.at(frame + i as u64);
        }
        if self.to != 1.0 {
            tail.iter_mut().for_each(|x| *x *= self.to);
        }
    }

    /// Adds `samples` times the value to `out`; the first lies at `frame`.
    pub fn add_scaled(&self, frame: u64, samples: &[f32], out: &mut [f32]) {
        let moving = self.end().saturating_sub(frame).min(samples.len() as u64) as usize;
        for (i, (y, x)) in out[..moving].iter_mut().zip(&samples[..moving]).enumerate() {
            *y += x * self.at(frame + i as u64);
        }
        if self.to != 0.0 {
            for (y, x) in out[moving..].iter_mut().zip(&samples[moving..]) {
                *y += x * self.to;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_arrives_and_can_be_redirected() {
        let mut r = Ramp::still(0.0);
        r.go(1.0, 100, 10);
        assert_eq!(r.at(100), 0.1);
        assert_eq!(r.at(109), 1.0);
        r.go(0.0, 105, 10);
        assert!((r.at(105) - 0.6 * 0.9).abs() < 1e-6);
        assert_eq!(r.at(200), 0.0);
        assert!(!r.moves(114));
    }

    #[test]
    fn scaling_does_not_depend_on_chunks() {
        let r = Ramp::between(0.2, 0.9, 3, 50);
        let mut whole = vec![1.0; 100];
        r.scale(0, &mut whole);
        let mut parts = vec![1.0; 100];
        let mut at = 0;
        for n in [1, 7, 30, 20, 42] {
            r.scale(at as u64, &mut parts[at..at + n]);
            at += n;
        }
        assert_eq!(whole, parts);
    }
}
