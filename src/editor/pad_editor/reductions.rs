//! Gain-reduction meters of the chosen pad and of the main output.

use crate::editor::{frame_context::FrameContext, theme};
use egui::{Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{engine::Meters, kit::ToneStage};

/// How fast a meter falls, dB a second.
const REDUCTION_FALL: f32 = 20.0;
/// What a full meter means, dB.
const FULL_DB: f32 = 24.0;
/// Below this a meter shows 0 dB.
const MIN_REDUCTION_DB: f32 = 0.05;

/// Readings that fall slowly, dB, 0 and above.
#[derive(Debug, Default)]
pub struct HeldReductions {
    pad: usize,
    limiter: f32,
    punch: f32,
    low_band: f32,
    colour: f32,
    pad_ceiling: f32,
    main_ceiling: f32,
    time: f64,
}

impl HeldReductions {
    /// Reads the meters of `pad`; asks for another frame while anything still moves.
    pub fn follow(&mut self, ui: &Ui, pad: usize, cx: &FrameContext<'_>) {
        let now = ui.input(|i| i.time);
        let fall = ((now - self.time) as f32).clamp(0.0, 0.25) * REDUCTION_FALL;
        if self.pad != pad {
            *self = Self { pad, main_ceiling: self.main_ceiling, ..Self::default() };
        }
        self.time = now;
        let Some(meters) = cx.session.meters() else { return };
        let pad = &meters.reductions[pad];
        let mut moving = false;
        for (held, meter) in [
            (&mut self.limiter, &pad.limiter_db),
            (&mut self.punch, &pad.punch_db),
            (&mut self.low_band, &pad.low_band_db),
            (&mut self.colour, &pad.colour_db),
            (&mut self.pad_ceiling, &pad.ceiling_db),
            (&mut self.main_ceiling, &meters.main_ceiling_db),
        ] {
            *held = fallen(*held, fall, Meters::take_peak(meter));
            moving |= *held > 0.0;
        }
        if moving {
            ui.ctx().request_repaint_after(std::time::Duration::from_millis(16));
        }
    }

    /// The reading of a stage; `None` for stages without gain reduction.
    pub fn of(&self, stage: ToneStage) -> Option<f32> {
        match stage {
            ToneStage::Limiter => Some(self.limiter),
            ToneStage::Punch => Some(self.punch),
            ToneStage::LowBand => Some(self.low_band),
            ToneStage::Colour => Some(self.colour),
            ToneStage::Cuts | ToneStage::Saturation | ToneStage::Eq => None,
        }
    }

    /// The reading of the ceiling of the pad's own output.
    pub fn pad_ceiling(&self) -> f32 {
        self.pad_ceiling
    }

    /// The reading of the main output's ceiling.
    pub fn main_ceiling(&self) -> f32 {
        self.main_ceiling
    }
}

fn fallen(held: f32, fall: f32, read: f32) -> f32 {
    let read = if read.is_finite() { read } else { 0.0 };
    let now = (held - fall).max(read);
    if now < MIN_REDUCTION_DB { 0.0 } else { now }
}

/// A meter that grows from the right, as gain is taken away; `what` completes "Gain reduction of".
pub fn meter(ui: &mut Ui, what: &str, db: f32) {
    ui.horizontal(|ui| {
        let (rect, response) = ui.allocate_exact_size(vec2(140.0, 10.0), Sense::hover());
        let words = if db > 0.0 { format!("-{db:.1} dB") } else { "0 dB".to_owned() };
        response.widget_info(|| {
            WidgetInfo::labeled(Role::Meter, true, format!("Gain reduction of {what}: {words}"))
        });
        let painter = ui.painter();
        painter.rect_filled(rect, 1, theme::INSET);
        let left = rect.right() - (db / FULL_DB).clamp(0.0, 1.0) * rect.width();
        painter.rect_filled(Rect::from_min_max(pos2(left, rect.top()), rect.max), 1, theme::ACCENT);
        for db in [6.0, 12.0, 18.0] {
            let x = rect.right() - db / FULL_DB * rect.width();
            painter.vline(x, rect.bottom()..=rect.bottom() + 3.0, (1.0, theme::TEXT_DIM));
        }
        ui.label(RichText::new(format!("gain reduction of {what}: {words}")).font(theme::small()));
        response.on_hover_text("How much the level is reduced at this moment; a mark every 6 dB.");
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_rise_at_once_and_fall_at_20_db_a_second() {
        assert_eq!(fallen(2.0, 0.5, 6.0), 6.0);
        assert_eq!(fallen(6.0, 0.5, 0.0), 5.5);
        assert_eq!(fallen(0.5, 0.5, 0.0), 0.0);
        assert_eq!(fallen(3.0, 1.0, f32::NAN), 2.0);
    }
}
