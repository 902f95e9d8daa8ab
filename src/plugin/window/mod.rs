//! The window inside a host: an editor of our own on baseview and egui_glow.
//!
//! The framework's ready-made egui window throws dropped files away, never tells that it was closed and
//! forgets the zoom; its window type cannot be wrapped (read in egui-baseview 0.9 and nice-plug-egui 0.6).
//! This part therefore uses baseview directly, whose interface is the same on all three systems:
//!
//! | part | what it does |
//! | --- | --- |
//! | this file | the framework's editor: creates windows, answers the host |
//! | [`open_window`] | one open window: its events, its frames, its end |
//! | [`input`] | mouse, drags and focus, as egui's events |
//! | [`keys`] | the keyboard, as egui's events |
//! | [`labels`] | names, values and actions for screen readers |
//! | [`paint`] | OpenGL |
//! | [`parts`] | what the windows of one plugin instance share |
//! | [`changes`] | which parts of the picture a frame redraws |
//! | [`closing`] | the host waits until the window has ended |
//! | [`frames`] | when frames are drawn |
//! | [`graphics_library`] | it stays loaded between windows |
//! | [`images`] | the picture put onto an X11 window without OpenGL |
//! | [`redraw_check`] | whether anything shown has changed |
//! | [`trims`] | host parameters |

mod changes;
mod closing;
mod copied;
mod frames;
mod graphics_library;
mod images;
mod input;
mod keys;
mod labels;
mod open_window;
mod paint;
mod parts;
mod redraw_check;
mod trims;

pub use parts::{UnsavedWork, ask_before_end, close_windows, take_unsaved};

use super::{lock::lock, params::HostParams};
use crate::editor::{StoredWindow, Track, WindowState};
use baseview::{
    HandlerError, WindowSettings,
    dpi::{LogicalSize, Size},
    gl::GlConfig,
    host::Host,
};
use closing::Closing;
use kitwright_core::session::Session;

use nice_plug::{
    context::gui::GuiContext,
    editor::{
        Editor, EditorHandle, HostCallbacks, HostMethods, Modifiers, ParentWindowHandle, ResizeHint,
        SizeConstraints, SpawnedEditor, VirtualKeyCode, dpi::NativeSize,
    },
    prelude::TrackInfo,
};
use parts::{MainThreadCaller, Parts};
use std::{
    error::Error,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

/// The editor of one plugin instance.
pub struct HostEditor {
    parts: Arc<Parts>,
}

/// The editor of a plugin instance; its size and zoom are stored in the parameters' window memory. `asks`: it asks at once
/// whether the program may end.
pub fn create(session: Arc<Session>, params: Arc<HostParams>, asks: bool) -> Option<HostEditor> {
    let memory = params.window.get::<StoredWindow>().clamped();
    let mut state = WindowState::new(memory.clone());
    if asks {
        state.ask_before_end();
    }
    let parts = Parts {
        session,
        params,
        frame: Mutex::new((size_of(&memory), 1.0)),
        state: Mutex::new(state),
        host_keys: Mutex::default(),
        typing: AtomicBool::new(false),
        frames: Mutex::default(),
        main_thread: Mutex::default(),
    };
    Some(HostEditor { parts: Arc::new(parts) })
}

fn size_of(memory: &StoredWindow) -> LogicalSize<f64> {
    LogicalSize::new(f64::from(memory.width), f64::from(memory.height))
}

fn smallest() -> LogicalSize<f64> {
    let [width, height] = StoredWindow::min_window_size();
    LogicalSize::new(f64::from(width), f64::from(height))
}

fn resize_hint() -> ResizeHint {
    let smallest = smallest().cast();
    ResizeHint { size_constraints: SizeConstraints::min_logical_size(smallest), ..ResizeHint::RESIZABLE }
}

impl Editor for HostEditor {
    type Handle = HostHandle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<HostHandle>, Box<dyn Error>> {
        let memory = self.parts.params.window.get::<StoredWindow>().clamped();
        let settings = WindowSettings::new()
            .with_title("Kitwright")
            .with_size(Size::Logical(size_of(&memory)))
            .with_min_size::<Size>(Some(smallest().into()))
            .with_parent(parent.as_ref())
            .with_wait_for_parent(wait_for_parent)
            .with_fallback_scale_factor(fallback_scale_factor)
            .with_gl_config(GlConfig::default());
        let (parts, closing) = (self.parts.clone(), Arc::<Closing>::default());
        let window_closing = closing.clone();
        let host = host.map(|methods| host_of(methods, &self.parts));
        let window = baseview::Window::create_with_host(
            settings,
            move |context| {
                window_closing.report_end_of_this_thread();
                open_window::HostWindow::open(context, parts, gui_context, memory, window_closing)
            },
            host,
        )?;
        self.parts.params.window_open.store(true, Relaxed);
        Ok(SpawnedEditor { handle: HostHandle { parts: self.parts.clone(), closing }, window })
    }

    fn size(&self) -> NativeSize<u32> {
        let (mut size, scale) = *lock(&self.parts.frame);
        // VST3 hosts ask before the window exists: then the remembered size counts
        if lock(&self.parts.frames).is_none() {
            size = size_of(&self.parts.params.window.get::<StoredWindow>().clamped());
        }
        NativeSize::from_size(size.into(), scale)
    }

    fn resize_hint(&self) -> ResizeHint {
        resize_hint()
    }

    fn track_info_updated(&self, info: TrackInfo) {
        let colour = info.color().map(|colour| colour.rgba()).map(|(r, g, b, _)| [r, g, b]);
        self.parts.params.facts.set_track(Track { name: info.name().to_owned(), colour });
        self.parts.wake();
    }
}

/// The host's side of one open window.
pub struct HostHandle {
    parts: Arc<Parts>,
    closing: Arc<Closing>,
}

impl EditorHandle for HostHandle {
    type Window = baseview::Window;
    type Error = baseview::Error;

    fn run_until_closed(window: baseview::Window) -> Result<(), baseview::Error> {
        window.run_until_closed()
    }

    fn set_parent(
        &self,
        parent: ParentWindowHandle,
        window: &baseview::Window,
    ) -> Result<(), baseview::Error> {
        window.set_parent(&parent)
    }

    fn show(&self, window: &baseview::Window) -> Result<(), baseview::Error> {
        let shown = window.show();
        // not every system requests a frame when a window appears
        self.parts.wake();
        shown
    }

    fn hide(&self, window: &baseview::Window) -> Result<(), baseview::Error> {
        window.hide()
    }

    fn set_size(&self, size: NativeSize<u32>, window: &baseview::Window) -> Result<(), baseview::Error> {
        let scale = window.size().scale_factor;
        window.resize(size.to_physical(scale))
    }

    fn host_main_thread_callback(&self, window: &baseview::Window) {
        window.host_main_thread_callback();
    }

    fn adjust_size(&self, size: NativeSize<u32>, window: &baseview::Window) -> Option<NativeSize<u32>> {
        let now = window.size();
        let native = NativeSize::from_logical_or_physical(now.logical, now.physical);
        Some(resize_hint().adjust_size(size, native, now.scale_factor))
    }

    fn set_fallback_scale_factor(
        &self,
        scale: f64,
        window: &baseview::Window,
    ) -> Result<(), baseview::Error> {
        window.suggest_fallback_scale_factor(scale)
    }

    /// Keys that a host receives before the window does; the window uses them while text is typed.
    fn on_virtual_key_from_host(&self, key: VirtualKeyCode, is_down: bool, modifiers: Modifiers) -> bool {
        if !self.parts.typing.load(Relaxed) {
            return false;
        }
        let Some(events) = keys::from_host(key, is_down, modifiers) else { return false };
        lock(&self.parts.host_keys).extend(events);
        self.parts.wake();
        true
    }

    fn state_changed(&self) {
        self.parts.wake();
    }

    fn param_value_changed(&self, _id: &str, _normalized_value: f32) {
        self.parts.wake();
    }

    fn param_modulation_changed(&self, _id: &str, _modulation_offset: f32) {
        self.parts.wake();
    }
}

impl Drop for HostHandle {
    /// Asks the window to close before baseview does. Baseview's own request is lost when it comes before the
    /// window's loop has started (0.4, X11: the loop clears the request when it starts), and the host would then
    /// wait forever.
    fn drop(&mut self) {
        *lock(&self.parts.frames) = None;
        *lock(&self.parts.main_thread) = None;
        self.closing.request_and_wait();
        self.parts.params.window_open.store(false, Relaxed);
    }
}

/// Wraps the framework's host callbacks for baseview; both declare the same traits.
fn host_of(methods: HostMethods, parts: &Parts) -> Host {
    struct Callbacks(Box<dyn HostCallbacks>);
    impl baseview::host::HostCallbacks for Callbacks {
        fn request_resize(&mut self, size: baseview::WindowSize) -> Result<(), HandlerError> {
            self.0.request_resize(size.physical.into(), size.scale_factor).map_err(HandlerError::from_boxed)
        }
        fn destroyed(&mut self) {
            self.0.destroyed();
        }
    }
    struct MainThread(MainThreadCaller);
    impl baseview::host::HostMainThreadCaller for MainThread {
        fn call_main_thread(&mut self) {
            lock(&self.0).call_main_thread();
        }
    }
    let caller = Arc::new(Mutex::new(methods.main_thread_caller));
    *lock(&parts.main_thread) = Some(caller.clone());
    Host::new().with_callbacks(Callbacks(methods.callbacks)).with_main_thread(MainThread(caller))
}
