//! The view that VST3 hosts hold: the framework's, with a frame of our own between it and the host.
//!
//! On Linux the framework registers a handler in the host's run loop with each frame and never unregisters it (nice-plug
//! 0.4.2, `view.rs`: `RunLoopEventHandler::new` gives a reference away). Two file descriptors and an entry in the host's
//! loop would stay for each window. Without a run loop it does the main thread's work on its worker thread, where its
//! window panics. [`GuardFrame`] is a run loop for the framework, knows the handlers and lets them go.

use super::lock::lock;
use nice_plug::wrapper::vst3::vst3;
use std::{
    ffi::c_void,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, AtomicPtr, Ordering},
    },
};
use vst3::{
    Class, ComPtr, ComRef, ComWrapper,
    Steinberg::{
        FIDString, IPlugFrame, IPlugFrameTrait, IPlugView, IPlugViewContentScaleSupport,
        IPlugViewContentScaleSupport_::ScaleFactor,
        IPlugViewContentScaleSupportTrait, IPlugViewTrait,
        Linux::{
            FileDescriptor, IEventHandler, IEventHandlerTrait, IRunLoop, IRunLoopTrait, ITimerHandler,
            TimerInterval,
        },
        TBool, ViewRect, char16, int16, kInvalidArgument, kResultFalse, kResultOk, tresult,
    },
};

/// What a view shares with its instance.
pub(super) struct ViewLink {
    /// The framework's view.
    inner: ComPtr<IPlugView>,
    /// The frame that the framework's view has.
    frame: Mutex<Option<ComWrapper<GuardFrame>>>,
}

impl ViewLink {
    /// Closes the window of the instance, if one is open; on the main thread.
    pub fn close(&self) {
        // SAFETY: the framework's live object, on the main thread.
        unsafe { self.inner.removed() };
    }

    /// Does what the framework has queued for the main thread, where the host has no run loop; on the main thread.
    pub fn run_queued(&self) {
        let handlers = lock(&self.frame).as_ref().map_or_else(Vec::new, |frame| frame.unpolled());
        for (handler, fd) in handlers {
            // SAFETY: a handler that its owner has not unregistered.
            unsafe { handler.onFDIsSet(fd) };
        }
    }

    /// Gives the framework's view this frame, or none.
    fn set_frame(&self, new: Option<ComWrapper<GuardFrame>>) -> tresult {
        let pointer = new.as_ref().and_then(|frame| frame.as_com_ref::<IPlugFrame>());
        let pointer = pointer.map_or(std::ptr::null_mut(), |frame| frame.as_ptr());
        // SAFETY: the framework takes references of its own.
        let result = unsafe { self.inner.setFrame(pointer) };
        let old = std::mem::replace(&mut *lock(&self.frame), new);
        if let Some(old) = old {
            old.let_go();
        }
        result
    }
}

/// The view that the host holds.
pub(super) struct GuardView {
    link: Arc<ViewLink>,
    scale: Option<ComPtr<IPlugViewContentScaleSupport>>,
    /// This view, as the host knows it; null until it is made whole.
    own: AtomicPtr<IPlugView>,
    /// The host has attached it and not removed it.
    attached: AtomicBool,
}

impl GuardView {
    /// A view around the framework's, for the host; null without one.
    ///
    /// # Safety
    /// `inner` is null or a view of the framework whose reference passes to this.
    pub unsafe fn around(inner: *mut IPlugView) -> (Option<Arc<ViewLink>>, *mut IPlugView) {
        // SAFETY: by this function's contract.
        let Some(inner) = (unsafe { ComPtr::from_raw(inner) }) else { return (None, std::ptr::null_mut()) };
        let scale = inner.cast();
        let link = Arc::new(ViewLink { inner, frame: Mutex::new(None) });
        let view = ComWrapper::new(Self {
            link: link.clone(),
            scale,
            own: AtomicPtr::default(),
            attached: AtomicBool::new(false),
        });
        let Some(pointer) = view.to_com_ptr::<IPlugView>() else { return (None, std::ptr::null_mut()) };
        view.own.store(pointer.as_ptr(), Ordering::Release);
        (Some(link), pointer.into_raw())
    }
}

impl Drop for GuardView {
    /// A host may release a view that it has not removed, and with its frame.
    fn drop(&mut self) {
        if self.attached.load(Ordering::Acquire) {
            self.link.close();
        }
        self.link.set_frame(None);
    }
}

impl Class for GuardView {
    type Interfaces = (IPlugView, IPlugViewContentScaleSupport);
}

/// Methods that are delegated to the framework's view.
macro_rules! delegate {
    ($(fn $name:ident($($arg:ident: $type:ty),*);)*) => { $(
        unsafe fn $name(&self, $($arg: $type),*) -> tresult {
            // SAFETY: as for this method, which the host calls under the same contract.
            unsafe { self.link.inner.$name($($arg),*) }
        }
    )* };
}

impl IPlugViewTrait for GuardView {
    delegate! {
        fn isPlatformTypeSupported(kind: FIDString);
        fn onWheel(distance: f32);
        fn onKeyDown(key: char16, code: int16, modifiers: int16);
        fn onKeyUp(key: char16, code: int16, modifiers: int16);
        fn getSize(size: *mut ViewRect);
        fn onSize(size: *mut ViewRect);
        fn onFocus(state: TBool);
        fn canResize();
        fn checkSizeConstraint(size: *mut ViewRect);
    }

    unsafe fn attached(&self, parent: *mut c_void, kind: FIDString) -> tresult {
        // SAFETY: as for this method.
        let result = unsafe { self.link.inner.attached(parent, kind) };
        if result == kResultOk {
            self.attached.store(true, Ordering::Release);
        }
        result
    }

    unsafe fn removed(&self) -> tresult {
        self.attached.store(false, Ordering::Release);
        // SAFETY: as for this method.
        unsafe { self.link.inner.removed() }
    }

    unsafe fn setFrame(&self, frame: *mut IPlugFrame) -> tresult {
        // SAFETY: the host's frame or null.
        let host = unsafe { ComRef::from_raw(frame) }.map(|frame| frame.to_com_ptr());
        let own = self.own.load(Ordering::Acquire);
        self.link.set_frame(host.map(|host| ComWrapper::new(GuardFrame::new(host, own))))
    }
}

impl IPlugViewContentScaleSupportTrait for GuardView {
    unsafe fn setContentScaleFactor(&self, factor: ScaleFactor) -> tresult {
        // SAFETY: as for this method.
        self.scale.as_ref().map_or(kResultFalse, |scale| unsafe { scale.setContentScaleFactor(factor) })
    }
}

/// The host's frame, as the framework's view sees it, always with a run loop.
struct GuardFrame {
    host: ComPtr<IPlugFrame>,
    run_loop: Option<ComPtr<IRunLoop>>,
    /// The view that the host holds; it outlives the framework's use of this frame.
    view: *mut IPlugView,
    handlers: Mutex<Vec<Handler>>,
}

// SAFETY: the view's pointer is only handed to the host, on the main thread.
unsafe impl Send for GuardFrame {}
// SAFETY: as above.
unsafe impl Sync for GuardFrame {}

/// A handler that the framework has registered, with the reference that it has given away.
#[derive(Clone, Copy, PartialEq)]
struct Handler {
    pointer: *mut IEventHandler,
    fd: FileDescriptor,
}

impl GuardFrame {
    fn new(host: ComPtr<IPlugFrame>, view: *mut IPlugView) -> Self {
        Self { run_loop: host.cast(), host, view, handlers: Mutex::default() }
    }

    /// The handlers that no loop of the host's calls.
    fn unpolled(&self) -> Vec<(ComPtr<IEventHandler>, FileDescriptor)> {
        if self.run_loop.is_some() {
            return Vec::new();
        }
        let handlers = lock(&self.handlers).clone();
        // SAFETY: registered handlers are alive.
        let counted = |handler: Handler| unsafe {
            ComRef::from_raw(handler.pointer).map(|pointer| (pointer.to_com_ptr(), handler.fd))
        };
        handlers.into_iter().filter_map(counted).collect()
    }

    /// Unregisters the handlers, and releases the references that the framework has given away.
    fn let_go(&self) {
        let handlers = std::mem::take(&mut *lock(&self.handlers));
        for Handler { pointer, .. } in handlers {
            if let Some(run_loop) = &self.run_loop {
                // SAFETY: the host's live object and a handler registered there.
                unsafe { run_loop.unregisterEventHandler(pointer) };
            }
            // SAFETY: the reference that nobody else releases.
            drop(unsafe { ComPtr::from_raw(pointer) });
        }
    }
}

impl Class for GuardFrame {
    type Interfaces = (IPlugFrame, IRunLoop);
}

impl IPlugFrameTrait for GuardFrame {
    unsafe fn resizeView(&self, _view: *mut IPlugView, size: *mut ViewRect) -> tresult {
        // SAFETY: the host's live object gets the view that it knows.
        unsafe { self.host.resizeView(self.view, size) }
    }
}

impl IRunLoopTrait for GuardFrame {
    unsafe fn registerEventHandler(&self, pointer: *mut IEventHandler, fd: FileDescriptor) -> tresult {
        if pointer.is_null() {
            return kInvalidArgument;
        }
        lock(&self.handlers).push(Handler { pointer, fd });
        match &self.run_loop {
            // SAFETY: as for this method.
            Some(run_loop) => unsafe { run_loop.registerEventHandler(pointer, fd) },
            None => kResultOk,
        }
    }

    unsafe fn unregisterEventHandler(&self, pointer: *mut IEventHandler) -> tresult {
        // the framework calls this at the handler's end, which comes after `let_go`
        let mut handlers = lock(&self.handlers);
        let before = handlers.len();
        handlers.retain(|handler| handler.pointer != pointer);
        let known = handlers.len() < before;
        drop(handlers);
        match &self.run_loop {
            // SAFETY: as for this method.
            Some(run_loop) if known => unsafe { run_loop.unregisterEventHandler(pointer) },
            _ => kResultOk,
        }
    }

    unsafe fn registerTimer(&self, handler: *mut ITimerHandler, interval: TimerInterval) -> tresult {
        // SAFETY: as for this method.
        self.run_loop
            .as_ref()
            .map_or(kResultFalse, |run_loop| unsafe { run_loop.registerTimer(handler, interval) })
    }

    unsafe fn unregisterTimer(&self, handler: *mut ITimerHandler) -> tresult {
        // SAFETY: as for this method.
        self.run_loop.as_ref().map_or(kResultFalse, |run_loop| unsafe { run_loop.unregisterTimer(handler) })
    }
}
