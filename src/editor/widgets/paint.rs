//! Painting that all controls share.

use super::described::{CONTROL_HEIGHT, Described};
use crate::editor::theme;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Response, Vec2, vec2};

/// Paints the setting's name in the upper left corner of its control.
pub(super) fn caption(painter: &Painter, rect: Rect, setting: &dyn Described, width: f32) {
    let (font, ink) = (theme::small(), theme::TEXT_DIM);
    text_in(painter, rect.left_top(), Align2::LEFT_TOP, setting.name(), font, ink, width);
}

/// Paints text, cut to a width with an ellipsis; returns the area it takes.
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

/// Paints an edge around the control that has keyboard focus.
pub fn focus_edge(painter: &Painter, rect: Rect, response: &Response) {
    if response.has_focus() {
        painter.rect_stroke(rect.expand(1.0), theme::ROUND, (1.5, theme::ACCENT), egui::StrokeKind::Outside);
    }
}

/// The size of one control.
pub(super) fn control_size(width: f32) -> Vec2 {
    vec2(width, CONTROL_HEIGHT)
}
