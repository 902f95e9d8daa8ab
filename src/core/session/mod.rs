//! One open kit with its undo history, its jobs and its last error, shared by plugin and window.
//!
//! Everything slow runs on threads of the session's own, which end when it is dropped. The window calls
//! these methods from its frame and never waits; the audio thread takes prepared kits from
//! [`Session::take_play_kit`] and gives old ones back through [`Session::give_back`], both without locks.

mod audio_requests;
mod autosave;
mod capture;
mod capture_follower;
mod capture_ring;
mod groove_control;
mod history;
mod job;
mod job_parts;
mod job_queue;
mod library_jobs;
mod loudness_gate;
mod new_kit;
mod open_kit;
mod pad_jobs;
mod preference_file;
mod preparer;
mod rankings;
mod reading;
mod recast;
mod record_options;
mod recorder;
mod run_job;
mod saved;
mod search_effort;
mod take_jobs;
mod threads;

pub use self::{
    audio_requests::{KeyTrigger, PadTrigger, Preview, ReceivedKey},
    autosave::{Autosave, autosave_folder},
    job::{HitEdit, Job, JobState, LibraryJob},
    preference_file::read_preference,
    rankings::Ranking,
    record_options::{CountIn, RecordOptions, Recording, RecordingPhase},
    recorder::{KEPT_SECONDS, MAX_RECORDING_SECONDS},
};

use self::{
    autosave::Autosaver, groove_control::GrooveControl, job_queue::Jobs, open_kit::OpenKit,
    preparer::KitPreparer, rankings::Rankings, recorder::Recorder,
};
use crate::{
    cast::Preference,
    engine::{Meters, PlayKit},
    error::{Error, Result},
    groove::patterns::GrooveSettings,
    kit::{Kit, PADS, Pad, Role, ToneStage, Trims},
    take::Take,
};
use crossbeam_queue::ArrayQueue;
use std::{
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicU8, AtomicU32, Ordering::Relaxed},
    },
    time::Duration,
};

/// Triggers from the window that can wait for the audio thread; further ones are dropped.
const MAX_TRIGGERS: usize = 64;

/// One open kit.
pub struct Session {
    open_kit: Arc<OpenKit>,
    jobs: Jobs,
    rankings: Arc<Rankings>,
    groove: GrooveControl,
    autosaver: Arc<Autosaver>,
    preparer: Arc<KitPreparer>,
    triggers: ArrayQueue<PadTrigger>,
    keys: ArrayQueue<KeyTrigger>,
    /// The last key that came in as MIDI, packed.
    received: AtomicU32,
    recorder: Arc<Recorder>,
    /// Bypassed stages of each pad's tone chain, one bit each.
    bypassed: [AtomicU8; PADS],
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("revision", &self.revision()).finish_non_exhaustive()
    }
}

impl Session {
    /// Sets the share of its trials that each search makes from now on, clamped to 0.01 to 1. A smaller share ends sooner and
    /// fits less well.
    pub fn set_search_effort(&self, share: f32) {
        self.open_kit.search_effort.set(share);
    }

    /// A session with an empty kit and two threads of its own, which end with it.
    ///
    /// # Panics
    /// When the system cannot start a thread.
    pub fn new() -> Arc<Self> {
        let open_kit = Arc::new(OpenKit::default());
        let rankings = Arc::<Rankings>::default();
        let preparer = KitPreparer::start(open_kit.clone());
        Arc::new(Self {
            jobs: Jobs::start(open_kit.clone(), rankings.clone(), preparer.clone()),
            rankings,
            groove: GrooveControl::default(),
            autosaver: Arc::default(),
            preparer,
            open_kit,
            triggers: ArrayQueue::new(MAX_TRIGGERS),
            keys: ArrayQueue::new(MAX_TRIGGERS),
            received: AtomicU32::default(),
            recorder: Arc::default(),
            bypassed: Default::default(),
        })
    }

    /// The current kit.
    pub fn kit(&self) -> Arc<Kit> {
        self.open_kit.kit()
    }

    /// Number of the current kit: grows by 1 with every change; 0 is the empty kit of a fresh session.
    pub fn revision(&self) -> u64 {
        self.open_kit.revision()
    }

    /// Queues a job. Jobs run one at a time, in order, on the session's own thread; a failed one leaves the kit
    /// as it was and its sentence in [`Session::error`].
    pub fn start(&self, job: Job) {
        self.jobs.push(job);
    }

    /// The running job; `None` when none runs or waits.
    pub fn job(&self) -> Option<JobState> {
        self.jobs.state()
    }

    /// Cancels the running job and drops the waiting ones; the kit stays as it is, and no error is reported.
    /// Returns at once: the job ends at its next check.
    pub fn cancel(&self) {
        self.jobs.cancel();
    }

    /// The last error, until [`Session::dismiss_error`]; a newer one replaces it.
    pub fn error(&self) -> Option<Error> {
        self.open_kit.error()
    }

    /// Clears the last error.
    pub fn dismiss_error(&self) {
        self.open_kit.dismiss_error();
    }

    /// Makes `error` the last error, to be shown by the window; [`Error::Cancelled`] is ignored.
    pub fn report(&self, error: Error) {
        self.open_kit.report(error);
    }

    /// Edits a copy of the kit and puts it in place as one undo step named `what`, such as "pad 3 layer 1
    /// pitch". A step of the same name within 1 s of the last one continues it; an edit that changes nothing
    /// is no step.
    ///
    /// Settings outside their range are moved into it, NaN becomes the default. An edit that leaves an invalid
    /// kit (two pads with one note, a slice outside its take) is not made, and [`Session::error`] says why.
    pub fn edit(&self, what: &str, change: impl FnOnce(&mut Kit)) {
        let result = self.open_kit.change(what, true, |kit| {
            change(kit);
            Ok(())
        });
        if let Err(e) = result {
            self.open_kit.report(e);
        }
    }

    /// Edits a pad as [`Session::edit`] does; `what` completes the step's name. What changes counts as set by hand from
    /// then on: it stays when the pad is shaped or cast again.
    pub fn edit_pad(&self, pad: usize, what: &str, change: impl FnOnce(&mut Pad)) {
        self.edit(&format!("pad {} {what}", pad + 1), |kit| {
            if let Some(pad) = kit.doc.pads.get_mut(pad) {
                pad.change_by_hand(change);
            }
        });
    }

    /// The kit file that the kit was loaded from or saved to last; `None` for a kit that was never saved.
    pub fn file(&self) -> Option<PathBuf> {
        self.open_kit.file()
    }

    /// Whether the kit has changed since it was loaded, saved or restored by a host; an empty one never has.
    pub fn is_changed(&self) -> bool {
        self.open_kit.is_changed()
    }

    /// Files that jobs have read or written since the last call.
    pub fn take_opened(&self) -> Vec<PathBuf> {
        self.open_kit.take_opened()
    }

    /// What the last job that succeeded has to say: "Saved to ...".
    pub fn note(&self) -> Option<String> {
        self.open_kit.note()
    }

    /// How well every hit serves `role`, best first; `None` until [`Job::Rank`] or [`Job::NextBest`] has tried them in
    /// that role, and again once the hits have changed.
    pub fn ranking(&self, role: Role) -> Option<Arc<Ranking>> {
        self.rankings.of(&self.kit(), role)
    }

    /// From now on unsaved work is saved by itself into `folder` ([`autosave_folder`]) on a thread of the session's own,
    /// and removed there once the kit is saved; at most 20 files are kept. Does nothing the second time.
    pub fn autosave_into(&self, folder: PathBuf) {
        self.autosave_every(folder, autosave::usual_delay());
    }

    /// The same; a kit is saved once it has been left alone for `delay`.
    pub fn autosave_every(&self, folder: PathBuf, delay: Duration) {
        self.autosaver.start(self.open_kit.clone(), folder, delay);
    }

    /// From now on the player's preference is kept in this file. Nothing is learned until [`Session::set_learning`].
    pub fn keep_preference_in(&self, file: PathBuf) {
        self.open_kit.preference.keep_in(file);
    }

    /// What has been learned of the player's choices; off and empty where there is no file.
    pub fn preference(&self) -> Preference {
        self.open_kit.preference.get()
    }

    /// Whether choices are learned and casting leans towards them.
    pub fn set_learning(&self, on: bool) {
        let changed = self.open_kit.preference.change(|preference| preference.on = on);
        changed.unwrap_or_else(|error| self.report(error));
    }

    /// Forgets everything that was learned; whether choices are learned stays as it is.
    pub fn forget_preference(&self) {
        let changed = self.open_kit.preference.change(|preference| preference.roles.clear());
        changed.unwrap_or_else(|error| self.report(error));
    }

    /// Unsaved work that runs before this one have left behind, newest first.
    pub fn autosaves(&self) -> Vec<Autosave> {
        self.autosaver.found()
    }

    /// Undoes the last step; returns its name, or `None` when there is none.
    pub fn undo(&self) -> Option<String> {
        self.open_kit.undo()
    }

    /// Redoes the step undone last; returns its name, or `None` when there is none.
    pub fn redo(&self) -> Option<String> {
        self.open_kit.redo()
    }

    /// Names of the steps that can be undone, newest first; at most 200 are kept.
    pub fn undo_names(&self) -> Vec<String> {
        self.open_kit.undo_names()
    }

    /// Names of the steps that can be redone, the next first.
    pub fn redo_names(&self) -> Vec<String> {
        self.open_kit.redo_names()
    }

    /// Calls `hook` after every change of the kit, from whichever thread made it; it must be quick and
    /// may not call the session's changing methods. Replaces an earlier hook. A host's own
    /// [`Session::restore`] calls it as well: [`Session::restored_revision`] shows which it was.
    pub fn on_change(&self, hook: impl Fn() + Send + Sync + 'static) {
        self.open_kit.set_hook(hook);
    }

    /// Lets kits be saved and exported with the trims as `read` gives them at that moment: a host's
    /// parameters own them, the document only carries them in files.
    pub fn read_trims_with(&self, read: impl Fn() -> Option<Trims> + Send + Sync + 'static) {
        self.open_kit.set_read_trims(read);
    }

    /// The trims of a kit file loaded since the last call, for the window to set as host parameters; `None`
    /// when no kit was loaded.
    pub fn take_loaded_trims(&self) -> Option<Trims> {
        self.open_kit.take_loaded_trims()
    }

    /// Hands trims to the window as those of a loaded file: [`Session::take_loaded_trims`].
    pub fn hand_over_trims(&self, trims: Trims) {
        self.open_kit.set_loaded_trims(trims);
    }

    /// Plays a pad at the start of the next block; dropped when 64 triggers wait already, as they do while no
    /// engine runs.
    pub fn trigger(&self, trigger: PadTrigger) {
        let _ = self.triggers.push(trigger);
    }

    /// For the audio thread: the next trigger, in order. Lock-free.
    pub fn take_trigger(&self) -> Option<PadTrigger> {
        self.triggers.pop()
    }

    /// Presses a key at the start of the next block or lets it go, as MIDI on its channel would; dropped when 64 wait.
    pub fn play_key(&self, key: KeyTrigger) {
        let _ = self.keys.push(key);
    }

    /// For the audio thread: the next key from the window, in order. Lock-free.
    pub fn take_key(&self) -> Option<KeyTrigger> {
        self.keys.pop()
    }

    /// For the audio thread: a key came in as MIDI, on channel 0 to 15. Lock-free.
    pub fn key_received(&self, channel: u8, key: u8) {
        let count = self.last_key().count.wrapping_add(1);
        self.received.store(ReceivedKey { count, channel, key }.pack(), Relaxed);
    }

    /// The last key that came in as MIDI; its count is 0 before the first one.
    pub fn last_key(&self) -> ReceivedKey {
        ReceivedKey::unpack(self.received.load(Relaxed))
    }

    /// How the groove plays. Lock-free.
    pub fn groove(&self) -> GrooveSettings {
        self.groove.get()
    }

    /// Sets how the groove plays, from the next block on; it plays only when this says so.
    pub fn set_groove(&self, settings: GrooveSettings) {
        self.groove.set(settings);
    }

    /// For the audio thread: the host's tempo, beats per minute, while it plays. Lock-free.
    pub fn set_host_tempo(&self, tempo: Option<f64>) {
        self.groove.set_host_tempo(tempo);
    }

    /// The host's tempo in the last block, beats per minute; `None` while it does not play.
    pub fn host_tempo(&self) -> Option<f32> {
        self.groove.host_tempo()
    }

    /// Plays a range of a take as it was recorded, mixed with the kit: frames `start..end` at the take's own rate,
    /// limited to the take. An empty range ends the preview that plays; an index without a take is ignored.
    pub fn preview(&self, take: usize, start: u64, end: u64) {
        if let Some(take) = self.kit().takes.get(take).cloned() {
            let end = end.min(take.frames() as u64);
            self.preparer.preview(Preview { take, start: start.min(end), end });
        }
    }

    /// Plays a whole sound that belongs to no kit, as [`Session::preview`] does.
    pub fn preview_sound(&self, sound: Arc<Take>) {
        let end = sound.frames() as u64;
        self.preparer.preview(Preview { take: sound, start: 0, end });
    }

    /// For the audio thread: the preview asked for last since the last call. It replaces the one that plays.
    /// Lock-free.
    pub fn take_preview(&self) -> Option<Arc<Preview>> {
        self.preparer.take_preview()
    }

    /// For the audio thread: returns a finished preview. The session holds another handle of it, so that this
    /// frees nothing; its own thread does.
    pub fn give_back_preview(&self, preview: Arc<Preview>) {
        drop(preview);
    }

    /// Bypasses a stage of a pad's tone chain, to compare at equal loudness. It is no part of the kit. A pad that
    /// is not there is ignored.
    pub fn bypass(&self, pad: usize, stage: ToneStage, bypassed: bool) {
        let Some(stages) = self.bypassed.get(pad) else { return };
        let bit = 1 << stage as u8;
        if bypassed {
            stages.fetch_or(bit, Relaxed);
        } else {
            stages.fetch_and(!bit, Relaxed);
        }
    }

    /// Whether a stage of a pad is bypassed.
    pub fn is_bypassed(&self, pad: usize, stage: ToneStage) -> bool {
        self.bypassed_stages(pad) & (1 << stage as u8) != 0
    }

    /// The bypassed stages of a pad, one bit each, bit 0 for the first of [`ToneStage`]; 0 for a pad that is not
    /// there. Lock-free.
    pub fn bypassed_stages(&self, pad: usize) -> u8 {
        self.bypassed.get(pad).map_or(0, |stages| stages.load(Relaxed))
    }

    /// The meters of the attached engine; `None` before [`Session::attach_engine`].
    pub fn meters(&self) -> Option<Arc<Meters>> {
        self.preparer.meters()
    }

    /// For the audio thread: the newest kit prepared since the last call. Lock-free.
    pub fn take_play_kit(&self) -> Option<Arc<PlayKit>> {
        self.preparer.take_kit()
    }

    /// For the audio thread: returns a kit that no longer plays. The session holds another handle of it, so
    /// that this frees nothing; its own thread does.
    pub fn give_back(&self, kit: Arc<PlayKit>) {
        drop(kit);
    }

    /// For the plugin, when its engine starts: from now on kits are prepared for `sample_rate` Hz and the window
    /// shows `meters`. The current kit is prepared before this returns, and waits in
    /// [`Session::take_play_kit`]. It allocates and waits: never call it from the audio thread.
    pub fn attach_engine(&self, sample_rate: f64, meters: Arc<Meters>) {
        self.recorder.prepare(sample_rate.round() as u32);
        self.preparer.attach(sample_rate, meters);
    }

    /// Waits until the current kit, a waiting [`Session::restore`] included, is prepared for the attached engine
    /// (without one: until it is the current kit), at most `timeout`; returns whether it is. Never call it from
    /// the audio thread.
    pub fn wait_ready(&self, timeout: Duration) -> bool {
        self.preparer.wait(timeout)
    }

    /// The kit with its audio as text (base64 of a kit file) for a host's state. The session's own thread packs
    /// it once the kit has been left alone for 0.3 s, so that a host's save costs a copy; before that it is
    /// packed here. While a [`Session::restore`] waits, its own text is returned.
    ///
    /// # Errors
    /// One sentence when the takes exceed [`crate::kit::MAX_STATE_AUDIO`]; jobs refuse such kits
    /// beforehand, edits cannot make them.
    pub fn state(&self) -> Result<Arc<String>> {
        self.preparer.state()
    }

    /// Restores a state that [`Session::state`] wrote: stores it, wakes the session's thread and returns. The
    /// thread makes it the current kit and clears the undo history. A broken state leaves the kit as it was and a
    /// sentence in [`Session::error`]; [`Session::state`] returns its text until the kit changes, so that a
    /// project from a newer version survives an older one.
    pub fn restore(&self, state: impl Into<Arc<String>>) {
        self.preparer.restore(state.into());
    }

    /// Whether the kit is known to be the one of this state: as it was packed or restored last. Nothing is packed for
    /// the answer but an empty kit.
    pub fn is_in_state(&self, state: &str) -> bool {
        self.preparer.is_in_state(state)
    }

    /// The revision that the last [`Session::restore`] made, 0 without one. While it equals
    /// [`Session::revision`], nothing has changed since the host restored its state.
    pub fn restored_revision(&self) -> u64 {
        self.open_kit.restored_revision()
    }
}

impl Drop for Session {
    /// Cancels the running job and the recording, and waits for the session's threads to end.
    fn drop(&mut self) {
        self.recorder.end();
        self.jobs.end();
        self.autosaver.end();
        self.preparer.end();
    }
}
