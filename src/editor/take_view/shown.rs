//! What one frame shows of a take.

use kitwright_core::{
    kit::Role,
    take::{Pyramid, Take},
};
use std::sync::Arc;

/// The take and its wave as this frame shows them.
pub(super) struct ShownTake {
    pub take: Arc<Take>,
    pub pyramid: Option<Arc<Pyramid>>,
    pub index: usize,
    pub users: Vec<Vec<PadUse>>,
}

/// A pad that plays a hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PadUse {
    pub pad: usize,
    pub role: Role,
    /// MIDI note of the key that plays it.
    pub note: u8,
    /// Takes turns with the cast hit.
    pub alternate: bool,
}
