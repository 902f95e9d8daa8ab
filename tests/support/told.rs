//! What the host hears from the plugin.

use clack_extensions::{
    gui::{GuiSize, HostGui, HostGuiImpl},
    note_name::{HostNoteName, HostNoteNameImpl},
    params::{HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamRescanFlags},
    state::{HostState, HostStateImpl},
};
use clack_host::{prelude::*, utils::ClapId};
use std::sync::{
    Mutex,
    atomic::{AtomicBool, AtomicU32, Ordering::SeqCst},
};

/// What the plugin has told the host.
#[derive(Default)]
pub struct Told {
    pub callback: AtomicBool,
    pub dirty: AtomicU32,
    pub names_changed: AtomicU32,
    /// The size that the window has asked for last.
    pub wanted: Mutex<Option<GuiSize>>,
    /// Sizes are refused.
    pub refuses: AtomicBool,
    /// The window has told that it is gone.
    pub closed: AtomicBool,
}
impl SharedHandler<'_> for Told {
    fn request_restart(&self) {}
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.callback.store(true, SeqCst);
    }
}
impl HostParamsImplShared for Told {
    fn request_flush(&self) {}
}
impl HostGuiImpl for Told {
    fn resize_hints_changed(&self) {}
    fn request_resize(&self, size: GuiSize) -> Result<(), HostError> {
        if self.refuses.load(SeqCst) {
            return Err(HostError::Message("this host keeps its size"));
        }
        *self.wanted.lock().unwrap() = Some(size);
        Ok(())
    }
    fn request_show(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn request_hide(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn closed(&self, _: bool) {
        self.closed.store(true, SeqCst);
    }
}
pub struct Main<'a>(pub &'a Told);
impl<'a> MainThreadHandler<'a> for Main<'a> {}
impl HostParamsImplMainThread for Main<'_> {
    fn rescan(&self, _: ParamRescanFlags) {}
    fn clear(&self, _: ClapId, _: ParamClearFlags) {}
}
impl HostStateImpl for Main<'_> {
    fn mark_dirty(&self) {
        self.0.dirty.fetch_add(1, SeqCst);
    }
}
impl HostNoteNameImpl for Main<'_> {
    fn changed(&self) {
        self.0.names_changed.fetch_add(1, SeqCst);
    }
}
pub struct Handlers;
impl HostHandlers for Handlers {
    type Shared<'a> = Told;
    type MainThread<'a> = Main<'a>;
    type AudioProcessor<'a> = ();
    fn declare_extensions(b: &mut HostExtensions<Self>, _: &Told) {
        b.register::<HostParams>().register::<HostState>().register::<HostNoteName>().register::<HostGui>();
    }
}
