//! No way to the system's tools.

use super::Asked;
use baseview::WindowContext;
use egui::accesskit::TreeUpdate;
use std::sync::Arc;

/// Nothing.
pub struct Adapter;

impl Adapter {
    /// Nothing is offered.
    pub fn open(_window: &WindowContext, _asked: &Arc<Asked>) -> Self {
        Self
    }

    /// Nobody listens.
    pub fn tell(&mut self, _update: TreeUpdate) {}

    /// Nobody listens.
    pub fn focus(&mut self, _focused: bool) {}
}
