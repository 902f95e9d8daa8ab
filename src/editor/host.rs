//! The window inside a host: nice-plug's editor around [`super::ui`].
//!
//! Three things the framework does not give (read in egui-baseview 0.9 and nice-plug-egui 0.6, whose window
//! type cannot be wrapped): files dropped onto the window are thrown away before egui sees them, although
//! [`super::ui`] takes them; nothing tells when the window is closed; and a size is remembered without its
//! zoom. A window handler of our own on baseview and egui_glow would give the first two.

use super::{
    state::{Memory, WindowState},
    theme,
    trims::{Trim, TrimAccess},
};
use crate::{
    kit::PADS,
    plugin::params::{HostParams, TrimParam},
    session::Session,
    settings::{KIT_TRIMS, PAD_TRIMS},
};
use nice_plug::{
    context::gui::GuiContext,
    editor::SizeConstraints,
    prelude::{ParamSetter, ResizeHint},
};
use nice_plug_egui::{
    EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, baseview,
    create_egui_editor,
};
use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread::JoinHandle,
    time::Duration,
};

/// The editor's type, for the plugin's `type Editor`.
pub type HostEditor = EguiEditor<App>;

/// The editor of a plugin instance; its size and zoom lie in the parameters' window memory.
pub fn create(session: Arc<Session>, params: Arc<HostParams>) -> Option<HostEditor> {
    let remembered = params.window.get::<Memory>().mended();
    let size = baseview::dpi::LogicalSize::new(
        f64::from(remembered.width) * f64::from(remembered.zoom),
        f64::from(remembered.height) * f64::from(remembered.zoom),
    );
    let notifier = RepaintNotifier::new();
    let settings = EguiNiceSettings::new().with_tile("Kitwright").with_resize_hint(resize_hint());
    let state = EguiEditorState::from_size(size, remembered.zoom);
    let app = App {
        session,
        params,
        context: None,
        window: WindowState { memory: remembered, ..WindowState::default() },
        notifier: notifier.clone(),
        frame: state.clone(),
        wanted: None,
        watch: None,
    };
    create_egui_editor(state, notifier, settings, app)
}

fn resize_hint() -> ResizeHint {
    let [width, height] = Memory::MIN_SIZE;
    ResizeHint {
        can_resize: true,
        can_resize_horizontally: true,
        can_resize_vertically: true,
        size_constraints: SizeConstraints::Logical {
            // at the smallest zoom
            min_size: Some((width as f32 * 0.75, height as f32 * 0.75).into()),
            max_size: None,
        },
        ..ResizeHint::default()
    }
}

/// The window's life inside a host.
pub struct App {
    session: Arc<Session>,
    params: Arc<HostParams>,
    context: Option<GuiContext>,
    window: WindowState,
    notifier: RepaintNotifier,
    frame: Arc<EguiEditorState>,
    /// Size to ask for in the first frame: the framework forgets the zoom when it remembers a size.
    wanted: Option<egui::Vec2>,
    watch: Option<Watch>,
}

impl NiceEguiApp for App {
    fn build(
        &mut self,
        egui_ctx: egui::Context,
        context: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), baseview::HandlerError> {
        theme::apply(&egui_ctx);
        self.context = Some(context);
        self.window.memory = self.params.window.get::<Memory>().mended();
        let Memory { width, height, zoom, .. } = self.window.memory;
        self.wanted = (zoom != 1.0).then(|| egui::vec2(width as f32, height as f32));
        self.watch = Watch::start(self.session.clone(), self.notifier.clone(), self.frame.clone());
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let Some(context) = &self.context else { return };
        if let Some(size) = self.wanted.take() {
            ui.ctx().send_viewport_cmd(egui::ViewportCommand::InnerSize(size));
        }
        let setter = context.param_setter();
        let before = self.window.memory.clone();
        super::ui(
            ui,
            &mut self.window,
            &self.session,
            &mut HostTrims { setter: &setter, params: &self.params },
        );
        if self.window.memory != before {
            self.params.window.put(&self.window.memory);
        }
        self.params.follow_kit(&setter);
    }

    fn editor_closed(&mut self) {
        self.watch = None;
    }
}

/// Trims through the host, so that it can record and automate them.
struct HostTrims<'a> {
    setter: &'a ParamSetter<'a>,
    params: &'a HostParams,
}

impl HostTrims<'_> {
    fn param(&self, trim: Trim) -> &TrimParam {
        match trim {
            Trim::Kit(i) => &self.params.kit[i],
            Trim::Pad(pad, i) => &self.params.pads[pad][i],
        }
    }
}

impl TrimAccess for HostTrims<'_> {
    fn get(&self, trim: Trim) -> f32 {
        match trim {
            Trim::Kit(i) => self.param(trim).value(&KIT_TRIMS[i]),
            Trim::Pad(_, i) => self.param(trim).value(&PAD_TRIMS[i]),
        }
    }

    fn begin(&mut self, trim: Trim) {
        self.param(trim).begin(self.setter);
    }

    fn set(&mut self, trim: Trim, value: f32) {
        let travel = match trim {
            Trim::Kit(i) => KIT_TRIMS[i].to_travel(value),
            Trim::Pad(_, i) => PAD_TRIMS[i].to_travel(value),
        };
        self.param(trim).set_travel(self.setter, travel);
    }

    fn end(&mut self, trim: Trim) {
        self.param(trim).end(self.setter);
    }
}

/// Asks for a frame when something outside the window changed: the kit, a job, an error, a meter.
struct Watch {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Watch {
    fn start(session: Arc<Session>, notifier: RepaintNotifier, frame: Arc<EguiEditorState>) -> Option<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = stop.clone();
        let thread = std::thread::Builder::new()
            .name("kitwright watch".into())
            .spawn(move || {
                let mut last = None;
                while !stopped.load(Ordering::Relaxed) {
                    let now = glance(&session);
                    notifier.request_repaint_with(last.as_ref() != Some(&now) || now.sounding);
                    last = Some(now);
                    // the framework never tells that a window was closed; a closed one is looked after rarely
                    let rest = if frame.is_open() { 16 } else { 250 };
                    std::thread::sleep(Duration::from_millis(rest));
                }
            })
            .ok()?;
        Some(Self { stop, thread: Some(thread) })
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // a panic there has already been reported by its own thread
            let _ = thread.join();
        }
    }
}

/// What makes a frame worth drawing.
#[derive(PartialEq)]
struct Glance {
    revision: u64,
    step: String,
    /// In thousandths: progress moves the bar by less than a pixel otherwise.
    done: u32,
    error: bool,
    strokes: [u32; PADS],
    sounding: bool,
}

fn glance(session: &Session) -> Glance {
    let job = session.job();
    let meters = session.meters();
    Glance {
        revision: session.revision(),
        step: job.as_ref().map(|j| j.step.clone()).unwrap_or_default(),
        done: job.as_ref().map_or(0, |j| (j.done * 1000.0) as u32),
        error: session.error().is_some(),
        strokes: std::array::from_fn(|p| {
            meters.as_ref().map_or(0, |m| m.pad_strokes[p].load(Ordering::Relaxed))
        }),
        sounding: meters.is_some_and(|m| f32::from_bits(m.main_peak.load(Ordering::Relaxed)) > 1e-4),
    }
}
