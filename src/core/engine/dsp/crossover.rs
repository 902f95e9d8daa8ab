//! A crossover into a low and a high band whose sum has a flat magnitude.
//!
//! Linkwitz and Riley, "Active Crossover Networks for Noncoincident Drivers", JAES 24(1), 1976: each
//! band is a second-order Butterworth filter used twice; the sum of the bands is an all-pass. A test measures
//! the flatness.

use super::svf::{Pass, Steepness, Svf};

/// A fourth-order Linkwitz-Riley crossover for two channels.
#[derive(Debug, Clone, Copy)]
pub struct Crossover {
    low: [Svf; 2],
    high: [Svf; 2],
}

impl Crossover {
    /// Crossover frequency and sample rate in Hz.
    pub fn new(hz: f32, sample_rate: f64) -> Self {
        let filter = |pass| [Svf::new(pass, Steepness::Twelve, sample_rate); 2];
        let mut new = Self { low: filter(Pass::Low), high: filter(Pass::High) };
        new.set(hz);
        new
    }

    /// Sets the crossover frequency, Hz; the state is kept.
    pub fn set(&mut self, hz: f32) {
        for filter in self.low.iter_mut().chain(&mut self.high) {
            filter.set_cutoff(hz);
        }
    }

    /// Moves the low band of `left` and `right` to `low`, of equal length; `left` and `right` keep the high band.
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

    /// Clears all state.
    pub fn reset(&mut self) {
        self.low.iter_mut().chain(&mut self.high).for_each(Svf::reset);
    }
}
