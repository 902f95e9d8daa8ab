//! One open kit with its undo, its jobs and its last error: what plugin and window share.
//!
//! Everything slow runs on threads of the session's own, which end when it is dropped. The window calls
//! these methods from its frame and never waits; the audio thread takes prepared kits from
//! [`Session::take_play_kit`] and gives old ones back through [`Session::give_back`], both without locks.

use crate::{
    engine::{Meters, PlayKit},
    error::Error,
    kit::{Kit, Role},
    listen::HearOptions,
    take::Take,
};
use std::{path::PathBuf, sync::Arc, time::Duration};

/// What a running job tells.
#[derive(Debug, Clone, PartialEq)]
pub struct JobState {
    /// A short phrase: "hearing hits".
    pub step: String,
    /// 0 to 1.
    pub done: f32,
}

/// A stroke played from the window: pad and velocity (0 to 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Pad, 0 to 15.
    pub pad: usize,
    /// Above 0 to 1.
    pub velocity: f32,
}

/// A stretch of a take, to be played as it was recorded.
#[derive(Debug, Clone)]
pub struct Listening {
    /// The take.
    pub take: Arc<Take>,
    /// First frame, at the take's own rate.
    pub start: u64,
    /// First frame after it.
    pub end: u64,
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
    /// Hear a take again; hits set by hand stay.
    HearAgain(usize, HearOptions),
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
    /// Read a kit file.
    LoadKit(PathBuf),
    /// Write the kit file.
    SaveKit(PathBuf),
    /// Write pads, groove, MIDI and picture into a folder.
    Export(PathBuf),
}

/// One open kit.
#[derive(Debug, Default)]
pub struct Session {
    _private: (),
}

impl Session {
    /// A session with an empty kit.
    pub fn new() -> Arc<Self> {
        Arc::default()
    }

    /// The kit as it is now.
    pub fn kit(&self) -> Arc<Kit> {
        Arc::default()
    }

    /// Changes with every change of the kit.
    pub fn revision(&self) -> u64 {
        0
    }

    /// Starts a job; one at a time, a second one waits its turn.
    pub fn start(&self, job: Job) {
        let _ = job;
    }

    /// The running job, if any.
    pub fn job(&self) -> Option<JobState> {
        None
    }

    /// Stops the running job and forgets the waiting ones; the kit stays as it is.
    pub fn cancel(&self) {}

    /// The last error, until dismissed.
    pub fn error(&self) -> Option<Error> {
        None
    }

    /// Forgets the last error.
    pub fn dismiss_error(&self) {}

    /// Changes the kit by hand; `what` names the step in the list of undo: "pad 3 layer 1 pitch". Steps of
    /// the same name within a second merge into one.
    pub fn edit(&self, what: &str, change: impl FnOnce(&mut Kit)) {
        let _ = (what, change);
    }

    /// Takes the last step back; its name, or `None` at the beginning.
    pub fn undo(&self) -> Option<String> {
        None
    }

    /// Repeats a step taken back; its name, or `None` at the end.
    pub fn redo(&self) -> Option<String> {
        None
    }

    /// Names of the steps that undo would take back, newest first.
    pub fn history(&self) -> Vec<String> {
        Vec::new()
    }

    /// Plays a pad from the window at the next block.
    pub fn strike(&self, stroke: Stroke) {
        let _ = stroke;
    }

    /// Plays a stretch of a take as it was recorded, at a modest level: frames `start` to `end`.
    pub fn listen_to(&self, take: usize, start: u64, end: u64) {
        let _ = (take, start, end);
    }

    /// The meters of the engine that plays, when it plays.
    pub fn meters(&self) -> Option<Arc<Meters>> {
        None
    }

    /// For the audio thread: a kit that became ready since the last call.
    pub fn take_play_kit(&self) -> Option<Arc<PlayKit>> {
        None
    }

    /// For the audio thread: a kit to be dropped elsewhere.
    pub fn give_back(&self, kit: Arc<PlayKit>) {
        let _ = kit;
    }

    /// For the plugin, when its engine starts: from now on kits are made ready for `sample_rate` Hz
    /// and the window shows `meters`. The kit as it is now is made ready before this returns, and waits
    /// in [`Session::take_play_kit`]. Never call it from the audio thread.
    pub fn attach_engine(&self, sample_rate: f64, meters: Arc<Meters>) {
        let _ = (sample_rate, meters);
    }

    /// Waits until the kit as it is now is ready for the attached engine (at once without one), at most
    /// `timeout`; whether it is. Never call it from the audio thread.
    pub fn wait_ready(&self, timeout: Duration) -> bool {
        let _ = timeout;
        true
    }

    /// For the audio thread: the next stroke played from the window.
    pub fn take_stroke(&self) -> Option<Stroke> {
        None
    }

    /// For the audio thread: a stretch to be played as recorded, asked for since the last call; a new
    /// one takes the place of what plays, an empty one ends it.
    pub fn take_listening(&self) -> Option<Arc<Listening>> {
        None
    }

    /// For the audio thread: a stretch to be dropped elsewhere.
    pub fn give_back_listening(&self, stretch: Arc<Listening>) {
        let _ = stretch;
    }

    /// Calls `hook` after every change of the kit, from whichever thread made it; it must be quick and
    /// may not call the session's changing methods. Replaces an earlier hook.
    pub fn on_change(&self, hook: impl Fn() + Send + Sync + 'static) {
        let _ = hook;
    }

    /// Makes `error` the last error, to be shown by the window.
    pub fn report(&self, error: Error) {
        let _ = error;
    }
}
