//! AT-SPI over D-Bus.

use super::requests::{Handlers, Requests};
use baseview::WindowContext;
use egui::accesskit::TreeUpdate;
use std::sync::Arc;

/// The window on the accessibility bus, once there is one.
///
/// The adapter's thread serves all windows of the process and never ends: `build.rs` keeps the plugin in memory.
pub struct Adapter(accesskit_unix::Adapter);

impl Adapter {
    /// Returns at once; the adapter's thread connects to the bus.
    pub fn open(_window: &WindowContext, requests: &Arc<Requests>) -> Self {
        let handlers = || Handlers(requests.clone());
        Self(accesskit_unix::Adapter::new(handlers(), handlers(), handlers()))
    }

    /// Passes a frame's description on.
    pub fn update(&mut self, update: TreeUpdate) {
        self.0.update_if_active(|| update);
    }

    /// The window got or lost keyboard focus.
    pub fn focus(&mut self, focused: bool) {
        self.0.update_window_focus_state(focused);
    }
}
