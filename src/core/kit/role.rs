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
    /// Any other percussion.
    #[serde(rename = "percussion")]
    Percussion,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 10] = [
        Role::Kick,
        Role::Snare,
        Role::Rim,
        Role::Clap,
        Role::ClosedHat,
        Role::OpenHat,
        Role::Shaker,
        Role::LowTom,
        Role::HighTom,
        Role::Percussion,
    ];

    /// MIDI note and role of the sixteen pads of a fresh kit: General MIDI Level 1 percussion map
    /// notes for the nine named roles, the free notes between them for percussion.
    pub const DEFAULT_PADS: [(u8, Role); super::limits::PADS] = [
        (36, Role::Kick),
        (37, Role::Rim),
        (38, Role::Snare),
        (39, Role::Clap),
        (40, Role::Percussion),
        (41, Role::Percussion),
        (42, Role::ClosedHat),
        (43, Role::Percussion),
        (44, Role::Percussion),
        (45, Role::LowTom),
        (46, Role::OpenHat),
        (47, Role::Percussion),
        (48, Role::Percussion),
        (49, Role::Percussion),
        (50, Role::HighTom),
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
            Role::Percussion => "percussion",
        }
    }

    /// Whether a score tells how well a pad serves it. Percussion is any other drum: it stays what it is, and
    /// likeness to the mean of all such drums says nothing about one of them.
    pub fn is_scored(self) -> bool {
        self != Role::Percussion
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
