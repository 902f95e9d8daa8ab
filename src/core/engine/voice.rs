//! A voice: everything that one trigger starts, and the buses it is mixed into.

use super::{grain::Grain, ramp::Ramp};

/// Index of a voice or a grain that does not exist.
pub(super) const NONE: u16 = u16::MAX;

/// Which grains of a voice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum VoicePart {
    /// One grain per layer.
    Layers,
    /// The grains of the cloud.
    Cloud,
}

impl VoicePart {
    pub const ALL: [Self; 2] = [Self::Layers, Self::Cloud];
}

/// One trigger's grains, linked by index into the pool.
#[derive(Debug, Clone, Copy)]
pub(super) struct Voice {
    /// First grain of each part; [`NONE`] when it has none.
    pub layers: u16,
    pub cloud: u16,
    /// Grains of the cloud that have not ended.
    pub cloud_count: u16,
    /// Grains of both parts that have not ended.
    pub alive: u16,
    /// Fade-out, once the voice is stolen, choked or replaced.
    pub fade: Option<Ramp>,
    /// Whether it waits for its key to be released.
    pub held: bool,
    /// Whether the slot is in use.
    pub active: bool,
    pub lookahead: LookAhead,
    /// Frame at which all grains were found ended while the ring still holds sound.
    pub drained_since: Option<u64>,
}

impl Voice {
    pub const IDLE: Self = Self {
        layers: NONE,
        cloud: NONE,
        cloud_count: 0,
        alive: 0,
        fade: None,
        held: false,
        active: false,
        lookahead: LookAhead::NONE,
        drained_since: None,
    };

    /// First grain of a part.
    pub fn first(&self, part: VoicePart) -> u16 {
        if part == VoicePart::Layers { self.layers } else { self.cloud }
    }

    pub fn first_mut(&mut self, part: VoicePart) -> &mut u16 {
        if part == VoicePart::Layers { &mut self.layers } else { &mut self.cloud }
    }
}

/// A place in the grain pool.
#[derive(Debug, Clone, Copy)]
pub(super) struct GrainSlot {
    pub grain: Grain,
    /// Next grain of the same part, or next free slot.
    pub next: u16,
    /// Absolute frame from which the grain is silent; `u64::MAX` while it sounds.
    pub over: u64,
}

/// How far a voice is rendered ahead of its output.
#[derive(Debug, Clone, Copy)]
pub(super) struct LookAhead {
    /// Frames by which its grains are ahead of the output; 0 without look-ahead.
    pub ahead: usize,
    /// Frames in its ring.
    pub ready: usize,
    /// Absolute frames of the two snapshots of its grains, and which of the two is the earlier one.
    pub marks: [u64; 2],
    pub earlier: usize,
}

impl LookAhead {
    /// No look-ahead.
    pub const NONE: Self = Self { ahead: 0, ready: 0, marks: [0; 2], earlier: 0 };

    /// For a voice that starts at frame `now`.
    pub fn new(ahead: usize, now: u64) -> Self {
        Self { ahead, ready: 0, marks: [now; 2], earlier: 0 }
    }
}

/// Frames that a voice has rendered ahead and not yet output: `[part][channel]`.
pub(super) type Ring = [[Vec<f32>; 2]; 2];

/// Where voices are mixed: the frames to output, and the known frames after them.
pub(super) struct MixBus<'a> {
    /// Left and right.
    pub now: [&'a mut [f32]; 2],
    /// Left and right; empty without look-ahead.
    pub ahead: [&'a mut [f32]; 2],
}
