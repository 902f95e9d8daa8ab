//! A split into a low and a high band whose sum is flat.
//!
//! Linkwitz and Riley, "Active Crossover Networks for Noncoincident Drivers", JAES 24(1), 1976: each
//! band is a second-order Butterworth filter used twice; the sum passes every frequency at equal
//! level. Both halves are taken from the same state-variable filter: the second-order all-pass that the
//! bands sum to needs no rounding luck, see the test.

use super::svf::{Pass, Steepness, Svf};

/// A fourth-order Linkwitz-Riley split of two channels.
#[derive(Debug, Clone, Copy)]
pub struct Crossover {
    low: [Svf; 2],
    high: [Svf; 2],
}

impl Crossover {
    /// A split at `hz`, at `sample_rate` Hz.
    pub fn new(hz: f32, sample_rate: f64) -> Self {
        let filter = |pass| [Svf::new(pass, Steepness::Twelve, sample_rate); 2];
        let mut new = Self { low: filter(Pass::Low), high: filter(Pass::High) };
        new.set(hz);
        new
    }

    /// Moves the split; sound inside is kept.
    pub fn set(&mut self, hz: f32) {
        for filter in self.low.iter_mut().chain(&mut self.high) {
            filter.set_cutoff(hz);
        }
    }

    /// Takes the low band out of `left` and `right`, which keep the high one.
    pub fn split(&mut self, left: &mut [f32], right: &mut [f32], low: [&mut [f32]; 2]) {
        let [low_left, low_right] = low;
        low_left.copy_from_slice(left);
        low_right.copy_from_slice(right);
        for filter in &mut self.low {
            filter.process(low_left, low_right);
        }
        for filter in &mut self.high {
            filter.process(left, right);
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.low.iter_mut().chain(&mut self.high).for_each(Svf::reset);
    }
}
