//! One open kit with its undo, its jobs and its last error: what plugin and window share.
//!
//! Everything slow runs on threads of the session's own, which end when it is dropped. The window calls
//! these methods from its frame and never waits; the audio thread takes prepared kits from
//! [`Session::take_play_kit`] and gives old ones back through [`Session::give_back`], both without locks.

mod audio_requests;
mod history;
mod job;
mod job_queue;
mod open_kit;
mod preparer;
mod recorder;
mod run_job;
mod threads;

pub use self::{
    audio_requests::{PadTrigger, Preview},
    job::{HitEdit, Job, JobState},
    recorder::{MAX_RECORDING_SECONDS, Recording},
};

use self::{job_queue::Jobs, open_kit::OpenKit, preparer::KitPreparer, recorder::Recorder};
use crate::{
    engine::{Meters, PlayKit},
    error::{Error, Result},
    kit::{Kit, PADS, Stage, Trims},
};
use crossbeam_queue::ArrayQueue;
use std::{
    sync::{
        Arc,
        atomic::{AtomicU8, Ordering::Relaxed},
    },
    time::Duration,
};

/// Strokes from the window that wait for the audio thread at most.
const MAX_TRIGGERS: usize = 64;

/// One open kit.
pub struct Session {
    open_kit: Arc<OpenKit>,
    jobs: Jobs,
    preparer: Arc<KitPreparer>,
    triggers: ArrayQueue<PadTrigger>,
    recorder: Arc<Recorder>,
    /// Stages of each pad's tone chain that are passed by for comparing, one bit each.
    bypassed: [AtomicU8; PADS],
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("revision", &self.revision()).finish_non_exhaustive()
    }
}

impl Session {
    /// A session with an empty kit and two threads of its own, which end with it.
    ///
    /// # Panics
    /// When the system cannot start a thread.
    pub fn new() -> Arc<Self> {
        let open_kit = Arc::new(OpenKit::default());
        Arc::new(Self {
            jobs: Jobs::start(open_kit.clone()),
            preparer: KitPreparer::start(open_kit.clone()),
            open_kit,
            triggers: ArrayQueue::new(MAX_TRIGGERS),
            recorder: Arc::default(),
            bypassed: Default::default(),
        })
    }

    /// The kit as it is now.
    pub fn kit(&self) -> Arc<Kit> {
        self.open_kit.kit()
    }

    /// Changes with every change of the kit; 0 is the empty kit of a fresh session.
    pub fn revision(&self) -> u64 {
        self.open_kit.revision()
    }

    /// Starts a job; one at a time, a second one waits its turn.
    pub fn start(&self, job: Job) {
        self.jobs.push(job);
    }

    /// The running job, if any.
    pub fn job(&self) -> Option<JobState> {
        self.jobs.state()
    }

    /// Stops the running job and forgets the waiting ones; the kit stays as it is.
    pub fn cancel(&self) {
        self.jobs.cancel();
    }

    /// The last error, until dismissed.
    pub fn error(&self) -> Option<Error> {
        self.open_kit.error()
    }

    /// Forgets the last error.
    pub fn dismiss_error(&self) {
        self.open_kit.dismiss_error();
    }

    /// Makes `error` the last error, to be shown by the window.
    pub fn report(&self, error: Error) {
        self.open_kit.report(error);
    }

    /// Changes the kit by hand; `what` names the step in the list of undo: "pad 3 layer 1 pitch". Steps of
    /// the same name within a second merge into one.
    ///
    /// Settings outside their range are moved into it. A change that leaves something that is no kit
    /// (two pads with one note, a slice outside its take) is not made, and told in
    /// [`Session::error`].
    pub fn edit(&self, what: &str, change: impl FnOnce(&mut Kit)) {
        let result = self.open_kit.change(what, true, |kit| {
            change(kit);
            Ok(())
        });
        if let Err(e) = result {
            self.open_kit.report(e);
        }
    }

    /// Takes the last step back; its name, or `None` at the beginning.
    pub fn undo(&self) -> Option<String> {
        self.open_kit.undo()
    }

    /// Repeats a step taken back; its name, or `None` at the end.
    pub fn redo(&self) -> Option<String> {
        self.open_kit.redo()
    }

    /// Names of the steps that undo would take back, newest first; at most 200 are kept.
    pub fn undo_names(&self) -> Vec<String> {
        self.open_kit.undo_names()
    }

    /// Names of the steps that redo would repeat, the next first.
    pub fn redo_names(&self) -> Vec<String> {
        self.open_kit.redo_names()
    }

    /// Calls `hook` after every change of the kit, from whichever thread made it; it must be quick and
    /// may not call the session's changing methods. Replaces an earlier hook. A host's own
    /// [`Session::restore`] calls it as well: [`Session::restored_revision`] tells it apart.
    pub fn on_change(&self, hook: impl Fn() + Send + Sync + 'static) {
        self.open_kit.set_hook(hook);
    }

    /// Lets kits be saved and exported with the trims as `read` gives them at that moment: a host's
    /// parameters own them, the document only carries them in files.
    pub fn read_trims_with(&self, read: impl Fn() -> Option<Trims> + Send + Sync + 'static) {
        self.open_kit.set_read_trims(read);
    }

    /// The trims of a kit file loaded since the last call, for the window to set as parameters.
    pub fn take_loaded_trims(&self) -> Option<Trims> {
        self.open_kit.take_loaded_trims()
    }

    /// Plays a pad from the window at the next block; forgotten when nothing plays and many wait.
    pub fn trigger(&self, trigger: PadTrigger) {
        let _ = self.triggers.push(trigger);
    }

    /// For the audio thread: the next stroke played from the window.
    pub fn take_trigger(&self) -> Option<PadTrigger> {
        self.triggers.pop()
    }

    /// Plays a stretch of a take as it was recorded, at a modest level: frames `start` to `end`, moved
    /// into the take; an empty stretch ends what plays. A take that is not there is passed over.
    pub fn preview(&self, take: usize, start: u64, end: u64) {
        if let Some(take) = self.kit().takes.get(take).cloned() {
            let end = end.min(take.frames() as u64);
            self.preparer.preview(Preview { take, start: start.min(end), end });
        }
    }

    /// For the audio thread: a stretch to be played as recorded, asked for since the last call; a new
    /// one takes the place of what plays, an empty one ends it.
    pub fn take_preview(&self) -> Option<Arc<Preview>> {
        self.preparer.take_stretch()
    }

    /// For the audio thread: a stretch that is done with. The session holds another handle of it, so
    /// that this frees nothing; its own thread does.
    pub fn give_back_preview(&self, stretch: Arc<Preview>) {
        drop(stretch);
    }

    /// Begins to record the side input, for at most [`MAX_RECORDING_SECONDS`]; does nothing while it records
    /// or while no engine is attached.
    pub fn record(&self, fit: f32) {
        let Some(rate) = self.preparer.sample_rate() else { return };
        let (open_kit, jobs) = (self.open_kit.clone(), self.jobs.queue());
        self.recorder.start(rate.round() as u32, move |take| {
            open_kit.set_recorded(take);
            jobs.push(Job::KeepRecording { fit });
        });
    }

    /// Ends the recording and hears it as [`Job::KeepRecording`].
    pub fn stop_recording(&self) {
        self.recorder.stop(true);
    }

    /// Ends the recording and forgets it.
    pub fn discard_recording(&self) {
        self.recorder.stop(false);
    }

    /// The running recording, if any.
    pub fn recording(&self) -> Option<Recording> {
        self.recorder.state()
    }

    /// Highest sample of the side input since the last call, 0 to 1 and above.
    pub fn take_side_input_peak(&self) -> f32 {
        self.recorder.take_peak()
    }

    /// Whether anything to speak of ever came in at the side input.
    pub fn side_input_heard(&self) -> bool {
        self.recorder.heard()
    }

    /// For the audio thread: a block of the side input, left and right.
    pub fn feed_side_input(&self, channels: [&[f32]; 2]) {
        self.recorder.feed(channels);
    }

    /// Passes a stage of a pad's tone chain by, to compare at equal loudness; no part of the kit.
    pub fn bypass(&self, pad: usize, stage: Stage, bypassed: bool) {
        let Some(stages) = self.bypassed.get(pad) else { return };
        let bit = 1 << stage as u8;
        if bypassed {
            stages.fetch_or(bit, Relaxed);
        } else {
            stages.fetch_and(!bit, Relaxed);
        }
    }

    /// Whether a stage of a pad is passed by.
    pub fn is_bypassed(&self, pad: usize, stage: Stage) -> bool {
        self.bypassed_stages(pad) & (1 << stage as u8) != 0
    }

    /// The stages of a pad that are passed by, bit 0 being the first of [`Stage`].
    pub fn bypassed_stages(&self, pad: usize) -> u8 {
        self.bypassed.get(pad).map_or(0, |stages| stages.load(Relaxed))
    }

    /// The meters of the engine that plays, when it plays.
    pub fn meters(&self) -> Option<Arc<Meters>> {
        self.preparer.meters()
    }

    /// For the audio thread: a kit that became ready since the last call.
    pub fn take_play_kit(&self) -> Option<Arc<PlayKit>> {
        self.preparer.take_kit()
    }

    /// For the audio thread: a kit that is done with. The session holds another handle of it, so that
    /// this frees nothing; its own thread does.
    pub fn give_back(&self, kit: Arc<PlayKit>) {
        drop(kit);
    }

    /// For the plugin, when its engine starts: from now on kits are made ready for `sample_rate` Hz
    /// and the window shows `meters`. The kit as it is now is made ready before this returns, and waits
    /// in [`Session::take_play_kit`]. Never call it from the audio thread.
    pub fn attach_engine(&self, sample_rate: f64, meters: Arc<Meters>) {
        self.preparer.attach(sample_rate, meters);
    }

    /// Waits until the kit as it is now, a waiting [`Session::restore`] included, is ready for the
    /// attached engine (without one: until it is the kit), at most `timeout`; whether it is. Never call
    /// it from the audio thread.
    pub fn wait_ready(&self, timeout: Duration) -> bool {
        self.preparer.wait(timeout)
    }

    /// The kit with its audio as text (base64 of a kit file) for a host's state. It is packed on the
    /// session's own thread shortly after each change, so that a host's save costs a copy; after a
    /// change within the last third of a second it is packed here. A waiting [`Session::restore`] is
    /// given back as it came.
    ///
    /// # Errors
    /// One sentence when the takes exceed [`crate::kit::MAX_STATE_AUDIO`]; jobs refuse such kits
    /// beforehand, edits cannot make them.
    pub fn state(&self) -> Result<Arc<String>> {
        self.preparer.state()
    }

    /// Takes a state that [`Session::state`] wrote: stores it, wakes the session's thread and returns. The
    /// thread makes it the kit and forgets all steps; a broken one leaves the kit as it was, is told in
    /// [`Session::error`], and is what [`Session::state`] answers until the kit changes, so that a
    /// project from a newer version survives an older one.
    pub fn restore(&self, state: String) {
        self.preparer.restore(state);
    }

    /// The revision that the last [`Session::restore`] left, 0 without one: while it is
    /// [`Session::revision`], the project holds nothing that its host has not given.
    pub fn restored_revision(&self) -> u64 {
        self.open_kit.restored_revision()
    }
}

impl Drop for Session {
    /// Cancels what runs and ends both threads.
    fn drop(&mut self) {
        self.recorder.end();
        self.jobs.end();
        self.preparer.end();
    }
}
