//! The controls' names, values and states for screen readers and other assistive tools, handed to the system.
//!
//! egui describes every frame as an AccessKit tree; each system has an adapter that hands it on. Nothing is
//! described before a tool asks, so that nobody pays who needs none; without a bus to ask on (Linux) nothing
//! ever happens. What a tool does comes back as an event of the next frame.
//!
//! | system | way |
//! | --- | --- |
//! | Linux | AT-SPI over D-Bus, on a thread of the adapter's own: a slow bus holds nobody up |
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

use super::{frames::Frames, lock};
use baseview::WindowContext;
use egui::{
    Context, Event,
    accesskit::{ActionHandler, ActionRequest, ActivationHandler, DeactivationHandler, TreeUpdate},
};
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// Most actions that wait for a frame; a tool that sends more is not heard.
const WAITING: usize = 256;

/// The labels of one window.
pub(super) struct Labels {
    asked: Arc<Asked>,
    adapter: system::Adapter,
}

/// What tools ask for, from whichever thread.
struct Asked {
    /// A tool listens: frames are to be described.
    wanted: AtomicBool,
    actions: Mutex<VecDeque<ActionRequest>>,
    frames: Frames,
}

impl Labels {
    /// Offers the window to the system; on the window's own thread, before the window is shown.
    pub fn open(window: &WindowContext, frames: &Frames) -> Self {
        let asked = Arc::new(Asked {
            wanted: AtomicBool::new(false),
            actions: Mutex::default(),
            frames: frames.clone(),
        });
        Self { adapter: system::Adapter::open(window, &asked), asked }
    }

    /// Before a frame: whether it is to be described, and what tools did since the last one.
    pub fn before_frame(&self, egui: &Context) -> Vec<Event> {
        if self.asked.wanted.load(Relaxed) {
            egui.enable_accesskit();
        } else {
            egui.disable_accesskit();
        }
        lock(&self.asked.actions).drain(..).map(Event::AccessKitActionRequest).collect()
    }

    /// After a frame: its description, if there is one.
    pub fn after_frame(&mut self, update: Option<TreeUpdate>) {
        if let Some(update) = update {
            self.adapter.tell(update);
        }
    }

    /// The window got or lost the keyboard.
    pub fn focus(&mut self, focused: bool) {
        self.adapter.focus(focused);
    }
}

/// The ears that an adapter is given.
struct Ears(Arc<Asked>);

impl ActivationHandler for Ears {
    /// The next frame brings the tree: this may be any thread, and frames have one of their own.
    fn request_initial_tree(&mut self) -> Option<TreeUpdate> {
        self.0.wanted.store(true, Relaxed);
        self.0.frames.ask();
        None
    }
}

impl ActionHandler for Ears {
    fn do_action(&mut self, request: ActionRequest) {
        let mut actions = lock(&self.0.actions);
        if actions.len() < WAITING {
            actions.push_back(request);
        }
        drop(actions);
        self.0.frames.ask();
    }
}

impl DeactivationHandler for Ears {
    fn deactivate_accessibility(&mut self) {
        self.0.wanted.store(false, Relaxed);
    }
}
