//! UI Automation.

use super::requests::{Handlers, Requests};
use accesskit_windows::{HWND, SubclassingAdapter};
use baseview::WindowContext;
use egui::accesskit::TreeUpdate;
use raw_window_handle::{HasWindowHandle as _, RawWindowHandle};
use std::sync::Arc;

/// Handles messages to the window: requests of tools, and focus.
pub struct Adapter(Option<SubclassingAdapter>);

impl Adapter {
    /// Call it before the window is shown: the adapter demands that.
    pub fn open(window: &WindowContext, requests: &Arc<Requests>) -> Self {
        let Ok(RawWindowHandle::Win32(handle)) = window.window_handle().map(|h| h.as_raw()) else {
            return Self(None);
        };
        let hwnd = HWND(handle.hwnd.get() as *mut std::ffi::c_void);
        Self(Some(SubclassingAdapter::new(hwnd, Handlers(requests.clone()), Handlers(requests.clone()))))
    }

    /// Passes a frame's description on.
    pub fn update(&mut self, update: TreeUpdate) {
        if let Some(events) = self.0.as_mut().and_then(|a| a.update_if_active(|| update)) {
            events.raise();
        }
    }

    /// Does nothing: the adapter observes the focus itself.
    pub fn focus(&mut self, _focused: bool) {}
}
