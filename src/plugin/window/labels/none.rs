//! No adapter: a system without one.

use super::requests::Requests;
use baseview::WindowContext;
use egui::accesskit::TreeUpdate;
use std::sync::Arc;

/// Does nothing.
pub struct Adapter;

impl Adapter {
    /// Offers nothing.
    pub fn open(_window: &WindowContext, _requests: &Arc<Requests>) -> Self {
        Self
    }

    /// No tool listens.
    pub fn tell(&mut self, _update: TreeUpdate) {}

    /// No tool listens.
    pub fn focus(&mut self, _focused: bool) {}
}
