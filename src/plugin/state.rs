//! What the host's project keeps besides the parameters: the kit with its audio, and the window's memory.
//!
//! The framework's state is JSON, so the kit travels as base64 text; the session makes it ahead on a
//! thread of its own, and restores a state without waiting. The guards keep the text out of the framework's JSON
//! (`kit_placeholder`).

use super::{
    kit_placeholder::{PLACEHOLDER, kit_text_while_loading, take_out_while_saving},
    lock::lock,
};
use kitwright_core::session::Session;
use serde::{Serialize, de::DeserializeOwned};
use std::{
    fmt,
    sync::{
        Arc, Mutex,
        atomic::{AtomicU64, Ordering},
    },
};

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
    session: Arc<Session>,
    edits: AtomicU64,
    notice: Mutex<Option<Notice>>,
}

impl KitState {
    /// Name of the field.
    pub const KEY: &'static str = "kit";

    /// Keeps `session`'s kit; takes the session's hook for changes.
    pub fn new(session: Arc<Session>) -> Arc<Self> {
        let state = Arc::new(Self { session, edits: AtomicU64::new(0), notice: Mutex::new(None) });
        // weak: the state holds the session, so the session must not hold the state
        let weak = Arc::downgrade(&state);
        state.session.on_change(move || {
            if let Some(state) = weak.upgrade() {
                state.kit_changed();
            }
        });
        state
    }

    /// Changes of the kit by the player since the start; loading a state does not count.
    pub fn edits(&self) -> u64 {
        self.edits.load(Ordering::Acquire)
    }

    /// Calls `notice` after every change of the kit, from whichever thread made it; `None` ends that, and
    /// no call is running when this returns.
    pub fn set_notice(&self, notice: Option<Notice>) {
        *lock(&self.notice) = notice;
    }

    fn kit_changed(&self) {
        let loaded = self.session.revision() == self.session.restored_revision();
        let change = if loaded { Change::Loaded } else { Change::Edited };
        if change == Change::Edited {
            self.edits.fetch_add(1, Ordering::AcqRel);
        }
        if let Some(notice) = &*lock(&self.notice) {
            notice(change);
        }
    }

    /// The field as JSON. `None` when the kit cannot be kept; the session's error says why.
    pub(super) fn to_field(&self) -> Option<String> {
        match self.session.state() {
            Ok(text) if take_out_while_saving(&text) => Some(format!("\"{PLACEHOLDER}\"")),
            Ok(text) => Some(format!("\"{text}\"")),
            Err(error) => {
                self.session.report(error);
                None
            }
        }
    }

    /// Restores the field of a state. A kit that is open already stays, with its undo history: some hosts load the
    /// state that they have just saved.
    pub(super) fn take_field(&self, field: &str) {
        let text = field.trim().trim_matches('"');
        let taken_out = kit_text_while_loading().filter(|_| text == PLACEHOLDER);
        let text = taken_out.unwrap_or_else(|| Arc::new(text.to_owned()));
        if !self.session.is_in_state(&text) {
            self.session.restore(text);
        }
    }
}

impl fmt::Debug for KitState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("KitState").field("edits", &self.edits()).finish_non_exhaustive()
    }
}

/// What the window wants remembered with the project: any small document of its own.
#[derive(Debug, Default)]
pub struct WindowMemory(Mutex<String>);

impl WindowMemory {
    /// Name of the field.
    pub const KEY: &'static str = "window";
    /// Longest text that is kept, bytes; a longer one is not from this window.
    const MAX: usize = 64 << 10;

    /// What was remembered, or the default when nothing usable was.
    pub fn get<T: DeserializeOwned + Default>(&self) -> T {
        serde_json::from_str(&lock(&self.0)).unwrap_or_default()
    }

    /// Remembers `value`.
    pub fn put<T: Serialize>(&self, value: &T) {
        if let Ok(text) = serde_json::to_string(value)
            && text.len() <= Self::MAX
        {
            *lock(&self.0) = text;
        }
    }

    pub(super) fn to_field(&self) -> String {
        let text = lock(&self.0);
        if text.is_empty() { "null".into() } else { text.clone() }
    }

    pub(super) fn take_field(&self, field: &str) {
        if field.len() <= Self::MAX && field != "null" {
            *lock(&self.0) = field.to_owned();
        }
    }
}
