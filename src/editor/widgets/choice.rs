//! Settings that are on or off, and settings that are one of a few words.

use super::{
    described::{Described, Moved},
    paint::{by_hand_help, caption, control_size, focus_edge, let_go_menu, menu_place, text_in},
};
use crate::editor::theme;
use egui::{Align2, Popup, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

/// Shows and flips a switch; its word and the position of its knob show the state, not its colour alone.
pub fn switch(ui: &mut Ui, setting: &dyn Described, owner: &str, value: f32, width: f32) -> Moved {
    let (rect, response) = ui.allocate_exact_size(control_size(width), Sense::click());
    let on = value >= 0.5;
    response.widget_info(|| {
        WidgetInfo::selected(Role::Switch, ui.is_enabled(), on, format!("{owner} {}", setting.name()))
    });
    let painter = ui.painter();
    let lit = response.hovered() || response.has_focus();
    caption(painter, rect, setting, rect.width());
    let track = Rect::from_min_size(rect.left_top() + vec2(0.0, 18.0), vec2(34.0, 14.0));
    painter.rect(
        track,
        theme::ROUND,
        theme::INSET,
        (1.0, if lit { theme::TEXT_DIM } else { theme::BORDER }),
        egui::StrokeKind::Inside,
    );
    let knob =
        Rect::from_min_size(track.left_top() + vec2(if on { 18.0 } else { 2.0 }, 2.0), vec2(14.0, 10.0));
    painter.rect_filled(knob, 2, if on { theme::ACCENT } else { theme::TEXT_DIM });
    text_in(
        painter,
        pos2(track.right() + 6.0, track.center().y),
        Align2::LEFT_CENTER,
        &setting.show(value),
        theme::small(),
        theme::TEXT,
        40.0,
    );
    focus_edge(painter, rect, &response);
    let clicked = response.clicked();
    let let_go = let_go_menu(setting, &format!("{owner} {}", setting.name()), &response);
    let menu = menu_place(setting, &[&response]);
    response.on_hover_text(format!("{}{}", setting.help(), by_hand_help(setting)));
    if clicked {
        Moved::at_once(if on { 0.0 } else { 1.0 })
    } else {
        Moved { let_go, menu, ..Moved::default() }
    }
}

/// Shows one of a few words and lets another be chosen.
pub fn choice(
    ui: &mut Ui,
    setting: &dyn Described,
    owner: &str,
    value: f32,
    words: &[&str],
    width: f32,
) -> Moved {
    let name = format!("{owner} {}", setting.name());
    let (rect, response) = ui.allocate_exact_size(control_size(width), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::ComboBox, ui.is_enabled(), &name));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(setting.show(value)));
    let painter = ui.painter();
    caption(painter, rect, setting, rect.width());
    let field = Rect::from_min_max(rect.left_top() + vec2(0.0, 15.0), rect.max);
    let fill = if response.hovered() { theme::HOVERED } else { theme::RAISED };
    painter.rect_filled(field, theme::ROUND, fill);
    text_in(
        painter,
        field.left_center() + vec2(6.0, 0.0),
        Align2::LEFT_CENTER,
        &setting.show(value),
        theme::small(),
        theme::TEXT,
        field.width() - 22.0,
    );
    let tip = field.right_center() - vec2(10.0, 0.0);
    painter.line(
        vec![tip + vec2(-4.0, -2.0), tip + vec2(0.0, 2.0), tip + vec2(4.0, -2.0)],
        (1.5, theme::TEXT_DIM),
    );
    focus_edge(painter, rect, &response);
    let mut moved = Moved::default();
    Popup::menu(&response).show(|ui| {
        for (i, word) in words.iter().enumerate() {
            let chosen = i == value.round().max(0.0) as usize;
            let entry = ui.selectable_label(chosen, *word);
            entry.widget_info(|| {
                WidgetInfo::selected(Role::MenuItem, true, chosen, format!("{name}: {word}"))
            });
            if entry.clicked() {
                moved = Moved::at_once(i as f32);
                ui.close();
            }
        }
    });
    moved.let_go = let_go_menu(setting, &name, &response);
    moved.menu = menu_place(setting, &[&response]);
    response.on_hover_text(format!("{}{}", setting.help(), by_hand_help(setting)));
    moved
}
