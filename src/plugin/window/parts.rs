//! What the windows of one plugin instance share.

use super::frames::Frames;
use crate::{
    editor::WindowState,
    plugin::{host_menu::MenuRequest, lock::lock, params::HostParams, state::WindowMemory},
};
use baseview::dpi::LogicalSize;
use kitwright_core::session::Session;
use nice_plug::editor::HostMainThreadCaller;
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// What the windows of one instance share; only one is open at a time.
pub(super) struct Parts {
    pub session: Arc<Session>,
    pub params: Arc<HostParams>,
    /// State that outlives the open window, such as the chosen pad and the clipboard.
    pub state: Mutex<WindowState>,
    /// Size in logical pixels and the system's scale.
    pub frame: Mutex<(LogicalSize<f64>, f64)>,
    /// Keys that the host passes on instead of the system.
    pub host_keys: Mutex<VecDeque<egui::Event>>,
    /// A text field has the keyboard: keys passed on by the host belong to it.
    pub typing: AtomicBool,
    /// Requests frames of the open window.
    pub frames: Mutex<Option<Frames>>,
    /// Requests calls on the host's main thread; empty without a host.
    pub main_thread: Mutex<Option<MainThreadCaller>>,
}

/// Requests calls on the host's main thread, for the window library and for the window.
pub(super) type MainThreadCaller = Arc<Mutex<Box<dyn HostMainThreadCaller>>>;

impl Parts {
    /// Remembers the window's size; the host may ask at any time.
    pub fn keep_frame(&self, size: LogicalSize<f64>, scale: f64) {
        *lock(&self.frame) = (size, scale);
    }

    /// Asks the host for its menu; nothing happens without a host.
    pub fn ask_menu(&self, request: MenuRequest) {
        let Some(caller) = lock(&self.main_thread).clone() else { return };
        self.params.host_menu.ask(request);
        lock(&caller).call_main_thread();
    }

    /// Requests a frame of the open window.
    pub fn wake(&self) {
        if let Some(frames) = &*lock(&self.frames) {
            frames.request();
        }
    }
}

/// Set when the program ends: windows close at their next timer tick.
pub(super) static ENDING: AtomicBool = AtomicBool::new(false);

/// Closes every window of this process. The standalone program calls it when the system asks it to end: the
/// framework handles such a request only while no window is open.
pub fn close_windows() {
    ENDING.store(true, Relaxed);
}

/// Set in a program of its own: a window that closes with unsaved work keeps it for [`take_unsaved`].
static ASKS: AtomicBool = AtomicBool::new(false);
/// What a window that has closed with unsaved work leaves to the next one.
#[derive(Debug, Clone)]
pub struct UnsavedWork {
    /// The kit and its history.
    pub(in crate::plugin) session: Arc<Session>,
    /// Its size and zoom.
    pub(in crate::plugin) window: Arc<WindowMemory>,
}

static UNSAVED: Mutex<Option<UnsavedWork>> = Mutex::new(None);

/// Keeps what a window that closes with unsaved work leaves, so that the program can ask before it ends: the window
/// system closes a window without asking it (baseview 0.4).
pub fn ask_before_end() {
    ASKS.store(true, Relaxed);
}

/// What the window that has closed with unsaved work leaves, once.
pub fn take_unsaved() -> Option<UnsavedWork> {
    lock(&UNSAVED).take()
}

impl Parts {
    /// Keeps the session if the window closes with unsaved work and the player has not agreed to it.
    pub fn keep_unsaved(&self, agreed: bool) {
        if ASKS.load(Relaxed) && !ENDING.load(Relaxed) && !agreed && self.session.is_changed() {
            self.session.hand_over_trims(self.params.trims());
            let (session, window) = (self.session.clone(), self.params.window.clone());
            *lock(&UNSAVED) = Some(UnsavedWork { session, window });
        }
    }
}
