//! What a file is chosen for, and in which words.

use kitwright_core::export::SamplerFormat;

/// Extensions of audio files that can be opened.
const AUDIO: &[&str] =
    &["wav", "wave", "aif", "aiff", "aifc", "flac", "mp3", "ogg", "oga", "m4a", "mp4", "aac", "alac", "caf"];
/// Extension of kit files.
pub const KIT: &str = "kitwright";
/// What the chosen file is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FilePurpose {
    /// A recording to make a kit of, or a kit.
    Open,
    /// One more take for the kit.
    AddTake,
    /// A recording of the song, to detect its key.
    Song,
    /// A target sound for this pad (0 to 15).
    Target(usize),
    /// The file that the kit is saved to.
    Save,
    /// The MIDI file that receives the pattern of the groove.
    Pattern,
    /// The folder that receives pads, groove and picture.
    Export,
    /// The folder that receives the kit for other samplers.
    Sampler(SamplerFormat),
    /// The WAV file that receives this pad (0 to 15).
    PadWav(usize),
}

impl FilePurpose {
    /// The title of the browser.
    pub(super) fn title(self) -> &'static str {
        match self {
            Self::Open => "Open a recording or a kit",
            Self::AddTake => "Add a take of the same instrument",
            Self::Song => "Tune the kit to a recording of the song",
            Self::Target(_) => "Choose a target sound for the pad",
            Self::Save => "Save the kit",
            Self::Pattern => "Save the pattern as a MIDI file",
            Self::Export => "Export pads, groove and picture",
            Self::Sampler(format) => match format {
                SamplerFormat::Wav => "Export samples for other samplers",
                SamplerFormat::Sfz => "Export an SFZ instrument",
                SamplerFormat::Sf2 => "Export a SoundFont 2 file",
                SamplerFormat::Midnam => "Export the names of the notes",
            },
            Self::PadWav(_) => "Export the pad as a WAV file",
        }
    }

    /// The word on the button that confirms.
    pub(super) fn verb(self) -> &'static str {
        match self {
            Self::Open => "Open file",
            Self::AddTake => "Add this take",
            Self::Song => "Tune to this",
            Self::Target(_) => "Use as target",
            Self::Save | Self::Pattern | Self::PadWav(_) => "Save here",
            Self::Export | Self::Sampler(_) => "Export here",
        }
    }

    /// What the name is called.
    pub(super) fn name_label(self) -> &'static str {
        match self {
            Self::Open | Self::AddTake | Self::Song | Self::Target(_) => "File",
            Self::Save | Self::Pattern | Self::PadWav(_) => "File name",
            Self::Export | Self::Sampler(_) => "New folder",
        }
    }

    /// Whether files of this extension are listed.
    pub(super) fn shows(self, extension: &str) -> bool {
        let audio = AUDIO.contains(&extension);
        match self {
            Self::Open => audio || extension == KIT,
            Self::AddTake | Self::Song | Self::Target(_) => audio,
            Self::Save => extension == KIT,
            Self::Pattern => extension == "mid",
            Self::PadWav(_) => extension == "wav",
            Self::Export | Self::Sampler(_) => false,
        }
    }

    /// What confirming does, in one sentence.
    pub(super) fn help(self) -> &'static str {
        match self {
            Self::Open => "Makes a kit of a recording, or opens a kit.",
            Self::AddTake => "The pads stay as they are.",
            Self::Song => "Detects its key; pads with a pitch are tuned to it.",
            Self::Target(_) => "Only measured: the sound does not go into the kit.",
            Self::Save => "One file with everything in it.",
            Self::Pattern => "Two bars for the pads of this kit, on channel 10.",
            Self::Export => "WAV files of the pads, a groove, its MIDI and a picture.",
            Self::Sampler(_) => "A folder that other samplers open.",
            Self::PadWav(_) => "One stroke as it sounds, 48 kHz, 24 bits.",
        }
    }
}
