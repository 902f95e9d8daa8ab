//! What the session can be asked to do, and what a running job reports.

use crate::{kit::Role, listen::DetectOptions};
use std::{fmt, path::PathBuf};

/// What a running job tells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobState {
    /// A short phrase: "detecting hits".
    pub step: String,
    /// 0 to 1.
    pub done: f32,
}

/// One change of a take's hits by hand; frames count at the take's own rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HitEdit {
    /// A new hit from this frame on.
    Add(u64),
    /// Another start and end.
    Reshape {
        /// The hit.
        hit: usize,
        /// Its first frame.
        start: u64,
        /// First frame after it.
        end: u64,
    },
    /// Two hits of one.
    Split {
        /// The hit.
        hit: usize,
        /// First frame of the second.
        at: u64,
    },
    /// One hit of this one and the next.
    Merge(usize),
    /// Forgets a hit.
    Remove(usize),
}

impl fmt::Display for HitEdit {
    /// The step's name in the list of undo.
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

/// Long work that the session can be asked for; results arrive as a new kit or as an error.
#[derive(Debug, Clone, PartialEq)]
pub enum Job {
    /// Decode takes, hear them and make a kit of them.
    NewKit {
        /// Files, in order.
        takes: Vec<PathBuf>,
        /// Shaping of the pads.
        fit: f32,
    },
    /// Decode one more take and hear it; the pads stay as they are.
    AddTake(PathBuf),
    /// Hear what was recorded last: a kit of it when there is no take yet, else one more take.
    KeepRecording {
        /// Shaping of the pads of a new kit.
        fit: f32,
    },
    /// Decode one more take and put the hit of it that serves best on a pad.
    PutFile {
        /// Pad, 0 to 15.
        pad: usize,
        /// The recording.
        file: PathBuf,
        /// Its role.
        role: Role,
    },
    /// Hear a take again; hits set by hand stay.
    DetectAgain(usize, DetectOptions),
    /// Change the hits of a take by hand; pads keep their sound.
    EditHits(usize, HitEdit),
    /// Cast the whole kit anew from its takes.
    Recast,
    /// Put a hit (take, hit) on a pad in a role.
    SetHit {
        /// Pad, 0 to 15.
        pad: usize,
        /// Take and hit.
        source: (usize, usize),
        /// Its role.
        role: Role,
    },
    /// Shape one pad anew (or all, `None`) with this fit.
    SetFit {
        /// Pad, or all.
        pad: Option<usize>,
        /// 0 to 1.
        fit: f32,
    },
    /// Hear the song's key from a recording of its loop, and tune the pads that have a pitch to it. The
    /// recording itself is not kept.
    DetectKey(PathBuf),
    /// Shape a pad towards a drum sound instead of its role's profile (`None`: the profile again). Only
    /// measures of the sound are kept in the kit, never its audio; the fit goes on to work as before.
    SetTarget {
        /// Pad, 0 to 15; it must hold a hit that was cast.
        pad: usize,
        /// The sound's file.
        sound: Option<PathBuf>,
    },
    /// Read a kit file.
    LoadKit(PathBuf),
    /// Write the kit file.
    SaveKit(PathBuf),
    /// Write pads, groove, MIDI and picture into a folder.
    Export(PathBuf),
}
