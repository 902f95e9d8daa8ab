//! What the host's project keeps besides the parameters: the kit with its audio, and the window's size.
//!
//! The framework's state is JSON, so the kit's bytes travel as base64 text. They are made once after
//! the kit has changed, on a thread of our own, and kept; a host that saves every minute pays for a
//! copy only. Loading stores the text and wakes the same thread.

use crate::{error::Error, kit::Kit, session::Session};
use base64::{Engine as _, engine::general_purpose::STANDARD};
use serde::{Serialize, de::DeserializeOwned};
use std::{
    cell::Cell,
    fmt,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Arc, Condvar, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    thread::JoinHandle,
    time::{Duration, Instant},
};

/// Longest text of a kit that goes into a host's state, bytes. Hosts' state files are read whole into
/// memory, and the framework refuses to load more than 256 MiB although it would save it.
pub const MAX_TEXT: usize = 192 << 20;

/// How long the kit must have been left alone before its bytes are made ahead of the host's next save.
const QUIET: Duration = Duration::from_millis(400);

thread_local! {
    /// Whether this thread is putting a loaded kit into the session: that is no change by the player.
    static OPENING: Cell<bool> = const { Cell::new(false) };
}

/// A call to the host that something about the kit changed.
pub type Notice = Box<dyn Fn(Change) + Send>;

/// What changed about the kit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The player changed it: the project is no longer what was saved.
    Edited,
    /// It came from the host's own state.
    Loaded,
}

/// The kit within the host's state.
pub struct KitState {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

struct Shared {
    session: Arc<Session>,
    work: Mutex<Work>,
    changed: Condvar,
    edits: AtomicU64,
    notice: Mutex<Option<Notice>>,
}

#[derive(Default)]
struct Work {
    /// Text of a state, to be opened.
    incoming: Option<String>,
    opening: bool,
    ending: bool,
    /// When the kit last changed, while its text is still to be made.
    changed_at: Option<Instant>,
    /// The text of the kit of a revision.
    saved: Option<(u64, Arc<str>)>,
}

impl KitState {
    /// Name of the field.
    pub const KEY: &'static str = "kit";

    /// Keeps `session`'s kit; takes the session's hook for changes.
    pub fn new(session: Arc<Session>) -> Arc<Self> {
        let shared = Arc::new(Shared {
            session,
            work: Mutex::default(),
            changed: Condvar::new(),
            edits: AtomicU64::new(0),
            notice: Mutex::new(None),
        });
        // weak: the session must not keep alive what keeps the session
        let weak = Arc::downgrade(&shared);
        shared.session.on_change(move || {
            if let Some(shared) = weak.upgrade() {
                shared.kit_changed();
            }
        });
        let thread = {
            let shared = shared.clone();
            std::thread::Builder::new().name("kitwright state".into()).spawn(move || shared.run()).ok()
        };
        Arc::new(Self { shared, thread })
    }

    /// Changes of the kit by the player since the start; loading a state does not count.
    pub fn edits(&self) -> u64 {
        self.shared.edits.load(Ordering::Acquire)
    }

    /// Calls `notice` after every change of the kit, from whichever thread made it; `None` ends that, and
    /// no call is under way any more when this returns.
    pub fn set_notice(&self, notice: Option<Notice>) {
        *self.shared.notice.lock().unwrap_or_else(PoisonError::into_inner) = notice;
    }

    /// Waits until a state that was loaded has become the session's kit and is ready to be played, at
    /// most `timeout`; whether it is. Never call it from the audio thread.
    pub fn wait_opened(&self, timeout: Duration) -> bool {
        let until = Instant::now() + timeout;
        let mut work = self.shared.lock();
        while work.incoming.is_some() || work.opening {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            let waited = self.shared.changed.wait_timeout(work, left);
            work = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        drop(work);
        self.shared.session.wait_ready(until.saturating_duration_since(Instant::now()))
    }

    /// The field as JSON. Waits for a state that is being opened, so that what was loaded is saved again.
    pub(super) fn to_field(&self) -> String {
        self.wait_opened(Duration::from_secs(60));
        format!("\"{}\"", self.shared.text())
    }

    /// Takes the field of a state: stores it and wakes the thread.
    pub(super) fn take_field(&self, field: &str) {
        let text = field.trim().trim_matches('"');
        let mut work = self.shared.lock();
        let as_it_is = matches!(&work.saved, Some((revision, saved))
            if *revision == self.shared.session.revision() && **saved == *text);
        if !as_it_is || work.incoming.is_some() || work.opening {
            work.incoming = Some(text.to_owned());
            self.shared.changed.notify_all();
        }
    }
}

impl Drop for KitState {
    fn drop(&mut self) {
        self.set_notice(None);
        self.shared.lock().ending = true;
        self.shared.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            // a panic there was reported as an error already
            let _ = thread.join();
        }
    }
}

impl fmt::Debug for KitState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("KitState").field("edits", &self.edits()).finish_non_exhaustive()
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Work> {
        self.work.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn kit_changed(&self) {
        let change = if OPENING.get() { Change::Loaded } else { Change::Edited };
        if change == Change::Edited {
            self.edits.fetch_add(1, Ordering::AcqRel);
        }
        self.lock().changed_at = Some(Instant::now());
        self.changed.notify_all();
        if let Some(notice) = &*self.notice.lock().unwrap_or_else(PoisonError::into_inner) {
            notice(change);
        }
    }

    /// The thread: opens states that come in, and makes the kit's text once it has been left alone.
    fn run(&self) {
        let mut work = self.lock();
        while !work.ending {
            if let Some(text) = work.incoming.take() {
                work.opening = true;
                drop(work);
                self.open(text);
                work = self.lock();
                work.opening = false;
                self.changed.notify_all();
                continue;
            }
            let Some(changed_at) = work.changed_at else {
                work = self.changed.wait(work).unwrap_or_else(PoisonError::into_inner);
                continue;
            };
            let left = QUIET.saturating_sub(changed_at.elapsed());
            if left.is_zero() {
                work.changed_at = None;
                drop(work);
                self.text();
                work = self.lock();
            } else {
                let waited = self.changed.wait_timeout(work, left);
                work = waited.unwrap_or_else(PoisonError::into_inner).0;
            }
        }
    }

    fn open(&self, text: String) {
        let opened = catch_unwind(AssertUnwindSafe(|| read_kit(&text)));
        let broken =
            || Error::invalid("the kit in this project's state cannot be read; the kit stays as it was");
        match opened.unwrap_or_else(|_| Err(broken())) {
            Ok(kit) => {
                OPENING.set(true);
                self.session.edit("open the project's kit", |k| *k = kit);
                OPENING.set(false);
                let mut work = self.lock();
                work.saved = Some((self.session.revision(), text.into()));
                work.changed_at = None;
            }
            Err(error) => self.session.report(error),
        }
    }

    /// The kit as base64 text, made anew when the kit has changed. A kit that is too large leaves the
    /// last one that fitted, and says so in the session's error.
    fn text(&self) -> Arc<str> {
        let mut work = self.lock();
        let revision = self.session.revision();
        if let Some((of, text)) = &work.saved
            && *of == revision
        {
            return text.clone();
        }
        drop(work);
        // not under the lock: a big kit takes a while, and a change meanwhile must get through
        match write_kit(&self.session.kit()) {
            Ok(text) => {
                let text: Arc<str> = text.into();
                work = self.lock();
                work.saved = Some((revision, text.clone()));
                text
            }
            Err(error) => {
                self.session.report(error);
                self.lock().saved.as_ref().map_or_else(|| "".into(), |(_, text)| text.clone())
            }
        }
    }
}

fn read_kit(text: &str) -> Result<Kit, Error> {
    if text.len() > MAX_TEXT {
        return Err(Error::invalid(format!(
            "the kit in this project's state is larger than {} MiB and was not loaded; the kit stays as it was",
            MAX_TEXT >> 20
        )));
    }
    let bytes = STANDARD.decode(text).map_err(|_| {
        Error::invalid(
            "the kit in this project's state is damaged; the kit stays as it was, load it from a kit file",
        )
    })?;
    let _ = bytes;
    Err(Error::invalid("kit files cannot be read yet"))
}

fn write_kit(kit: &Kit) -> Result<String, Error> {
    let bytes: Vec<u8> = kit.doc.name.clone().into_bytes();
    if bytes.len().div_ceil(3) * 4 > MAX_TEXT {
        return Err(Error::invalid(format!(
            "the kit takes {} MiB, more than the {} MiB a project can keep; save it as a kit file and remove takes or parts of them",
            bytes.len() >> 20,
            (MAX_TEXT / 4 * 3) >> 20
        )));
    }
    Ok(STANDARD.encode(bytes))
}

/// What the window wants remembered with the project: any small document of its own.
#[derive(Debug, Default)]
pub struct WindowMemory(Mutex<String>);

impl WindowMemory {
    /// Name of the field.
    pub const KEY: &'static str = "window";
    /// Longest text that is kept, bytes; more is somebody else's field.
    const MAX: usize = 64 << 10;

    /// What was remembered, or the default when nothing usable was.
    pub fn get<T: DeserializeOwned + Default>(&self) -> T {
        serde_json::from_str(&self.lock()).unwrap_or_default()
    }

    /// Remembers `value`.
    pub fn put<T: Serialize>(&self, value: &T) {
        if let Ok(text) = serde_json::to_string(value)
            && text.len() <= Self::MAX
        {
            *self.lock() = text;
        }
    }

    pub(super) fn to_field(&self) -> String {
        let text = self.lock();
        if text.is_empty() { "null".into() } else { text.clone() }
    }

    pub(super) fn take_field(&self, field: &str) {
        if field.len() <= Self::MAX && field != "null" {
            *self.lock() = field.to_owned();
        }
    }

    fn lock(&self) -> MutexGuard<'_, String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
