//! Flushing of feedback states before they reach the denormal range, without the processor's flush-to-zero mode.

/// States smaller than this become 0: -300 dBFS, far below any sound and far above the denormal range (1.2e-38 in
/// `f32`), which a state therefore cannot reach before the next flush.
pub const TINY: f64 = 1e-15;

/// `x`, or 0 when its magnitude is below [`TINY`].
#[inline(always)]
pub fn flush(x: f64) -> f64 {
    if x.abs() < TINY { 0.0 } else { x }
}

/// Both states of a second-order filter, or zeros when both are below [`TINY`]. Flushing them one by one would
/// disturb a low and narrow filter so much that it keeps oscillating at the threshold.
#[inline(always)]
pub fn flush_pair(s1: f64, s2: f64) -> (f64, f64) {
    if s1.abs().max(s2.abs()) < TINY { (0.0, 0.0) } else { (s1, s2) }
}

/// [`flush`] for single precision.
#[inline(always)]
pub fn flush32(x: f32) -> f32 {
    if x.abs() < TINY as f32 { 0.0 } else { x }
}

/// Frames between two flushes of a second-order filter, counted by the filter itself: a flush in each frame would
/// be part of the dependency chain from frame to frame and take as long as the filter. A state that is above
/// [`TINY`] at one flush is far from the denormal range of `f64` (2e-308) until the next one.
const FLUSH_INTERVAL: usize = 16;

/// Counts the frames between two flushes of a filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FlushTimer {
    since: usize,
}

impl FlushTimer {
    /// Of `left` frames, how many to process now, and whether to flush the state after them.
    #[inline(always)]
    pub fn next(&mut self, left: usize) -> (usize, bool) {
        let n = left.min(FLUSH_INTERVAL - self.since);
        self.since += n;
        let look = self.since == FLUSH_INTERVAL;
        if look {
            self.since = 0;
        }
        (n, look)
    }
}
