//! What is chosen in the window: the one thing that all views share.

/// The chosen pad and what of it is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Selection {
    /// The chosen pad, 0 to 15.
    pub pad: usize,
    /// The section of its path that is shown.
    pub section: Section,
    /// The layer that is shown.
    pub layer: usize,
    /// The stage of its tone chain that is shown: a place in the chain's order.
    pub stage: usize,
}

/// A section of a pad's path from hit to role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Section {
    /// Which hit, and what was done to it.
    #[default]
    Hit,
    /// The readings of the hit.
    Layers,
    /// The copies around it.
    Cloud,
    /// Filters, limiter, saturation, EQ, compressors.
    Tone,
    /// Level, place, manner of playing, variation.
    Place,
    /// What the host automates.
    Trims,
}

impl Section {
    /// In the order in which the sound passes.
    pub const ALL: [Section; 6] =
        [Self::Hit, Self::Layers, Self::Cloud, Self::Tone, Self::Place, Self::Trims];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hit => "Hit",
            Self::Layers => "Layers",
            Self::Cloud => "Cloud",
            Self::Tone => "Tone",
            Self::Place => "Place",
            Self::Trims => "Trims",
        }
    }
}
