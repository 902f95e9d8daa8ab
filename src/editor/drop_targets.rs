//! Places on the screen that files can be dropped onto.

use egui::Rect;
use kitwright_core::kit::PADS;

/// Where pads and the chosen pad's role were drawn in this frame.
#[derive(Debug)]
pub struct DropTargets {
    /// The pads; [`Rect::NOTHING`] for one that is not shown.
    pub pads: [Rect; PADS],
    /// The role of the chosen pad: a sound dropped there becomes the pad's target.
    pub role: Option<Rect>,
}

impl Default for DropTargets {
    /// Nothing is shown.
    fn default() -> Self {
        Self { pads: [Rect::NOTHING; PADS], role: None }
    }
}
