//! Painting that all controls share.

use super::described::{CONTROL_HEIGHT, Described};
use crate::editor::theme;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Response, Vec2, vec2};

/// Paints the setting's name in the upper left corner of its control.
pub(super) fn caption(painter: &Painter, rect: Rect, setting: &dyn Described, width: f32) {
    let (font, ink) = (theme::small(), theme::TEXT_DIM);
    let at = rect.left_top();
    if setting.is_by_hand() {
        // set by hand: a dot before the name
        painter.circle_filled(at + vec2(3.0, 8.0), 2.5, theme::TEXT);
        let at = at + vec2(10.0, 0.0);
        text_in(painter, at, Align2::LEFT_TOP, setting.name(), font, theme::TEXT, width - 10.0);
    } else {
        text_in(painter, at, Align2::LEFT_TOP, setting.name(), font, ink, width);
    }
}

/// The menu of a control that was set by hand; returns whether the setting is to follow the fit again.
pub(super) fn let_go_menu(setting: &dyn Described, name: &str, response: &Response) -> bool {
    let mut let_go = false;
    if setting.is_by_hand() {
        response.context_menu(|ui| {
            let entry = ui.button("Follow the fit again");
            entry.widget_info(|| {
                egui::WidgetInfo::labeled(egui::Role::MenuItem, true, format!("{name} follows the fit again"))
            });
            if entry.clicked() {
                let_go = true;
                ui.close();
            }
        });
    }
    let_go
}

/// The place of a right click on one of these parts of a control, where the control has no menu of its own.
pub(super) fn menu_place(setting: &dyn Described, parts: &[&Response]) -> Option<Pos2> {
    let clicked = parts.iter().filter(|part| !setting.is_by_hand() && part.secondary_clicked());
    clicked.filter_map(|part| part.interact_pointer_pos()).next()
}

/// What a tooltip adds for a setting that was set by hand.
pub(super) fn by_hand_help(setting: &dyn Described) -> &'static str {
    if setting.is_by_hand() {
        "\nSet by hand: it stays when the fit moves. Right click: follow the fit again."
    } else {
        ""
    }
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
