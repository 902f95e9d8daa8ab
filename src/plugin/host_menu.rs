//! The host's own menu for a parameter: the window asks for it, the guard opens it on the host's main thread.

use super::lock::lock;
use std::sync::Mutex;

/// The host's menu for a parameter, to be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct MenuRequest {
    /// Index of the parameter in the host's list.
    pub param_index: usize,
    /// From the left and the upper edge of the plugin's window, in pixels; in points on macOS.
    pub at: [i32; 2],
}

/// What the window has asked for last.
#[derive(Debug, Default)]
pub(super) struct HostMenu(Mutex<Option<MenuRequest>>);

impl HostMenu {
    /// Asks for a menu; a call on the host's main thread must follow.
    pub fn ask(&self, request: MenuRequest) {
        *lock(&self.0) = Some(request);
    }

    /// The menu to open, once.
    pub fn take(&self) -> Option<MenuRequest> {
        lock(&self.0).take()
    }
}
