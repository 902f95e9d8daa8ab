//! Requests of assistive tools, kept until the window's next frame.

use crate::plugin::{lock::lock, window::frames::Frames};
use egui::accesskit::{ActionHandler, ActionRequest, ActivationHandler, DeactivationHandler, TreeUpdate};
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// Maximum number of actions that wait for a frame; further ones are dropped.
const MAX_WAITING: usize = 256;

/// Requests of tools, from any thread.
pub struct Requests {
    /// A tool listens, so that frames are described.
    pub wanted: AtomicBool,
    /// Actions since the last frame.
    pub actions: Mutex<VecDeque<ActionRequest>>,
    frames: Frames,
}

impl Requests {
    /// No requests yet.
    pub fn new(frames: Frames) -> Self {
        Self { wanted: AtomicBool::new(false), actions: Mutex::default(), frames }
    }
}

/// The handlers that an adapter calls.
pub struct Handlers(pub Arc<Requests>);

impl ActivationHandler for Handlers {
    /// Requests a frame, whose output includes the tree: the adapter may call this on any thread.
    fn request_initial_tree(&mut self) -> Option<TreeUpdate> {
        self.0.wanted.store(true, Relaxed);
        self.0.frames.request();
        None
    }
}

impl ActionHandler for Handlers {
    fn do_action(&mut self, request: ActionRequest) {
        let mut actions = lock(&self.0.actions);
        if actions.len() < MAX_WAITING {
            actions.push_back(request);
        }
        drop(actions);
        self.0.frames.request();
    }
}

impl DeactivationHandler for Handlers {
    fn deactivate_accessibility(&mut self) {
        self.0.wanted.store(false, Relaxed);
    }
}
