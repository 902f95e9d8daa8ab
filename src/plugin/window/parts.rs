//! What the windows of one plugin instance share.

use super::{frames::Frames, lock::lock};
use crate::{editor::WindowState, plugin::params::HostParams};
use baseview::dpi::LogicalSize;
use kitwright_core::session::Session;
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// What every window of one instance shares; windows come one after the other.
pub(super) struct Parts {
    pub session: Arc<Session>,
    pub params: Arc<HostParams>,
    /// What the window remembers while it is closed: the chosen pad, what was copied.
    pub state: Mutex<WindowState>,
    /// Size in logical pixels and the system's scale.
    pub frame: Mutex<(LogicalSize<f64>, f64)>,
    /// Keys that the host passes on instead of the system.
    pub host_keys: Mutex<VecDeque<egui::Event>>,
    /// A text field has the keyboard: keys passed on by the host belong to it.
    pub typing: AtomicBool,
    /// Asks for frames of the open window.
    pub frames: Mutex<Option<Frames>>,
}

impl Parts {
    /// Remembers the window's size; the host may ask at any time.
    pub fn keep_frame(&self, size: LogicalSize<f64>, scale: f64) {
        *lock(&self.frame) = (size, scale);
    }

    /// Asks the open window for a frame.
    pub fn wake(&self) {
        if let Some(frames) = &*lock(&self.frames) {
            frames.ask();
        }
    }
}

/// The program ends: windows close at their next timer tick.
pub(super) static ENDING: AtomicBool = AtomicBool::new(false);

/// Closes every window of this process. For a program of our own that is asked to end by the system: the
/// framework's takes notice of that only where it has no window.
pub fn close_windows() {
    ENDING.store(true, Relaxed);
}
