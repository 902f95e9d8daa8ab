//! Keeping feedback states out of the denormal range without the processor's flush-to-zero mode.

/// A state smaller than this is zero: -300 dB, far below any sound and far above the denormal range
/// (1.2e-38 in `f32`), which it therefore cannot reach before the next flush.
pub const TINY: f64 = 1e-15;

/// `x`, or zero when it is smaller than [`TINY`].
#[inline(always)]
pub fn flush(x: f64) -> f64 {
    if x.abs() < TINY { 0.0 } else { x }
}

/// Both states of a second-order filter, or zeros when both are small. Flushing them one by one would
/// disturb a low and narrow filter so much that it rings on for ever at the threshold.
#[inline(always)]
pub fn flush_pair(s1: f64, s2: f64) -> (f64, f64) {
    if s1.abs().max(s2.abs()) < TINY { (0.0, 0.0) } else { (s1, s2) }
}

/// [`flush`] for single precision.
#[inline(always)]
pub fn flush32(x: f32) -> f32 {
    if x.abs() < TINY as f32 { 0.0 } else { x }
}

/// Frames between two looks at the state of a second-order filter, on the filter's own grid: a look at each
/// frame would lie in the path from one output to the next and take as long as the filter itself. What is
/// [`TINY`] at a look is far from the denormal range of `f64` (2e-308) until the next one.
const LOOK: usize = 16;

/// Where a filter stands between two looks at its state.
#[derive(Debug, Clone, Copy, Default)]
pub struct Looks {
    since: usize,
}

impl Looks {
    /// Of `left` frames, how many to process now, and whether to look at the state after them.
    #[inline(always)]
    pub fn next(&mut self, left: usize) -> (usize, bool) {
        let n = left.min(LOOK - self.since);
        self.since += n;
        let look = self.since == LOOK;
        if look {
            self.since = 0;
        }
        (n, look)
    }
}
