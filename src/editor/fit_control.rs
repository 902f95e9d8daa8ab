//! The slider for a fit, of a pad or of the kit. Shaping takes a while, so it starts once the slider has rested.

use super::{frame_context::FrameContext, widgets};
use egui::Ui;
use kitwright_core::session::Job;

/// Time without movement after which a fit is computed, s: longer than the repeats of a held arrow key.
const FIT_DELAY: f64 = 0.08;

/// A fit that was moved, until the session has computed it.
#[derive(Debug, Default)]
pub struct FitControl {
    /// The session has not been asked for it yet.
    pending: Option<PendingFit>,
    /// The session is computing it; shown until it is done.
    sent: Option<PendingFit>,
}

/// A fit that is sent to the session once the control has rested.
#[derive(Debug, Clone, Copy, PartialEq)]
struct PendingFit {
    /// Pad, or the whole kit.
    pad: Option<usize>,
    /// 0 to 1.
    fit: f32,
    /// egui's time of the last movement, s.
    moved_at: f64,
    /// The control is still held.
    held: bool,
}

impl FitControl {
    /// Shows the fit of a pad, or of the kit.
    pub fn slider(&mut self, ui: &mut Ui, cx: &FrameContext<'_>, pad: Option<usize>, width: f32) {
        let now = pad.map_or(cx.kit.doc.fit, |p| cx.pad(p).shaped());
        let pending = self.pending.filter(|p| p.pad == pad);
        let owner = pad.map_or_else(|| "Whole".to_owned(), |p| format!("Pad {}", p + 1));
        let shown = pending.or(self.sent.filter(|p| p.pad == pad)).map_or(now, |p| p.fit);
        let of = match pad {
            None => FitOf::Kit,
            Some(p) if cx.pad(p).is_fitted() => FitOf::Pad,
            Some(_) => FitOf::Percussion,
        };
        let moved = widgets::slider(ui, &Fit(of), &owner, shown, width);
        if let Some(fit) = moved.value.or(pending.map(|p| p.fit)) {
            let time = ui.input(|i| i.time);
            let changed = moved.value.is_some();
            self.pending = Some(PendingFit {
                pad,
                fit,
                moved_at: if changed { time } else { pending.map_or(time, |p| p.moved_at) },
                held: (pending.is_some_and(|p| p.held) || moved.began) && !moved.ended,
            });
        }
    }

    /// Starts the shaping once the slider has rested; called once a frame.
    pub fn start_when_rested(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        if cx.session.job().is_none() {
            self.sent = None;
        }
        // a slider that is shown no more while it is held does not say that it was let go of
        let is_down = ui.input(|i| i.pointer.any_down());
        let Some(pending) = self.pending.filter(|p| !p.held || !is_down) else { return };
        let rested = ui.input(|i| i.time) - pending.moved_at;
        if rested >= FIT_DELAY {
            cx.session.start(Job::SetFit { pad: pending.pad, fit: pending.fit });
            self.sent = self.pending.take();
        } else {
            ui.ctx().request_repaint_after(std::time::Duration::from_secs_f64(FIT_DELAY - rested));
        }
    }
}

/// The fit as a setting: it belongs to pads and to the kit, and takes work to change.
struct Fit(FitOf);

/// Whose fit it is.
#[derive(PartialEq)]
enum FitOf {
    Kit,
    Pad,
    /// A pad that is shaped towards no drum.
    Percussion,
}

impl widgets::Described for Fit {
    fn name(&self) -> &'static str {
        match self.0 {
            FitOf::Kit => "Kit fit",
            FitOf::Pad => "Fit",
            FitOf::Percussion => "Tidied up",
        }
    }
    fn help(&self) -> &'static str {
        match self.0 {
            FitOf::Kit => "How far every pad is shaped towards its role: 0 % is each hit as it was recorded.",
            FitOf::Pad => "How far the hit is shaped towards its role: 0 % is the hit as it was recorded.",
            FitOf::Percussion => {
                "How far lows are cut, and the hit shortened, driven and compressed a little: 0 % is the hit as it was recorded. Percussion is shaped towards no drum."
            }
        }
    }
    fn unit(&self) -> kitwright_core::settings::Unit {
        kitwright_core::settings::Unit::Percent
    }
    fn bounds(&self) -> [f32; 2] {
        [0.0, 1.0]
    }
    fn default(&self) -> f32 {
        kitwright_core::kit::DEFAULT_FIT
    }
    fn to_travel(&self, value: f32) -> f32 {
        value.clamp(0.0, 1.0)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        travel.clamp(0.0, 1.0)
    }
    fn clamp(&self, value: f32) -> f32 {
        value.clamp(0.0, 1.0)
    }
    fn show(&self, value: f32) -> String {
        format!("{:.0} %", value * 100.0)
    }
    fn read(&self, text: &str) -> Option<f32> {
        let number: f32 = text.trim().trim_end_matches('%').trim().replace(',', ".").parse().ok()?;
        number.is_finite().then(|| (number / 100.0).clamp(0.0, 1.0))
    }
}
