//! What all controls paint alike.

use super::described::{CONTROL_HEIGHT, Described};
use crate::editor::theme;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Response, Vec2, vec2};

/// The setting's name in the corner of its control.
pub(super) fn caption(painter: &Painter, rect: Rect, setting: &dyn Described, width: f32) {
    let (font, ink) = (theme::small(), theme::INK_SOFT);
    text_in(painter, rect.left_top(), Align2::LEFT_TOP, setting.name(), font, ink, width);
}

/// Text cut to a width with an ellipsis, painted at once; returns the space it takes.
pub fn text_in(
    painter: &Painter,
    at: Pos2,
    align: Align2,
    text: &str,
    font: FontId,
    colour: Color32,
    width: f32,
) -> Rect {
    let mut job = egui::text::LayoutJob::simple_singleline(text.to_owned(), font, colour);
    job.wrap = egui::text::TextWrapping::truncate_at_width(width.max(1.0));
    let galley = painter.layout_job(job);
    let rect = align.anchor_size(at, galley.size());
    painter.galley(rect.min, galley, colour);
    rect
}

/// The edge that shows where the keyboard is.
pub fn focus_edge(painter: &Painter, rect: Rect, response: &Response) {
    if response.has_focus() {
        painter.rect_stroke(rect.expand(1.0), theme::ROUND, (1.5, theme::AMBER), egui::StrokeKind::Outside);
    }
}

/// The size of one control.
pub(super) fn control_size(width: f32) -> Vec2 {
    vec2(width, CONTROL_HEIGHT)
}
