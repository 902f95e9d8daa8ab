//! For systems without an adapter.

use super::requests::Requests;
use baseview::WindowContext;
use egui::accesskit::TreeUpdate;
use std::sync::Arc;

/// Does nothing.
pub struct Adapter;

impl Adapter {
    /// Does nothing.
    pub fn open(_window: &WindowContext, _requests: &Arc<Requests>) -> Self {
        Self
    }

    /// Does nothing.
    pub fn update(&mut self, _update: TreeUpdate) {}

    /// Does nothing.
    pub fn focus(&mut self, _focused: bool) {}
}
