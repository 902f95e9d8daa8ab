//! One open window: its events, its frames and its end.

use super::{
    closing::Closing,
    frames::FrameScheduler,
    input,
    input::Input,
    keys,
    labels::Labels,
    paint::WindowCanvas,
    parts::{ENDING, Parts},
    redraw_check::VisibleState,
    trims::HostTrims,
};
use crate::{
    editor::{StoredWindow, Trim, TrimAccess, WindowState, theme},
    plugin::lock::lock,
};
use baseview::{
    DamageArea, Event, EventStatus, HandlerError, MouseCursor, MouseEvent, TimerHandle, WindowContext,
    WindowEvent, WindowHandler, WindowSize,
    dpi::{LogicalSize, Size},
};
use copypasta::{ClipboardContext, ClipboardProvider};
use egui::{Context, OutputCommand};
use kitwright_core::groove::patterns::GrooveSettings;
use nice_plug::context::gui::GuiContext;
use std::{
    cell::{Cell, RefCell},
    path::PathBuf,
    sync::{Arc, atomic::Ordering::Relaxed},
    time::{Duration, Instant},
};

/// The folder for unsaved work: the user's own, or the one that `KITWRIGHT_AUTOSAVE` names; "off" saves nothing.
fn autosave_folder() -> Option<PathBuf> {
    match std::env::var_os("KITWRIGHT_AUTOSAVE") {
        Some(word) if word == "off" => None,
        Some(folder) => Some(folder.into()),
        None => kitwright_core::session::autosave_folder(),
    }
}

/// Shows a folder, given as "file://" and its path, in the system's file manager.
fn show_folder(link: &str) {
    let Some(folder) = link.strip_prefix("file://").map(PathBuf::from).filter(|f| f.is_dir()) else { return };
    let program = match std::env::consts::OS {
        "windows" => "explorer",
        "macos" => "open",
        _ => "xdg-open",
    };
    // waited for on a thread of its own, so that no ended process is left; without a file manager the path can be copied
    let spawned = std::process::Command::new(program).arg(folder).spawn();
    if let Ok(mut manager) = spawned {
        std::thread::spawn(move || drop(manager.wait()));
    }
}

/// A window that closes sooner than this failed to open, for example without OpenGL; the player did not close it.
const LEAST_OPEN: Duration = Duration::from_secs(1);
/// How often the session is checked for changes.
const SESSION_CHECK_INTERVAL: Duration = Duration::from_millis(16);

/// An open window. Baseview may call it again from within `resize` and `focus`, so no cell is borrowed during these
/// calls.
pub(super) struct HostWindow {
    window: WindowContext,
    scheduler: FrameScheduler,
    parts: Arc<Parts>,
    gui: GuiContext,
    egui: Context,
    canvas: RefCell<WindowCanvas>,
    input: RefCell<Input>,
    labels: RefCell<Labels>,
    clipboard: RefCell<Option<ClipboardContext>>,
    cursor: Cell<MouseCursor>,
    /// The system has shown a part of the window anew since the last frame.
    exposed: Cell<bool>,
    shown: RefCell<VisibleState>,
    /// Trims whose gesture has begun and not ended.
    held: RefCell<Vec<Trim>>,
    timer: TimerHandle,
    opened: Instant,
    closing: Arc<Closing>,
}

impl HostWindow {
    /// Sets up egui and OpenGL; `memory` comes from the host's project.
    ///
    /// # Errors
    /// When the system offers no usable OpenGL.
    pub fn open(
        window: WindowContext,
        parts: Arc<Parts>,
        gui: GuiContext,
        memory: StoredWindow,
        closing: Arc<Closing>,
    ) -> Result<Self, HandlerError> {
        if let Some(folder) = autosave_folder() {
            if let Some(data) = folder.parent() {
                parts.session.keep_preference_in(data.join("preference.json"));
            }
            parts.session.autosave_into(folder);
        }
        let canvas = WindowCanvas::new(&window)?;
        let egui = Context::default();
        theme::apply(&egui);
        let scheduler = FrameScheduler::new(window.waker())?;
        *lock(&parts.frames) = Some(scheduler.frames.clone());
        let repaint = scheduler.frames.clone();
        egui.set_request_repaint_callback(move |request| repaint.request_after(request.delay));
        lock(&parts.state).memory = memory;
        let size = window.size();
        parts.keep_frame(size.logical, size.scale_factor);
        Ok(Self {
            input: RefCell::new(Input::new(canvas.max_texture_side())),
            canvas: RefCell::new(canvas),
            labels: RefCell::new(Labels::open(&window, &scheduler.frames)),
            // the window also works without a clipboard
            clipboard: RefCell::new(ClipboardContext::new().ok()),
            cursor: Cell::new(MouseCursor::Default),
            exposed: Cell::new(false),
            shown: RefCell::new(VisibleState::of(&parts.session)),
            held: RefCell::default(),
            timer: window.create_timer(SESSION_CHECK_INTERVAL)?,
            opened: Instant::now(),
            closing,
            window,
            scheduler,
            parts,
            gui,
            egui,
        })
    }

    /// Runs one frame; when the window's memory has changed, it is stored for the host.
    fn frame(&self, ui: &mut egui::Ui, state: &mut WindowState, size: WindowSize) {
        let before = state.memory.clone();
        state.memory.keep_size(size.logical.width, size.logical.height);
        let setter = self.gui.param_setter();
        let context = ui.ctx();
        let scale =
            if cfg!(target_os = "macos") { context.zoom_factor() } else { context.pixels_per_point() };
        let held = &mut self.held.borrow_mut();
        let mut trims = HostTrims { setter: &setter, parts: &self.parts, scale, held };
        crate::editor::ui(ui, state, &self.parts.session, &mut trims);
        if state.memory != before {
            self.parts.params.window.put(&state.memory);
        }
        self.parts.params.follow_kit(&setter);
    }

    /// Resizes the window when its zoom has changed.
    fn follow_zoom(&self, before: f32, after: f32, size: WindowSize) {
        if before == after {
            return;
        }
        let factor = f64::from(after / before);
        let wanted = LogicalSize::new(size.logical.width * factor, size.logical.height * factor);
        // a host may refuse: then the next frame is drawn at the zoom that fits
        let _ = self.window.resize(Size::Logical(wanted));
        self.scheduler.frames.request();
    }

    fn follow_output(&self, output: egui::PlatformOutput) -> Result<(), HandlerError> {
        for command in output.commands {
            match command {
                OutputCommand::CopyText(text) => {
                    if let Some(clipboard) = &mut *self.clipboard.borrow_mut() {
                        // another program may hold the clipboard; the text can be copied again
                        let _ = clipboard.set_contents(text);
                    }
                }
                OutputCommand::OpenUrl(link) => show_folder(&link.url),
                OutputCommand::CopyImage(_) | OutputCommand::TextSelectionSettled(_) => {}
            }
        }
        let cursor = input::cursor(output.cursor_icon);
        if self.cursor.replace(cursor) != cursor {
            self.window.set_mouse_cursor(cursor)?;
        }
        Ok(())
    }

    fn pasted(&self) -> Option<String> {
        self.clipboard.borrow_mut().as_mut()?.get_contents().ok()
    }

    fn on_focus(&self, focused: bool) -> EventStatus {
        self.input.borrow_mut().focus(focused);
        self.labels.borrow_mut().focus(focused);
        EventStatus::Captured
    }

    fn on_key(&self, event: &keyboard_types::KeyboardEvent) -> EventStatus {
        let events = keys::events(event, || self.pasted());
        let used = self.egui.egui_wants_keyboard_input() || events.iter().any(keys::is_used);
        let mut input = self.input.borrow_mut();
        input.hold(event.modifiers);
        input.extend(events);
        // a key that the window does not use goes back to the host, where the system supports that
        if used { EventStatus::Captured } else { EventStatus::Ignored }
    }
}

impl WindowHandler for HostWindow {
    fn draw(&self) -> Result<(), HandlerError> {
        self.scheduler.frame_begins();
        let size = self.window.size();
        if size.physical.width == 0 || size.physical.height == 0 {
            return Ok(());
        }
        let (output, zooms) = {
            let mut state = lock(&self.parts.state);
            let before = state.memory.zoom;
            let zoom = state.memory.zoom_that_fits(size.logical.width, size.logical.height);
            self.egui.options_mut(|o| o.zoom_factor = zoom);
            let points = size.physical.to_logical::<f32>(size.scale_factor * f64::from(zoom));
            let mut input = self.input.borrow_mut();
            input.extend(lock(&self.parts.host_keys).drain(..));
            input.extend(self.labels.borrow().before_frame(&self.egui));
            let raw = input.take(
                egui::vec2(points.width, points.height),
                size.scale_factor as f32,
                self.opened.elapsed().as_secs_f64(),
            );
            drop(input);
            let output = self.egui.run_ui(raw, |ui| self.frame(ui, &mut state, size));
            (output, [before, state.memory.zoom])
        };
        self.parts.typing.store(self.egui.text_edit_focused(), Relaxed);
        let mut textures = output.textures_delta;
        let (canvas, scale) = (&mut *self.canvas.borrow_mut(), output.pixels_per_point);
        if self.exposed.take() {
            canvas.expose();
        }
        let painted = canvas.paint(&self.egui, size.physical, scale, output.shapes, &mut textures);
        // textures of a lost context are freed with the window
        textures.clear();
        let is_behind = canvas.is_behind();
        painted?;
        if is_behind {
            self.scheduler.frames.request();
        }
        self.follow_zoom(zooms[0], zooms[1], size);
        let mut platform_output = output.platform_output;
        self.labels.borrow_mut().after_frame(platform_output.accesskit_update.take());
        self.follow_output(platform_output)
    }

    fn poll(&self) {
        // without OpenGL the window closes, as baseview does in this case
        if self.scheduler.is_due() && self.draw().is_err() {
            self.window.request_close();
        }
    }

    fn damage(&self, _: DamageArea) {
        self.exposed.set(true);
        self.scheduler.frames.request();
    }

    fn resized(&self, size: WindowSize) -> Result<(), HandlerError> {
        self.parts.keep_frame(size.logical, size.scale_factor);
        self.scheduler.frames.request();
        Ok(())
    }

    fn on_event(&self, event: Event) -> EventStatus {
        let status = match event {
            Event::Mouse(event) => {
                // an embedded window gets keyboard focus only on request
                if matches!(event, MouseEvent::ButtonPressed { .. }) && !self.window.has_focus() {
                    // if it fails, the mouse still works
                    let _ = self.window.focus();
                }
                self.input.borrow_mut().mouse(event, self.egui.pixels_per_point())
            }
            Event::Keyboard(event) => Some(self.on_key(&event)),
            Event::Window(WindowEvent::Focused) => Some(self.on_focus(true)),
            Event::Window(WindowEvent::Unfocused) => Some(self.on_focus(false)),
            _ => None,
        };
        if status.is_some() {
            self.scheduler.frames.request();
        }
        status.unwrap_or(EventStatus::Ignored)
    }

    fn on_timer(&self, timer: &TimerHandle) {
        if *timer != self.timer {
            return;
        }
        let ends = || self.parts.state.try_lock().is_ok_and(|state| state.ends());
        if ENDING.load(Relaxed) || self.closing.is_requested() || ends() {
            self.window.request_close();
            return;
        }
        let now = VisibleState::of(&self.parts.session);
        let mut last = self.shown.borrow_mut();
        if now.needs_frame_after(&last) {
            self.scheduler.frames.request();
        }
        *last = now;
    }
}

impl Drop for HostWindow {
    /// Ends open gestures, closes boxes and frees the waves.
    fn drop(&mut self) {
        let setter = self.gui.param_setter();
        let held = &mut self.held.borrow_mut();
        HostTrims { setter: &setter, parts: &self.parts, scale: 1.0, held }.end_all();
        self.parts.typing.store(false, Relaxed);
        if let Some(meters) = self.parts.session.meters() {
            meters.scope.listen(kitwright_core::engine::ScopeSource::Off);
        }
        // nothing plays on without a way to stop it
        let groove = self.parts.session.groove();
        self.parts.session.set_groove(GrooveSettings { playing: false, ..groove });
        let mut state = lock(&self.parts.state);
        state.let_go(&self.parts.session);
        self.parts.params.window.put(&state.memory);
        // a window that cannot be drawn is not opened again and again
        self.parts.keep_unsaved(state.ends() || self.opened.elapsed() < LEAST_OPEN);
        state.close();
    }
}
