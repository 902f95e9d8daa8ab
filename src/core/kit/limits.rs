//! How much a kit's document holds at most.

/// Measures of a target sound at most.
pub(super) const MAX_MEASURES: usize = 1024;
/// Phrases about what was done to a pad's sound, and next-best hits, at most; casting writes about ten.
pub(super) const MAX_PHRASES: usize = 256;

/// Names of settings set by hand in a pad at most; a pad of four layers with every dip has fewer settings.
pub(super) const MAX_BY_HAND: usize = 1024;

/// Pads in a kit.
pub const PADS: usize = 16;
/// Layers in a pad at most.
pub const LAYERS: usize = 4;
/// Takes in a kit at most.
pub const MAX_TAKES: usize = 64;
/// Hits in a take at most: 36 in each second of half an hour.
pub const MAX_HITS: usize = 65_536;
/// Tags of a kit at most.
pub const MAX_TAGS: usize = 32;
/// Slices in a pad at most.
pub const MAX_SLICES: usize = 256;
/// Samples that the takes of a kit hold at most, all channels together (4 GiB in memory).
pub const MAX_SAMPLES: u64 = 1 << 30;
