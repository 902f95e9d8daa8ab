//! Level meter of the side input.

use kitwright_core::session::Session;

/// Level of the side input, held for a meter.
#[derive(Debug, Default)]
pub struct SideInput {
    /// Peak of this frame, 0 to 1 and above.
    peak: f32,
}

impl SideInput {
    /// Reads the input; the reading falls to a tenth within a second at 20 frames a second.
    pub fn follow(&mut self, session: &Session) {
        self.peak = session.take_side_input_peak().max(self.peak * 0.89);
    }

    /// The held peak, a gain: 1 is full scale.
    pub fn peak(&self) -> f32 {
        self.peak
    }
}
