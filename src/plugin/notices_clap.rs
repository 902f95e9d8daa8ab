//! Notices of other threads that the main thread passes to a CLAP host.

use clap_sys::host::clap_host;
use std::sync::atomic::AtomicBool;

/// Notices that the main thread has to pass to the host.
#[derive(Default)]
pub(super) struct PendingNotices {
    pub edited: AtomicBool,
    pub names: AtomicBool,
}

/// Asks the host for a call on its main thread, which CLAP allows from any thread.
pub(super) struct CallbackRequest(*const clap_host);

// SAFETY: CLAP marks `request_callback` as thread-safe, and it is all that is called.
unsafe impl Send for CallbackRequest {}

impl CallbackRequest {
    /// For a host that outlives its plugins.
    pub fn new(host: *const clap_host) -> Self {
        Self(host)
    }

    pub fn request_callback(&self) {
        // SAFETY: the host outlives its plugins; the notice that holds this is taken away in `destroy`.
        unsafe {
            if let Some(request) = (*self.0).request_callback {
                request(self.0);
            }
        }
    }
}
