//! The open kit, shared by the session's threads and its callers: kit, undo history, last error, hook.

use super::{
    history::{CurrentKit, History, KitFile, RestoredStep},
    preference_file::PreferenceFile,
    saved::Saved,
    search_effort::SearchEffort,
    threads::lock,
};
use crate::{
    cast::ShapeAs,
    error::{Error, Result},
    kit::{Kit, Role, Trims},
    take::Take,
};
use arc_swap::ArcSwap;
use std::{
    path::{Path, PathBuf},
    sync::{
        Arc, Mutex,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    thread::Thread,
    time::Instant,
};

/// A kit and its revision.
#[derive(Debug, Default)]
pub(super) struct Version {
    pub kit: Arc<Kit>,
    pub revision: u64,
}

type Hook = dyn Fn() + Send + Sync;
type ReadTrims = dyn Fn() -> Option<Trims> + Send + Sync;

#[derive(Default)]
pub(super) struct OpenKit {
    now: ArcSwap<Version>,
    /// Held while the kit changes, so that changes follow one another.
    history: Mutex<History>,
    error: Mutex<Option<Error>>,
    hook: Mutex<Option<Arc<Hook>>>,
    restored: AtomicU64,
    /// The revision that the host has taken into its project.
    kept_by_host: AtomicU64,
    read_trims: Mutex<Option<Arc<ReadTrims>>>,
    loaded_trims: Mutex<Option<Trims>>,
    recorded: Mutex<Option<Take>>,
    /// What the player's choices say.
    pub(super) preference: PreferenceFile,
    /// How long searches take.
    pub(super) search_effort: SearchEffort,
    /// Where the kit belongs and what was saved of it.
    saved: Mutex<Saved>,
    /// The thread that prepares kits, woken by changes.
    preparer: Mutex<Option<Thread>>,
}

impl OpenKit {
    /// How a pad of this role and fit is shaped.
    pub(super) fn shape_as(&self, role: Role, fit: f32) -> ShapeAs {
        ShapeAs { role, fit, effort: self.search_effort.share() }
    }

    pub(super) fn version(&self) -> Arc<Version> {
        self.now.load_full()
    }

    pub(super) fn kit(&self) -> Arc<Kit> {
        self.now.load().kit.clone()
    }

    pub(super) fn revision(&self) -> u64 {
        self.now.load().revision
    }

    /// Changes a copy of the kit and puts it in place as one step. A change that fails or leaves an invalid kit
    /// leaves everything as it was; one that changes nothing is no step.
    pub(super) fn change(
        &self,
        name: &str,
        merge: bool,
        change: impl FnOnce(&mut Kit) -> Result<()>,
    ) -> Result<()> {
        let mut history = lock(&self.history);
        let before = self.kit();
        let mut kit = Kit::clone(&before);
        change(&mut kit)?;
        kit.doc.mend();
        kit.doc.check(&kit.takes)?;
        if kit.doc == before.doc && same_takes(&kit.takes, &before.takes) {
            return Ok(());
        }
        history.record(name, before, Instant::now(), merge);
        self.put(Arc::new(kit));
        drop(history);
        self.notify();
        Ok(())
    }

    /// Goes on with the step that put the kit in place: no step of its own. `change` says whether it changed the kit; one
    /// that leaves an invalid kit changes nothing.
    pub(super) fn refine(&self, change: impl FnOnce(&mut Kit) -> bool) -> bool {
        let history = lock(&self.history);
        let mut kit = Kit::clone(&self.kit());
        if !change(&mut kit) {
            return false;
        }
        kit.doc.mend();
        if kit.doc.check(&kit.takes).is_err() {
            return false;
        }
        self.put(Arc::new(kit));
        drop(history);
        self.notify();
        true
    }

    /// Puts another kit in place, which belongs to `file`, as one step; undoing it restores the present file.
    pub(super) fn change_to_new(&self, name: &str, kit: Kit, file: KitFile) -> Result<()> {
        let revision = self.revision();
        self.change(name, false, |before| {
            *before = kit;
            Ok(())
        })?;
        let before = lock(&self.saved).belongs_to(file);
        if self.revision() != revision {
            lock(&self.history).attach_file(name, before);
        }
        Ok(())
    }

    /// Puts a kit from a file in place, as one step. Its trims wait to be set as host parameters; undoing the
    /// step restores the present ones. The kit belongs to `file`, and counts as saved when there is one.
    pub(super) fn load(&self, kit: Kit, file: Option<&Path>) -> Result<()> {
        let now = self.trims();
        let trims = kit.doc.trims.clone();
        self.change_to_new("load kit", kit, file.map(Path::to_owned))?;
        if file.is_some() {
            lock(&self.saved).keep(self.kit());
        }
        lock(&self.history).attach_trims("load kit", now);
        self.set_loaded_trims(trims);
        Ok(())
    }

    /// Puts the kit of a host's state in place and clears the undo history; returns the revision.
    pub(super) fn replace(&self, kit: Kit) -> u64 {
        let mut history = lock(&self.history);
        history.clear();
        let revision = self.put(Arc::new(kit));
        self.restored.store(revision, Relaxed);
        let mut saved = lock(&self.saved);
        saved.belongs_to(None);
        saved.keep(self.kit());
        drop((history, saved));
        self.notify();
        revision
    }

    pub(super) fn restored_revision(&self) -> u64 {
        self.restored.load(Relaxed)
    }

    pub(super) fn undo(&self) -> Option<String> {
        self.step(History::undo)
    }

    pub(super) fn redo(&self) -> Option<String> {
        self.step(History::redo)
    }

    fn step(&self, step: impl FnOnce(&mut History, CurrentKit) -> Option<RestoredStep>) -> Option<String> {
        // read before the history is held: the host's parameters have locks of their own
        let trims = self.trims();
        let mut history = lock(&self.history);
        let file = lock(&self.saved).file.clone();
        let back = step(&mut history, CurrentKit { kit: self.kit(), trims, file })?;
        if let Some(file) = back.file {
            lock(&self.saved).belongs_to(file);
        }
        self.put(back.kit);
        drop(history);
        if let Some(trims) = back.trims {
            self.set_loaded_trims(trims);
        }
        self.notify();
        Some(back.name)
    }

    /// The host's parameters, where there is a host.
    fn trims(&self) -> Option<Trims> {
        let read = lock(&self.read_trims).clone();
        read.and_then(|read| read())
    }

    /// Drops the last step, when it has this name and everything it changed was taken back.
    pub(super) fn forget_empty_step(&self, name: &str) {
        lock(&self.history).forget_empty(name, &self.kit());
    }

    pub(super) fn undo_names(&self) -> Vec<String> {
        lock(&self.history).undo_names()
    }

    pub(super) fn redo_names(&self) -> Vec<String> {
        lock(&self.history).redo_names()
    }

    /// The caller holds the history.
    fn put(&self, kit: Arc<Kit>) -> u64 {
        let revision = self.revision() + 1;
        self.now.store(Arc::new(Version { kit, revision }));
        revision
    }

    fn notify(&self) {
        if let Some(thread) = &*lock(&self.preparer) {
            thread.unpark();
        }
        let hook = lock(&self.hook).clone();
        if let Some(hook) = hook {
            hook();
        }
    }

    pub(super) fn set_read_trims(&self, read: impl Fn() -> Option<Trims> + Send + Sync + 'static) {
        *lock(&self.read_trims) = Some(Arc::new(read));
    }

    /// The current kit with the current trims, for a file.
    pub(super) fn kit_with_trims(&self) -> Arc<Kit> {
        self.with_trims(&self.kit())
    }

    /// A kit with the current trims, for a file.
    pub(super) fn with_trims(&self, kit: &Arc<Kit>) -> Arc<Kit> {
        match self.trims() {
            Some(trims) if trims != kit.doc.trims => {
                let mut kit = Kit::clone(kit);
                kit.doc.trims = trims;
                Arc::new(kit)
            }
            _ => kit.clone(),
        }
    }

    /// `kit` was written to `file`.
    pub(super) fn saved(&self, kit: Arc<Kit>, file: PathBuf) {
        let mut saved = lock(&self.saved);
        saved.belongs_to(Some(file));
        saved.keep(kit);
    }

    /// A kit file has another name now; the kit goes on belonging to it.
    pub(super) fn moved(&self, from: &Path, to: &Path) {
        let mut saved = lock(&self.saved);
        if saved.file.as_deref() == Some(from) {
            saved.belongs_to(Some(to.to_owned()));
        }
    }

    /// The file that the kit belongs to.
    pub(super) fn file(&self) -> KitFile {
        lock(&self.saved).file.clone()
    }

    /// Whether the kit holds something that no file and no project holds.
    pub(super) fn is_changed(&self) -> bool {
        let kit = self.kit();
        !kit.takes.is_empty() && !lock(&self.saved).holds(&kit)
    }

    /// The host has taken the kit of this revision into its project.
    pub(super) fn taken_by_host(&self, revision: u64) {
        self.kept_by_host.store(revision, Relaxed);
    }

    /// Whether the host's project holds the kit as it is.
    pub(super) fn is_kept_by_host(&self) -> bool {
        self.kept_by_host.load(Relaxed) == self.revision()
    }

    /// A job is done: `files` were read or written, and the player is told `note`. An older error is over.
    pub(super) fn succeeded(&self, files: Vec<PathBuf>, note: Option<String>) {
        self.dismiss_error();
        let mut saved = lock(&self.saved);
        saved.opened.extend(files);
        saved.note = note;
    }

    /// The files of jobs that have succeeded since the last call.
    pub(super) fn take_opened(&self) -> Vec<PathBuf> {
        std::mem::take(&mut lock(&self.saved).opened)
    }

    pub(super) fn note(&self) -> Option<String> {
        lock(&self.saved).note.clone()
    }

    /// From now on the kit is saved by itself into this file.
    pub(super) fn adopt_autosave(&self, file: PathBuf) {
        lock(&self.saved).adopted = Some(file);
    }

    pub(super) fn take_adopted_autosave(&self) -> Option<PathBuf> {
        lock(&self.saved).adopted.take()
    }

    pub(super) fn set_loaded_trims(&self, trims: Trims) {
        *lock(&self.loaded_trims) = Some(trims);
    }

    pub(super) fn take_loaded_trims(&self) -> Option<Trims> {
        lock(&self.loaded_trims).take()
    }

    pub(super) fn set_recorded(&self, take: Take) {
        *lock(&self.recorded) = Some(take);
    }

    pub(super) fn take_recorded(&self) -> Option<Take> {
        lock(&self.recorded).take()
    }

    pub(super) fn set_hook(&self, hook: impl Fn() + Send + Sync + 'static) {
        *lock(&self.hook) = Some(Arc::new(hook));
    }

    pub(super) fn set_preparer(&self, thread: Thread) {
        *lock(&self.preparer) = Some(thread);
    }

    pub(super) fn error(&self) -> Option<Error> {
        lock(&self.error).clone()
    }

    pub(super) fn dismiss_error(&self) {
        *lock(&self.error) = None;
    }

    /// Keeps an error for the window; a cancelled job is none.
    pub(super) fn report(&self, error: Error) {
        if error != Error::Cancelled {
            *lock(&self.error) = Some(error);
        }
    }
}

/// Whether two kits use the same takes.
pub(super) fn same_takes(a: &[Arc<Take>], b: &[Arc<Take>]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| Arc::ptr_eq(a, b))
}
