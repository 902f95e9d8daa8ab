//! The ports that the plugin declares.

use kitwright_core::kit::PADS;

/// Channels of every port.
pub(super) const CHANNELS: usize = 2;
/// Output ports: the main one and one for each pad.
pub(super) const OUTPUTS: usize = 1 + PADS;
/// Input ports: the side input.
pub(super) const INPUTS: usize = 1;

/// Names of the pads' ports, in order.
pub(super) const PAD_NAMES: [&str; PADS] = [
    "Pad 1", "Pad 2", "Pad 3", "Pad 4", "Pad 5", "Pad 6", "Pad 7", "Pad 8", "Pad 9", "Pad 10", "Pad 11",
    "Pad 12", "Pad 13", "Pad 14", "Pad 15", "Pad 16",
];
