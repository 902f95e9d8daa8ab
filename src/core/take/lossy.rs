//! Codecs that leave out what is hardly heard: a kit made of such a file says so for good.

use serde::{Deserialize, Serialize};

/// The lossy codec of the file that a take was decoded from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LossyCodec {
    /// Advanced Audio Coding (ISO/IEC 14496-3).
    Aac,
    /// MPEG-1 and MPEG-2 layer III (ISO/IEC 11172-3, 13818-3).
    Mp3,
    /// Ogg Vorbis (Vorbis I).
    Vorbis,
    /// One that a newer version reads: its kit files are opened all the same.
    #[serde(other)]
    Other,
}

impl LossyCodec {
    /// Its name to show.
    pub fn name(self) -> &'static str {
        match self {
            Self::Aac => "AAC",
            Self::Mp3 => "MP3",
            Self::Vorbis => "Ogg Vorbis",
            Self::Other => "unknown codec",
        }
    }
}
