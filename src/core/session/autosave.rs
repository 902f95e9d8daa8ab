//! Unsaved work, saved by itself on a thread of its own, and found again at the next start.

use super::{
    open_kit::OpenKit,
    threads::{join_unless_own, lock},
};
use crate::{kit::EXTENSION, library::data_folder, progress::Flag, staging};
use std::{
    fs,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, OnceLock, atomic::Ordering::Relaxed},
    thread::{self, JoinHandle, Thread},
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

/// Autosaves kept at most; the oldest go.
const MAX_FILES: usize = 20;
/// The kit is saved once it has been left alone for this long.
const DELAY: Duration = Duration::from_secs(5);
/// A kit that is never left alone is saved this often.
const MAX_DELAY: Duration = Duration::from_secs(30);
/// How often the thread looks at the kit.
const INTERVAL: Duration = Duration::from_millis(500);
/// Separates the kit's name from the process number and the time the file was begun (ms since 1970) in a file's name.
const SEPARATOR: &str = " autosave ";

/// Unsaved work of an earlier run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Autosave {
    /// The kit file.
    pub file: PathBuf,
    /// Name of the kit.
    pub name: String,
    /// How long ago it was written, whole minutes.
    pub minutes: u64,
}

/// Saves the open kit by itself, once it was started.
#[derive(Default)]
pub(super) struct Autosaver {
    found: Mutex<Vec<Autosave>>,
    stop: Flag,
    thread: Mutex<Option<JoinHandle<()>>>,
    handle: OnceLock<Thread>,
}

impl Autosaver {
    /// Begins to save into `folder`, and lists what is there; does nothing when it has begun before.
    pub(super) fn start(self: &Arc<Self>, open_kit: Arc<OpenKit>, folder: PathBuf, delay: Duration) {
        let mut thread = lock(&self.thread);
        if thread.is_some() {
            return;
        }
        *lock(&self.found) = find(&folder);
        let own = self.clone();
        let spawned = thread::Builder::new().name("kitwright-autosave".into()).spawn(move || {
            Writer { open_kit, folder, file: None, written: 0, delay }.run(&own.stop);
        });
        if let Ok(spawned) = spawned {
            let _ = self.handle.set(spawned.thread().clone());
            *thread = Some(spawned);
        }
    }

    /// Unsaved work of earlier runs, newest first.
    pub(super) fn found(&self) -> Vec<Autosave> {
        lock(&self.found).clone()
    }

    /// Saves once more what is unsaved, and ends the thread.
    pub(super) fn end(&self) {
        self.stop.0.store(true, Relaxed);
        if let Some(thread) = self.handle.get() {
            thread.unpark();
        }
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }
}

/// What the thread knows.
struct Writer {
    open_kit: Arc<OpenKit>,
    folder: PathBuf,
    /// The file of this session's unsaved work.
    file: Option<PathBuf>,
    /// The revision in the file.
    written: u64,
    delay: Duration,
}

impl Writer {
    fn run(&mut self, stop: &Flag) {
        let mut seen = (0, Instant::now());
        let mut unsaved_since = None;
        loop {
            let ending = stop.0.load(Relaxed);
            if let Some(adopted) = self.open_kit.take_adopted_autosave() {
                self.file = Some(adopted);
            }
            let revision = self.open_kit.revision();
            if revision != seen.0 {
                seen = (revision, Instant::now());
                unsaved_since.get_or_insert(seen.1);
            }
            if !self.open_kit.is_changed() || (ending && self.open_kit.is_kept_by_host()) {
                self.remove();
                unsaved_since = None;
            } else if revision != self.written {
                let waited =
                    unsaved_since.is_none_or(|at: Instant| at.elapsed() >= MAX_DELAY.max(self.delay));
                if ending || waited || seen.1.elapsed() >= self.delay {
                    self.write(revision);
                    unsaved_since = None;
                }
            }
            if ending {
                return;
            }
            thread::park_timeout(INTERVAL.min(self.delay));
        }
    }

    /// A place that cannot be written is no error of the player's: the next change tries it again.
    fn write(&mut self, revision: u64) {
        self.written = revision;
        let kit = self.open_kit.kit_with_trims();
        if fs::create_dir_all(&self.folder).is_err() {
            return;
        }
        let file = self.file.get_or_insert_with(|| self.folder.join(autosave_file(&kit.doc.name)));
        if kit.save(&*file, &Flag::default()).is_ok() {
            prune(&self.folder);
        }
    }

    fn remove(&mut self) {
        if let Some(file) = self.file.take() {
            // one that is gone already is as good
            let _ = fs::remove_file(file);
        }
        self.written = 0;
    }
}

/// A fresh file's name for the work on a kit of this name.
fn autosave_file(kit: &str) -> String {
    let name = staging::file_name(kit, '_', 120);
    let ms = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_millis());
    format!("{name}{SEPARATOR}{} {ms}.{EXTENSION}", std::process::id())
}

/// The autosaves in a folder, newest first.
fn all(folder: &Path) -> Vec<(SystemTime, PathBuf)> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let ours = |path: &Path| path.file_stem().is_some_and(|s| s.to_string_lossy().contains(SEPARATOR));
    let mut files: Vec<_> = entries
        .flatten()
        .filter(|e| ours(&e.path()))
        .filter_map(|e| Some((e.metadata().ok()?.modified().ok()?, e.path())))
        .collect();
    files.sort_by(|a, b| b.cmp(a));
    files
}

fn prune(folder: &Path) {
    for (_, file) in all(folder).into_iter().skip(MAX_FILES) {
        let _ = fs::remove_file(file);
    }
}

/// What processes that are gone have left.
fn find(folder: &Path) -> Vec<Autosave> {
    let read = |(written, file): (SystemTime, PathBuf)| {
        let stem = file.file_stem()?.to_string_lossy().into_owned();
        let (name, rest) = stem.rsplit_once(SEPARATOR)?;
        let process: u32 = rest.split(' ').next()?.parse().ok()?;
        // a time that is yet to come counts as now
        let age = written.elapsed().unwrap_or_default();
        let minutes = age.as_secs() / 60;
        is_abandoned(staging::is_running(process), age).then(|| Autosave {
            file: file.clone(),
            name: name.to_owned(),
            minutes,
        })
    };
    all(folder).into_iter().filter_map(read).collect()
}

/// Whether nobody writes an autosave any more, by whether its process runs and the time since it was written. Where the
/// system does not tell of the process, a file that was written a short time ago is taken for one in use: a kit that is
/// being changed is saved within [`MAX_DELAY`]. That is a guess: a kit that was left alone for longer in another process is
/// found as well, and work that was lost less than a minute ago is found only by a later start.
fn is_abandoned(running: Option<bool>, age: Duration) -> bool {
    running.map_or(age > 2 * MAX_DELAY, |running| !running)
}

/// The user's folder for autosaves; `None` where the system names none.
pub fn autosave_folder() -> Option<PathBuf> {
    data_folder().map(|folder| folder.join("autosave"))
}

/// How long a kit is left alone before it is saved by itself.
pub(super) fn usual_delay() -> Duration {
    DELAY
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_files_are_kept_and_other_files_stay() {
        let folder = tempfile::tempdir().unwrap();
        for i in 0..25 {
            let file = folder.path().join(format!("kit {i:02}{SEPARATOR}0 {i}.{EXTENSION}"));
            fs::write(&file, "x").unwrap();
            let at = UNIX_EPOCH + Duration::from_secs(1000 + i);
            fs::File::options().write(true).open(&file).unwrap().set_modified(at).unwrap();
        }
        fs::write(folder.path().join("mine.kitwright"), "x").unwrap();
        prune(folder.path());
        let found = find(folder.path());
        assert_eq!(
            (found.len(), found[0].name.as_str(), found[19].name.as_str()),
            (MAX_FILES, "kit 24", "kit 05")
        );
        assert!(folder.path().join("mine.kitwright").exists());
    }

    #[test]
    fn where_no_processes_are_listed_fresh_files_count_as_in_use_and_own_ones_always() {
        let seconds = Duration::from_secs;
        assert!(!is_abandoned(None, seconds(31)) && is_abandoned(None, seconds(61)));
        assert!(is_abandoned(Some(false), seconds(0)) && !is_abandoned(Some(true), seconds(86_400)));
        assert_eq!(staging::is_running(std::process::id()), Some(true), "on every system");
    }

    #[test]
    fn work_of_a_running_process_is_not_offered() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join(autosave_file("a/b: c")), "x").unwrap();
        assert_eq!(find(folder.path()), []);
        assert!(autosave_file("a/b: c").starts_with("a_b_ c autosave "));
    }
}
