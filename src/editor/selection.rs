//! What is chosen in the window: the one thing that all views share.

/// The chosen pad and what of it is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Selection {
    /// The chosen pad, 0 to 15.
    pub pad: usize,
    /// The section of the pad editor that is shown.
    pub section: Section,
    /// The layer that is shown.
    pub layer: usize,
    /// The stage of its tone chain that is shown: a place in the chain's order.
    pub stage: usize,
    /// The rest of the settings of each section is shown, one bit each in the order of [`Section::ALL`].
    pub more: u8,
    /// The sections have room for every setting.
    pub roomy: bool,
    /// The pad that was struck last is chosen, except by the groove.
    pub follow: bool,
}

impl Selection {
    /// Whether the rest of the settings of the shown section is shown.
    pub fn shows_more(&self) -> bool {
        self.roomy || self.more & self.section.bit() != 0
    }

    /// Shows or hides the rest of the settings of the shown section.
    pub fn turn_more(&mut self) {
        self.more ^= self.section.bit();
    }
}

/// A section of the pad editor; together they lead from the hit to the role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Section {
    /// Which hit, and what was done to it.
    #[default]
    Hit,
    /// The layers: playbacks of the hit.
    Layers,
    /// The cloud: copies around the hit.
    Cloud,
    /// Filters, limiter, saturation, EQ, compressors.
    Tone,
    /// Level, pan, note, choke group, variation.
    Mix,
    /// What the host automates.
    Automation,
}

impl Section {
    /// In the order of the signal path.
    pub const ALL: [Section; 6] =
        [Self::Hit, Self::Layers, Self::Cloud, Self::Tone, Self::Mix, Self::Automation];

    fn bit(self) -> u8 {
        1 << self as u8
    }

    /// Whether it has settings that are not shown at first.
    pub fn has_more(self) -> bool {
        self != Self::Hit
    }

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hit => "Hit",
            Self::Layers => "Layers",
            Self::Cloud => "Cloud",
            Self::Tone => "Tone",
            Self::Mix => "Mix",
            Self::Automation => "Automation",
        }
    }

    /// What it shows, in one sentence.
    pub fn help(self) -> &'static str {
        match self {
            Self::Hit => "Which hit the pad is made of, and how it was changed.",
            Self::Layers => "Up to four layers of the hit: start and end, pitch, envelope and cuts.",
            Self::Cloud => "The copies around the hit that make it sound like several people.",
            Self::Tone => "Cuts, limiter, saturation, EQ and compressors.",
            Self::Mix => "Level, pan, note, choke group, and how strokes vary.",
            Self::Automation => "What the host can automate, on top of the kit's own settings.",
        }
    }
}
