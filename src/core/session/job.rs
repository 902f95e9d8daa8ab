//! What the session can be asked to do, and what a running job reports.

use crate::{
    demo::Instrument,
    export::SamplerFormat,
    groove::patterns::GrooveSettings,
    kit::{Key, Role},
    listen::DetectOptions,
};
use std::{fmt, path::PathBuf};

/// Progress of a running job.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobState {
    /// A short phrase: "detecting hits".
    pub step: String,
    /// Share that is done, 0 to 1.
    pub done: f32,
}

/// One edit of a take's hits by hand; frames count at the take's own rate. Hits are named by their index. An
/// edit that names no hit of the take, or leaves a hit outside of it, fails.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HitEdit {
    /// Adds a hit that starts at this frame.
    Add(u64),
    /// Moves start and end of a hit.
    Reshape {
        /// The hit.
        hit: usize,
        /// Its first frame.
        start: u64,
        /// First frame after it.
        end: u64,
    },
    /// Splits a hit in two.
    Split {
        /// The hit.
        hit: usize,
        /// First frame of the second.
        at: u64,
    },
    /// Merges a hit with the next one.
    Merge(usize),
    /// Removes a hit; it stays away when the take is detected again.
    Remove(usize),
}

impl fmt::Display for HitEdit {
    /// Name of the undo step.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Add(_) => write!(f, "add a hit"),
            Self::Reshape { hit, .. } => write!(f, "move hit {}", hit + 1),
            Self::Split { hit, .. } => write!(f, "split hit {}", hit + 1),
            Self::Merge(hit) => write!(f, "merge hits {} and {}", hit + 1, hit + 2),
            Self::Remove(hit) => write!(f, "remove hit {}", hit + 1),
        }
    }
}

/// Work on a kit of the library, named by its file.
#[derive(Debug, Clone, PartialEq)]
pub enum LibraryJob {
    /// Saves the open kit into the library; it belongs to that file from then on.
    Add,
    /// Gives a kit another name.
    Rename {
        /// The kit.
        file: PathBuf,
        /// Its new name.
        name: String,
    },
    /// Copies a kit.
    Duplicate(PathBuf),
    /// Gives a kit these tags in place of those it has.
    Tag {
        /// The kit.
        file: PathBuf,
        /// Its tags.
        tags: Vec<String>,
    },
    /// Moves a kit into the library's trash.
    ThrowAway(PathBuf),
    /// Makes the starter kit of an invented instrument.
    Starter(Instrument),
}

/// Long work for the session's own thread. Its result is a changed kit, as one undo step, or an error in
/// [`crate::session::Session::error`] with the kit as it was, where a job does not say otherwise. Fit is 0 (the raw hit) to 1 (shaped fully towards
/// the role); pads, takes and hits are named by their index. Jobs on takes, hits or pads that are not there
/// fail, and so do those whose takes changed while they worked.
#[derive(Debug, Clone, PartialEq)]
pub enum Job {
    /// Decodes recordings, detects their hits and makes a kit of them. Fails without a recording, without a hit that can
    /// be a pad, and for a kit larger than a host's state can hold.
    NewKit {
        /// Audio files, in order.
        takes: Vec<PathBuf>,
        /// Fit of every pad, 0 to 1.
        fit: f32,
    },
    /// Makes a kit of the invented cello, [`crate::demo`].
    DemoKit {
        /// Fit of every pad, 0 to 1.
        fit: f32,
    },
    /// Decodes one more recording and detects its hits; the pads stay as they are. Fails when the kit has a take of
    /// the same sound.
    AddTake(PathBuf),
    /// Adds a copy of a take with its pitch moved, its timing and its hits kept; the pads stay as they are.
    ShiftTake {
        /// Index of the take.
        take: usize,
        /// Interval, semitones, -36 to 36.
        semitones: f32,
    },
    /// Cuts the takes down to what pads and key parts play ([`crate::kit::Kit::keep_used`]). Fails while nothing plays.
    KeepUsed,
    /// Removes a take; fails while pads or key parts play it.
    RemoveTake(usize),
    /// Takes what was recorded last: a kit of it when there is no take yet, else one more take. Fails when the
    /// recording is silent (peak below -80 dB of full scale).
    KeepRecording {
        /// Fit of the pads of a new kit, 0 to 1.
        fit: f32,
    },
    /// Decodes one more recording, unless the kit has it as a take, and puts its best hit for the role on a pad.
    PutFile {
        /// Pad, 0 to 15.
        pad: usize,
        /// The audio file.
        file: PathBuf,
        /// Role of the pad.
        role: Role,
    },
    /// Detects the hits of a take again; hits set by hand stay, removed ones stay away.
    DetectAgain(usize, DetectOptions),
    /// Edits the hits of a take; pads keep their sound.
    EditHits(usize, HitEdit),
    /// Casts the kit again from its takes. Pads that are locked, or whose hit or role was chosen by hand, stay; the
    /// others keep the settings that were set by hand.
    Recast,
    /// Puts a hit on a pad in a role; what was set by hand stays.
    SetHit {
        /// Pad, 0 to 15.
        pad: usize,
        /// Index of the take, and of the hit in it.
        source: (usize, usize),
        /// Role of the pad.
        role: Role,
    },
    /// Puts the hit on a pad that serves its role next best; after the last one comes the best again.
    NextBest {
        /// Pad, 0 to 15.
        pad: usize,
        /// The other way: the next better one.
        back: bool,
    },
    /// Plays a hit as it would sound on a pad, in its role and with its fit; the kit stays as it is.
    Audition {
        /// Pad, 0 to 15.
        pad: usize,
        /// Index of the take, and of the hit in it.
        source: (usize, usize),
    },
    /// Tries every hit in a role, for [`crate::session::Session::ranking`].
    Rank(Role),
    /// Lets settings that were set by hand follow the fit again: shapes the pad anew.
    FollowFit {
        /// Pad, 0 to 15; it must hold a hit that was cast.
        pad: usize,
        /// Name of the setting ([`crate::kit::by_hand`]), or every one.
        setting: Option<String>,
    },
    /// Shapes one pad (`None`: every pad with a hit that is not locked) again with this fit; what was set by hand
    /// stays. Each pad is heard as soon as it is shaped, all of them are one step. When it is cancelled or fails, pads that
    /// were already shaped keep the new fit; undo restores all.
    SetFit {
        /// Pad, 0 to 15, or every one.
        pad: Option<usize>,
        /// Fit, 0 to 1.
        fit: f32,
    },
    /// Tunes the pads that have a pitch to this key; `None` forgets the key and leaves the pads as they are.
    SetKey(Option<Key>),
    /// Detects the song's key from a recording of its loop, and tunes the pads that have a pitch to it. The
    /// recording itself is not kept.
    DetectKey(PathBuf),
    /// Shapes a pad towards a drum sound instead of its role's profile (`None`: the profile again). Only
    /// measures of the sound are kept in the kit, never its audio; the fit works as before.
    SetTarget {
        /// Pad, 0 to 15; it must hold a hit that was cast.
        pad: usize,
        /// The sound's file.
        sound: Option<PathBuf>,
    },
    /// Loads a kit file; its trims wait in [`crate::session::Session::take_loaded_trims`].
    LoadKit(PathBuf),
    /// Loads what was saved by itself ([`crate::session::Session::autosaves`]); it has no file of its own yet.
    RestoreAutosave(PathBuf),
    /// Saves the kit with its trims as a kit file; the kit belongs to it from then on.
    SaveKit(PathBuf),
    /// Writes the chosen pattern of the groove as a MIDI file.
    SavePattern {
        /// The file.
        file: PathBuf,
        /// The pattern with its swing and density, and its tempo.
        groove: GrooveSettings,
    },
    /// Works on the kit library in a folder; the open kit stays as it is.
    Library {
        /// The folder, made when it is not there.
        folder: PathBuf,
        /// What to do.
        job: LibraryJob,
    },
    /// Exports pads, groove, MIDI and picture into a folder.
    Export(PathBuf),
    /// Exports the kit for other samplers ([`crate::export::export_sampler`]).
    ExportSampler {
        /// The folder.
        folder: PathBuf,
        /// What is written.
        format: SamplerFormat,
    },
    /// Writes a pad, played once at velocity 110, as a WAV file.
    ExportPad {
        /// Pad, 0 to 15; it must sound.
        pad: usize,
        /// The file.
        file: PathBuf,
    },
}
