//! Families of roles: drums that belong together are shown in one colour, in the window and in pictures.

use super::Role;

/// Drums that belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// Kick and toms.
    Low,
    /// Snare and rim.
    Snare,
    /// Clap.
    Clap,
    /// Hats and shaker.
    Hats,
    /// Crash and ride.
    Cymbals,
    /// The take's own percussion.
    Percussion,
}

impl Family {
    /// Its colour: red, green, blue. Each has a contrast of at least 4.5 : 1 against the window's grounds.
    pub const fn colour(self) -> [u8; 3] {
        match self {
            Self::Low => [0xe0, 0x7a, 0x56],
            Self::Snare => [0xd9, 0xa4, 0x41],
            Self::Clap => [0xd9, 0x8a, 0xa0],
            Self::Hats => [0x74, 0xc2, 0xad],
            Self::Cymbals => [0x8f, 0xb4, 0xe0],
            Self::Percussion => [0xb9, 0xad, 0x9e],
        }
    }
}

impl Role {
    /// The family it belongs to.
    pub const fn family(self) -> Family {
        match self {
            Self::Kick | Self::LowTom | Self::MiddleTom | Self::HighTom => Family::Low,
            Self::Snare | Self::Rim => Family::Snare,
            Self::Clap => Family::Clap,
            Self::ClosedHat | Self::PedalHat | Self::OpenHat | Self::Shaker => Family::Hats,
            Self::Crash | Self::Ride => Family::Cymbals,
            Self::Percussion => Family::Percussion,
        }
    }
}
