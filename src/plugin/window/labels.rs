//! Passes the controls' names, values and states to screen readers and other assistive tools.
//!
//! egui describes each frame as an AccessKit tree, and an adapter for each system passes it on. Frames are described
//! only once a tool has asked, so that the tree costs nothing without one; without a D-Bus session (Linux) no tool
//! can ask. An action of a tool becomes an event of the next frame.
//!
//! | system | adapter |
//! | --- | --- |
//! | Linux | AT-SPI over D-Bus, on the adapter's own thread: a slow bus delays no frame |
//! | Windows | UI Automation; the adapter listens to the window's messages |
//! | macOS | none: an adapter would have to subclass baseview's view, whose class is disposed of with the view |

#[cfg(all(unix, not(target_os = "macos")))]
#[path = "labels/unix.rs"]
mod system;
#[cfg(windows)]
#[path = "labels/windows.rs"]
mod system;
#[cfg(not(any(windows, all(unix, not(target_os = "macos")))))]
#[path = "labels/none.rs"]
mod system;

// where no adapter calls them, the handlers are not used
#[cfg_attr(not(any(windows, all(unix, not(target_os = "macos")))), allow(dead_code))]
mod requests;

use super::frames::Frames;
use crate::plugin::lock::lock;
use baseview::WindowContext;
use egui::{Context, Event, accesskit::TreeUpdate};
use requests::Requests;
use std::sync::{Arc, atomic::Ordering::Relaxed};

/// Passes the labels of one window to the system.
pub(super) struct Labels {
    requests: Arc<Requests>,
    adapter: system::Adapter,
}

impl Labels {
    /// Registers the window with the system; on the window's own thread, before the window is shown.
    pub fn open(window: &WindowContext, frames: &Frames) -> Self {
        let requests = Arc::new(Requests::new(frames.clone()));
        Self { adapter: system::Adapter::open(window, &requests), requests }
    }

    /// Before a frame: has it described if a tool listens, and returns the actions of tools since the last frame.
    pub fn before_frame(&self, egui: &Context) -> Vec<Event> {
        if self.requests.wanted.load(Relaxed) {
            egui.enable_accesskit();
        } else {
            egui.disable_accesskit();
        }
        lock(&self.requests.actions).drain(..).map(Event::AccessKitActionRequest).collect()
    }

    /// After a frame: its description, if there is one.
    pub fn after_frame(&mut self, update: Option<TreeUpdate>) {
        if let Some(update) = update {
            self.adapter.update(update);
        }
    }

    /// The window got or lost keyboard focus.
    pub fn focus(&mut self, focused: bool) {
        self.adapter.focus(focused);
    }
}
