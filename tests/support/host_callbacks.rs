//! The callbacks of the test host: what the plugin asks for is kept for the test to read.

use clack_extensions::{
    context_menu::{ContextMenuBuilder, ContextMenuTarget, HostContextMenu, HostContextMenuImpl},
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

/// What the plugin has asked of the host.
#[derive(Default)]
pub struct HostCallbacks {
    /// A call on the main thread is wanted.
    pub callback: AtomicBool,
    /// How often the project was marked as changed.
    pub dirty: AtomicU32,
    /// How often the names of notes changed.
    pub names_changed: AtomicU32,
    /// The size that the window asked for last.
    pub requested_size: Mutex<Option<GuiSize>>,
    /// Sizes are refused.
    pub refuses_sizes: AtomicBool,
    /// The window has reported that it is closed.
    pub closed: AtomicBool,
    /// It has no menus of its own.
    pub without_menus: AtomicBool,
    /// The menus that were opened: the parameter and the place in the window.
    pub menus: Mutex<Vec<(u32, [i32; 2])>>,
}
impl SharedHandler<'_> for HostCallbacks {
    fn request_restart(&self) {}
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.callback.store(true, SeqCst);
    }
}
impl HostParamsImplShared for HostCallbacks {
    fn request_flush(&self) {}
}
impl HostGuiImpl for HostCallbacks {
    fn resize_hints_changed(&self) {}
    fn request_resize(&self, size: GuiSize) -> Result<(), HostError> {
        if self.refuses_sizes.load(SeqCst) {
            return Err(HostError::Message("this host keeps its size"));
        }
        *self.requested_size.lock().unwrap() = Some(size);
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
pub struct MainThread<'a>(pub &'a HostCallbacks);
impl<'a> MainThreadHandler<'a> for MainThread<'a> {}
impl HostParamsImplMainThread for MainThread<'_> {
    fn rescan(&self, _: ParamRescanFlags) {}
    fn clear(&self, _: ClapId, _: ParamClearFlags) {}
}
impl HostStateImpl for MainThread<'_> {
    fn mark_dirty(&self) {
        self.0.dirty.fetch_add(1, SeqCst);
    }
}
impl HostContextMenuImpl for MainThread<'_> {
    fn populate(&self, _: ContextMenuTarget, _: &mut ContextMenuBuilder) -> Result<(), HostError> {
        Ok(())
    }
    fn perform(&self, _: ContextMenuTarget, _: ClapId) -> Result<(), HostError> {
        Ok(())
    }
    fn can_popup(&self) -> bool {
        !self.0.without_menus.load(SeqCst)
    }
    fn popup(&self, target: ContextMenuTarget, _: i32, x: i32, y: i32) -> Result<(), HostError> {
        let ContextMenuTarget::Param(id) = target else { panic!("{target:?}") };
        self.0.menus.lock().unwrap().push((id.get(), [x, y]));
        Ok(())
    }
}
impl HostNoteNameImpl for MainThread<'_> {
    fn changed(&self) {
        self.0.names_changed.fetch_add(1, SeqCst);
    }
}
pub struct Handlers;
impl HostHandlers for Handlers {
    type Shared<'a> = HostCallbacks;
    type MainThread<'a> = MainThread<'a>;
    type AudioProcessor<'a> = ();
    fn declare_extensions(b: &mut HostExtensions<Self>, _: &HostCallbacks) {
        b.register::<HostParams>().register::<HostState>().register::<HostNoteName>().register::<HostGui>();
        b.register::<HostContextMenu>();
    }
}
