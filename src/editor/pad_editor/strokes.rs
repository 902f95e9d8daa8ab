//! Picture of how the last strokes of a pad varied: start across, pitch up, level as size.

use super::caption::CAPTION;
use crate::editor::{theme, widgets};
use egui::{Align2, Rect, Sense, Ui, WidgetInfo, vec2};
use kitwright_core::{engine::Meters, kit::Variation};
use std::{
    collections::VecDeque,
    sync::atomic::Ordering::{Acquire, Relaxed},
};

/// Number of strokes that are shown.
const MAX_STROKES: usize = 16;

/// The draws of the last strokes of the chosen pad, oldest first.
#[derive(Debug, Default)]
pub struct Strokes {
    pad: usize,
    counted: u32,
    draws: VecDeque<StrokeDraw>,
}

/// How one stroke differed from the pad as it was made.
#[derive(Debug, Clone, Copy, PartialEq)]
struct StrokeDraw {
    start_ms: f32,
    pitch_ct: f32,
    level_db: f32,
}

impl Strokes {
    /// Takes the latest stroke of `pad`, if there was another one; another pad clears the list.
    pub fn follow(&mut self, meters: &Meters, pad: usize) {
        let counted = meters.pad_triggers[pad].load(Acquire);
        if self.pad != pad {
            *self = Self { pad, ..Self::default() };
        }
        if counted == self.counted {
            return;
        }
        self.counted = counted;
        if counted == 0 {
            // an engine at another sample rate counts from 0 again
            return;
        }
        let last = &meters.last_trigger[pad];
        let number = |field: &std::sync::atomic::AtomicU32| f32::from_bits(field.load(Relaxed));
        self.draws.push_back(StrokeDraw {
            start_ms: number(&last.start_ms),
            pitch_ct: number(&last.pitch_st) * 100.0,
            level_db: number(&last.level_db),
        });
        if self.draws.len() > MAX_STROKES {
            self.draws.pop_front();
        }
    }
}

/// Draws the strokes within the range that the settings give; the latest is lit and ringed.
pub(super) fn draw(ui: &Ui, rect: Rect, strokes: &Strokes, range: &Variation) {
    let response = ui.interact(rect, ui.scope_id().with("strokes"), Sense::hover());
    let count = strokes.draws.len();
    response.widget_info(|| {
        let name = format!("Picture of the last {count} strokes, start across, pitch up");
        WidgetInfo::labeled(egui::Role::Image, true, name)
    });
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, theme::ROUND, theme::INSET);
    let field = rect.shrink2(vec2(16.0, CAPTION + 8.0));
    let max = |min: f32, of: fn(&StrokeDraw) -> f32| strokes.draws.iter().map(of).fold(min, f32::max);
    // the host's trims draw beyond the settings
    let ms = max(range.start_ms.max(0.1), |s| s.start_ms.abs());
    let ct = max(range.pitch_ct.max(1.0), |s| s.pitch_ct.abs());
    let middle = field.center();
    let place = |x_ms: f32, y_ct: f32| {
        middle + vec2(x_ms / ms * field.width() * 0.5, -y_ct / ct * field.height() * 0.5)
    };
    painter.hline(field.x_range(), middle.y, (1.0, theme::RAISED));
    painter.vline(middle.x, field.y_range(), (1.0, theme::RAISED));
    let (far, near) = (place(range.start_ms, range.pitch_ct), place(-range.start_ms, -range.pitch_ct));
    painter.rect_stroke(Rect::from_two_pos(far, near), 0, (1.0, theme::BORDER), egui::StrokeKind::Inside);
    for (i, stroke) in strokes.draws.iter().enumerate() {
        let latest = i + 1 == count;
        let size = (5.0 + stroke.level_db * 0.5).clamp(2.0, 9.0);
        let (fill, edge) =
            if latest { (theme::ACCENT, theme::TEXT) } else { (theme::SOUND_DIM, theme::BACKGROUND) };
        painter.circle(place(stroke.start_ms, stroke.pitch_ct), size, fill, (1.0, edge));
    }
    let strokes = match count {
        0 => "play the pad to see how strokes differ".to_owned(),
        1 => "the last stroke".to_owned(),
        n => format!("the last {n} strokes"),
    };
    let half = rect.width() * 0.5 - 8.0;
    for (corner, align, words) in [
        (rect.left_top() + vec2(6.0, 2.0), Align2::LEFT_TOP, strokes),
        (rect.right_top() + vec2(-6.0, 2.0), Align2::RIGHT_TOP, format!("pitch up {ct:.0} ct")),
        (rect.left_bottom() + vec2(6.0, -2.0), Align2::LEFT_BOTTOM, format!("{ms:.1} ms earlier")),
        (rect.right_bottom() + vec2(-6.0, -2.0), Align2::RIGHT_BOTTOM, format!("{ms:.1} ms later")),
    ] {
        widgets::text_in(&painter, corner, align, &words, theme::small(), theme::TEXT_DIM, half);
    }
    response.on_hover_text(
        "How strokes differ: start across, pitch up, level as size; the ringed one is the latest. The frame is \
         the range that the settings give.",
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_sixteen_strokes_of_one_pad_are_kept() {
        let meters = Meters::default();
        let mut strokes = Strokes::default();
        strokes.follow(&meters, 3);
        assert!(strokes.draws.is_empty(), "no stroke yet");
        for i in 0..20 {
            meters.last_trigger[3].start_ms.store((i as f32).to_bits(), Relaxed);
            meters.pad_triggers[3].fetch_add(1, Relaxed);
            strokes.follow(&meters, 3);
            strokes.follow(&meters, 3);
        }
        let starts: Vec<f32> = strokes.draws.iter().map(|s| s.start_ms).collect();
        assert_eq!(starts, (4..20).map(|i| i as f32).collect::<Vec<_>>());
        meters.pad_triggers[3].store(0, Relaxed);
        strokes.follow(&meters, 3);
        assert_eq!(strokes.draws.len(), 16, "a counter that begins anew is no stroke");
        strokes.follow(&meters, 4);
        assert!(strokes.draws.is_empty(), "another pad");
    }
}
