//! Roles and musical keys.

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
    pub const DEFAULT_PADS: [(u8, Role); super::PADS] = [
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

/// Major or minor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Mode {
    /// Major.
    Major,
    /// Natural minor.
    Minor,
}

/// A musical key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Key {
    /// Pitch class of the tonic, 0 (C) to 11 (B).
    pub tonic: u8,
    /// Major or minor.
    pub mode: Mode,
}

const NAMES: [&str; 12] = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];

impl Key {
    /// Pitch classes of the key's scale.
    pub fn scale(self) -> [u8; 7] {
        let steps = match self.mode {
            Mode::Major => [0, 2, 4, 5, 7, 9, 11],
            Mode::Minor => [0, 2, 3, 5, 7, 8, 10],
        };
        steps.map(|s| (s + self.tonic) % 12)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mode = match self.mode {
            Mode::Major => "major",
            Mode::Minor => "minor",
        };
        write!(f, "{} {mode}", NAMES[self.tonic as usize % 12])
    }
}

impl From<Key> for String {
    fn from(key: Key) -> Self {
        key.to_string()
    }
}

impl TryFrom<String> for Key {
    type Error = crate::error::Error;
    fn try_from(s: String) -> Result<Self, Self::Error> {
        s.parse()
    }
}

impl FromStr for Key {
    type Err = crate::error::Error;

    /// Reads "A minor", "C# major", "Bb", "f#m": a letter, an accidental and a mode (major if none).
    fn from_str(s: &str) -> Result<Self, Self::Err> {
        let bad = || {
            crate::error::Error::invalid(format!(
                "\"{s}\" is not a key; write one like \"A minor\" or \"C# major\""
            ))
        };
        let t = s.trim();
        let mut chars = t.chars();
        let letter = chars.next().ok_or_else(bad)?.to_ascii_uppercase();
        let mut tonic: i32 = match letter {
            'C' => 0,
            'D' => 2,
            'E' => 4,
            'F' => 5,
            'G' => 7,
            'A' => 9,
            'B' => 11,
            _ => return Err(bad()),
        };
        let mut rest = chars.as_str();
        for (sign, step) in [("#", 1), ("\u{266f}", 1), ("b", -1), ("\u{266d}", -1)] {
            if let Some(r) = rest.strip_prefix(sign) {
                tonic += step;
                rest = r;
                break;
            }
        }
        let mode = match rest.trim() {
            "M" => Mode::Major,
            m => match m.to_lowercase().as_str() {
                "" | "major" | "maj" => Mode::Major,
                "m" | "minor" | "min" => Mode::Minor,
                _ => return Err(bad()),
            },
        };
        Ok(Self { tonic: tonic.rem_euclid(12) as u8, mode })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roles_and_keys_read_back_what_they_write() {
        for role in Role::ALL {
            assert_eq!(role.word().parse::<Role>().unwrap(), role);
            assert_eq!(role.file_word().parse::<Role>().unwrap(), role);
        }
        for tonic in 0..12 {
            for mode in [Mode::Major, Mode::Minor] {
                let key = Key { tonic, mode };
                assert_eq!(key.to_string().parse::<Key>().unwrap(), key);
            }
        }
        assert_eq!("f#m".parse::<Key>().unwrap(), Key { tonic: 6, mode: Mode::Minor });
        assert!("H minor".parse::<Key>().is_err());
    }
}
