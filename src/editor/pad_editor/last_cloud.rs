//! The cloud of a pad's last stroke.

use kitwright_core::engine::{Meters, ShownGrain};
use std::sync::atomic::Ordering::Acquire;

/// The copies of a pad's latest stroke, as the engine drew them.
#[derive(Debug, Default)]
pub struct CloudCopies {
    pad: usize,
    strokes: u32,
    copies: Vec<ShownGrain>,
    read: Vec<ShownGrain>,
}

impl CloudCopies {
    /// Takes the latest draw of `pad`; `None` before its first stroke.
    pub fn follow(&mut self, meters: &Meters, pad: usize) -> Option<&[ShownGrain]> {
        let strokes = meters.pad_triggers[pad].load(Acquire);
        // a draw that is being written is taken in the next frame
        if (pad, strokes) != (self.pad, self.strokes) && meters.last_cloud[pad].read(&mut self.read) {
            std::mem::swap(&mut self.copies, &mut self.read);
            (self.pad, self.strokes) = (pad, strokes);
        }
        (strokes > 0 && self.pad == pad).then_some(&self.copies)
    }
}
