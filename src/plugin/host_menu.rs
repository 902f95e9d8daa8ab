//! The host's own menu for a parameter: the window asks for it, the guard opens it on the host's main thread.

use std::sync::{Mutex, PoisonError};

/// The host's menu for a parameter, to be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct MenuRequest {
    /// Place of the parameter in the host's list.
    pub place: usize,
    /// From the left and the upper edge of the plugin's window, in pixels; in points on macOS.
    pub at: [i32; 2],
}

/// What the window has asked for last.
#[derive(Debug, Default)]
pub(super) struct HostMenu(Mutex<Option<MenuRequest>>);

impl HostMenu {
    /// Asks for a menu; a call on the host's main thread must follow.
    pub fn ask(&self, request: MenuRequest) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(request);
    }

    /// The menu to open, once.
    pub fn take(&self) -> Option<MenuRequest> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}
