//! Why decoding ended early, in sentences about the file.

use crate::error::Error;
use std::{io::ErrorKind, path::Path};
use symphonia::core::errors::Error as Trouble;

/// What every refusal of an unreadable file ends with.
pub(super) const READABLE: &str = "give a WAV, AIFF, FLAC, MP3, Ogg Vorbis, M4A, AAC or ALAC file";

/// Why decoding ended early.
pub(super) enum Stop {
    /// A sentence without the file's name.
    Trouble(String),
    /// The user asked for it.
    Cancelled,
}

impl Stop {
    /// With this sentence.
    pub(super) fn because(trouble: impl Into<String>) -> Self {
        Self::Trouble(trouble.into())
    }

    /// As an error about `file`.
    pub(super) fn about(self, file: impl AsRef<Path>) -> Error {
        match self {
            Self::Trouble(trouble) => Error::file(file, trouble),
            Self::Cancelled => Error::Cancelled,
        }
    }
}

/// The sentence for a file whose format cannot be opened. Its first bytes are those of an audio format.
pub(super) fn unreadable(trouble: Trouble) -> Stop {
    Stop::because(match trouble {
        Trouble::IoError(e) if is_disk_trouble(&e) => {
            format!("could not be read ({e}); check the disk and try again")
        }
        Trouble::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => {
            "is cut short; copy or export it again".to_owned()
        }
        Trouble::Unsupported(what) if what.starts_with("core (probe)") => {
            format!("is damaged or not audio; copy or export it again, or {READABLE}")
        }
        Trouble::Unsupported(what) => {
            format!("is damaged or of a form that is not read here ({}); {READABLE}", reason(what))
        }
        other => {
            format!("is damaged in its header ({}); copy or export it again", reason(&other.to_string()))
        }
    })
}

/// What the decoding library says, without the names of its parts before it.
fn reason(said: &str) -> &str {
    said.rsplit(": ").next().unwrap_or(said)
}

/// The sentence for a file that fails on the way, after so many seconds.
pub(super) fn interrupted(trouble: Trouble, at: f64) -> Stop {
    Stop::because(match trouble {
        Trouble::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => {
            format!(
                "is cut short: it ends after {at:.2} s although more should follow; copy or export it again"
            )
        }
        Trouble::IoError(e) if is_disk_trouble(&e) => {
            format!("could not be read on after {at:.2} s ({e}); check the disk and try again")
        }
        Trouble::ResetRequired => {
            format!("changes its form after {at:.2} s; split it into one recording per file")
        }
        Trouble::Unsupported(what) => format!(
            "is damaged after {at:.2} s or has a form that is not read here ({}); export it as WAV or FLAC",
            reason(what)
        ),
        other => return damaged_at(at, reason(&other.to_string())),
    })
}

/// The sentence for a file that is damaged after so many seconds.
pub(super) fn damaged_at(at: f64, what: &str) -> Stop {
    Stop::because(format!("is damaged after {at:.2} s ({what}); copy or export it again"))
}

/// Whether the file ends there.
pub(super) fn is_end(trouble: &Trouble) -> bool {
    matches!(trouble, Trouble::IoError(e) if e.kind() == ErrorKind::UnexpectedEof)
}

/// Whether the system says so, rather than the decoding library about what it has read.
fn is_disk_trouble(e: &std::io::Error) -> bool {
    e.raw_os_error().is_some()
}
