//! Roles: what a pad stands for.

use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};

/// What a pad stands for in a kit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Role {
    /// Bass drum.
    #[serde(rename = "kick")]
    Kick,
    /// Snare drum.
    #[serde(rename = "snare")]
    Snare,
    /// Rim or side stick.
    #[serde(rename = "rim")]
    Rim,
    /// Hand clap.
    #[serde(rename = "clap")]
    Clap,
    /// Closed hi-hat.
    #[serde(rename = "closed hat")]
    ClosedHat,
    /// Open hi-hat.
    #[serde(rename = "open hat")]
    OpenHat,
    /// Shaker.
    #[serde(rename = "shaker")]
    Shaker,
    /// Low tom.
    #[serde(rename = "low tom")]
    LowTom,
    /// High tom.
    #[serde(rename = "high tom")]
    HighTom,
    /// Middle tom.
    #[serde(rename = "middle tom")]
    MiddleTom,
    /// Hi-hat closed by its pedal.
    #[serde(rename = "pedal hat")]
    PedalHat,
    /// Crash cymbal.
    #[serde(rename = "crash")]
    Crash,
    /// Ride cymbal.
    #[serde(rename = "ride")]
    Ride,
    /// Any other percussion.
    #[serde(rename = "percussion")]
    Percussion,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 14] = [
        Role::Kick,
        Role::Snare,
        Role::Rim,
        Role::Clap,
        Role::ClosedHat,
        Role::PedalHat,
        Role::OpenHat,
        Role::Crash,
        Role::Ride,
        Role::Shaker,
        Role::LowTom,
        Role::MiddleTom,
        Role::HighTom,
        Role::Percussion,
    ];

    /// MIDI note and role of the sixteen pads of a fresh kit: the drums that songs use, on their notes of the General
    /// MIDI Level 1 percussion map (of two notes for one drum the one that songs use more), and two of the take's own
    /// percussion.
    pub const DEFAULT_PADS: [(u8, Role); super::limits::PADS] = [
        (36, Role::Kick),
        (37, Role::Rim),
        (38, Role::Snare),
        (39, Role::Clap),
        (40, Role::Snare),
        (42, Role::ClosedHat),
        (43, Role::LowTom),
        (44, Role::PedalHat),
        (46, Role::OpenHat),
        (47, Role::MiddleTom),
        (49, Role::Crash),
        (50, Role::HighTom),
        (51, Role::Ride),
        (56, Role::Percussion),
        (60, Role::Percussion),
        (70, Role::Shaker),
    ];

    /// The word to show and to write: "closed hat".
    pub fn word(self) -> &'static str {
        match self {
            Role::Kick => "kick",
            Role::Snare => "snare",
            Role::Rim => "rim",
            Role::Clap => "clap",
            Role::ClosedHat => "closed hat",
            Role::OpenHat => "open hat",
            Role::Shaker => "shaker",
            Role::LowTom => "low tom",
            Role::HighTom => "high tom",
            Role::MiddleTom => "middle tom",
            Role::PedalHat => "pedal hat",
            Role::Crash => "crash",
            Role::Ride => "ride",
            Role::Percussion => "percussion",
        }
    }

    /// The word for several of them: "crashes"; percussion has no number.
    pub fn plural(self) -> String {
        match self {
            Role::Percussion => self.word().to_owned(),
            Role::Crash => "crashes".to_owned(),
            _ => format!("{}s", self.word()),
        }
    }

    /// The word for what a sound of this role is heard as: toms differ in pitch only, and crash and ride are one kind.
    pub fn kind_word(self) -> &'static str {
        match self {
            Role::LowTom | Role::MiddleTom | Role::HighTom => "tom",
            Role::Crash | Role::Ride => "cymbal",
            Role::PedalHat => Role::ClosedHat.word(),
            other => other.word(),
        }
    }

    /// Whether a score tells how well a pad serves it. Percussion is any other drum: it is shaped towards none, and
    /// likeness to the mean of all such drums says nothing about one of them.
    pub fn is_scored(self) -> bool {
        self != Role::Percussion
    }

    /// Whether it is one of the toms.
    pub fn is_tom(self) -> bool {
        matches!(self, Role::LowTom | Role::MiddleTom | Role::HighTom)
    }

    /// Whether it is a hi-hat in one of its positions: they silence each other.
    pub fn is_hat(self) -> bool {
        matches!(self, Role::ClosedHat | Role::PedalHat | Role::OpenHat)
    }

    /// The word as part of a file name: "closed-hat".
    pub fn file_word(self) -> String {
        self.word().replace(' ', "-")
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Role {
    type Err = crate::error::Error;

    /// Reads a role's word; spaces, hyphens and underscores are the same.
    fn from_str(s: &str) -> Result<Self, Self::Err> {
        let plain = |t: &str| t.trim().to_lowercase().replace(['-', '_'], " ");
        Role::ALL.into_iter().find(|r| r.word() == plain(s)).ok_or_else(|| {
            let words: Vec<_> = Role::ALL.iter().map(|r| r.file_word()).collect();
            crate::error::Error::invalid(format!(
                "there is no role \"{}\"; the roles are {}",
                s.trim(),
                words.join(", ")
            ))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roles_read_back_what_they_write() {
        for role in Role::ALL {
            assert_eq!(role.word().parse::<Role>().unwrap(), role);
            assert_eq!(role.file_word().parse::<Role>().unwrap(), role);
        }
    }
}
