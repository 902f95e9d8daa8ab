//! 32.32 fixed point: positions in a source and steps between them.

/// One frame in 32.32 fixed point.
pub(crate) const ONE: f64 = 4_294_967_296.0;
/// The same as a whole number.
pub(super) const WHOLE: i64 = 1 << 32;

/// How far a reader moves with each output frame: frames of the source in 32.32 fixed point,
/// negative to read backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Step(pub(super) i64);

impl Step {
    /// The step for a playback ratio: source frames per output frame, within ±1024; NaN stands still.
    pub fn from_ratio(ratio: f64) -> Self {
        // Casting saturates and turns NaN into 0.
        Self((ratio.clamp(-1024.0, 1024.0) * ONE).round() as i64)
    }

    /// Source frames per output frame.
    pub fn ratio(self) -> f64 {
        self.0 as f64 / ONE
    }
}
