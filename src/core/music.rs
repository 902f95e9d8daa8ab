//! Musical keys and the names of notes.

use crate::error::Error;
use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};

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

/// Tonics as keys are usually written.
const TONICS: [&str; 12] = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];

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
        write!(f, "{} {mode}", TONICS[self.tonic as usize % 12])
    }
}

impl From<Key> for String {
    fn from(key: Key) -> Self {
        key.to_string()
    }
}

impl TryFrom<String> for Key {
    type Error = Error;
    fn try_from(s: String) -> Result<Self, Self::Error> {
        s.parse()
    }
}

impl FromStr for Key {
    type Err = Error;

    /// Reads "A minor", "C# major", "Bb", "f#m": a letter, an accidental and a mode (major if none).
    fn from_str(s: &str) -> Result<Self, Self::Err> {
        let bad =
            || Error::invalid(format!("\"{s}\" is not a key; write one like \"A minor\" or \"C# major\""));
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

/// Name of a MIDI note, middle C (60) being C4 as in scientific pitch notation.
pub fn note_name(note: u8) -> String {
    const NAMES: [&str; 12] = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
    format!("{}{}", NAMES[usize::from(note) % 12], i32::from(note) / 12 - 1)
}

/// The MIDI note that a text means, by its number ("38") or its name ("D2", "f#1", "Bb-1"; C4 is 60); `None` when it is
/// not understood or lies outside of 0 to 127.
pub fn read_note(text: &str) -> Option<u8> {
    let text = text.trim();
    if let Ok(number) = text.parse::<i32>() {
        return u8::try_from(number).ok().filter(|note| *note < 128);
    }
    let octave_at = text.find(|c: char| c.is_ascii_digit() || c == '-')?;
    let (name, octave) = text.split_at(octave_at);
    let octave: i32 = octave.trim().parse().ok()?;
    let tonic = i32::from(name.parse::<Key>().ok().filter(|key| key.mode == Mode::Major)?.tonic);
    // the letter's own octave counts: Cb4 lies below C4, B#3 above B3
    let wraps = match (name.trim().chars().next()?.to_ascii_uppercase(), tonic) {
        ('C', 11) => -1,
        ('B', 0) => 1,
        _ => 0,
    };
    let octave = octave.checked_add(1 + wraps)?;
    let note = octave.checked_mul(12)?.checked_add(tonic)?;
    u8::try_from(note).ok().filter(|note| *note < 128)
}

/// Whether the key of a MIDI note is a black one on a piano.
pub fn is_black(note: u8) -> bool {
    matches!(note % 12, 1 | 3 | 6 | 8 | 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_read_by_number_and_by_name() {
        for note in 0..128 {
            assert_eq!(read_note(&note_name(note)), Some(note));
            assert_eq!(read_note(&note.to_string()), Some(note));
        }
        for (text, note) in [(" d2 ", 38), ("Bb1", 34), ("Cb4", 59), ("B#3", 60), ("c-1", 0)] {
            assert_eq!(read_note(text), Some(note), "{text}");
        }
        for text in ["", "128", "-1", "H2", "C", "A minor 2", "G#9", "C99999999999", "-"] {
            assert_eq!(read_note(text), None, "{text}");
        }
    }

    #[test]
    fn keys_read_back_what_they_write() {
        for tonic in 0..12 {
            for mode in [Mode::Major, Mode::Minor] {
                let key = Key { tonic, mode };
                assert_eq!(key.to_string().parse::<Key>().unwrap(), key);
            }
        }
        assert_eq!("f#m".parse::<Key>().unwrap(), Key { tonic: 6, mode: Mode::Minor });
        assert!("H minor".parse::<Key>().is_err());
    }

    #[test]
    fn notes_have_the_names_of_scientific_pitch_notation() {
        assert_eq!(note_name(60), "C4");
        assert_eq!(note_name(69), "A4");
        assert_eq!(note_name(36), "C2");
        assert!(is_black(37) && !is_black(36));
    }
}
