//! What assistive tools ask of a window, kept until its next frame.

use crate::plugin::window::{frames::Frames, lock::lock};
use egui::accesskit::{ActionHandler, ActionRequest, ActivationHandler, DeactivationHandler, TreeUpdate};
use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// Actions that wait for a frame at most; further ones are dropped.
const MAX_WAITING: usize = 256;

/// What tools ask for, from any thread.
pub struct Requests {
    /// A tool listens: frames are described.
    pub wanted: AtomicBool,
    /// Actions since the last frame.
    pub actions: Mutex<VecDeque<ActionRequest>>,
    frames: Frames,
}

impl Requests {
    /// None yet.
    pub fn new(frames: Frames) -> Self {
        Self { wanted: AtomicBool::new(false), actions: Mutex::default(), frames }
    }
}

/// The handlers that an adapter calls.
pub struct Handlers(pub Arc<Requests>);

impl ActivationHandler for Handlers {
    /// Asks for a frame, which brings the tree: the adapter may call this on any thread.
    fn request_initial_tree(&mut self) -> Option<TreeUpdate> {
        self.0.wanted.store(true, Relaxed);
        self.0.frames.ask();
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
        self.0.frames.ask();
    }
}

impl DeactivationHandler for Handlers {
    fn deactivate_accessibility(&mut self) {
        self.0.wanted.store(false, Relaxed);
    }
}
