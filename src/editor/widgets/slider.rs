//! The slider for a number, with its name and its value above it.

use super::{
    described::{Described, Moved},
    explain::explain,
    paint::{by_hand_help, caption, control_size, focus_edge, let_go_menu, menu_place, text_in},
    text_field::select_all,
};
use crate::editor::theme;
use egui::{
    Align2, EventFilter, Id, Key, Rect, Response, Sense, TextEdit, Ui, WidgetInfo, accesskit, pos2, vec2,
};

/// Travel of one point of dragging, for a control of 132 points.
const DRAG: f32 = 1.0 / 160.0;
/// Factor of every movement while Shift is held.
const FINE: f32 = 0.1;
/// Travel of one press of an arrow key.
const KEY_TRAVEL: f32 = 0.01;
/// Travel of one point of scrolling.
const SCROLL: f32 = 0.0008;

/// Shows and moves a number: drag, Shift to drag finely, double click for the default, scroll, arrow keys,
/// a click on the value (or Enter) to type one.
pub fn slider(ui: &mut Ui, setting: &dyn Described, owner: &str, value: f32, width: f32) -> Moved {
    let (rect, response) = ui.allocate_exact_size(control_size(width), Sense::click_and_drag());
    let name = format!("{owner} {}", setting.name());
    let typing = response.id.with("typing");
    let value_rect = value_rect(rect);
    if ui.data(|d| d.get_temp::<String>(typing).is_some()) {
        return type_value(ui, setting, &name, typing, rect);
    }
    let value_click = ui.interact(value_rect, response.id.with("value"), Sense::CLICK);
    value_click.widget_info(|| {
        WidgetInfo::labeled(egui::Role::Button, true, format!("Type {name}, now {}", setting.show(value)))
    });
    let mut moved = gesture(ui, setting, &response, value);
    moved.let_go = let_go_menu(setting, &name, &response);
    moved.menu = menu_place(setting, &[&response, &value_click]);
    let wants_typing = value_click.clicked()
        || (response.has_focus() && ui.input(|i| i.key_pressed(Key::Enter)))
        || (response.clicked() && response.interact_pointer_pos().is_some_and(|p| value_rect.contains(p)));
    if wants_typing {
        ui.data_mut(|d| d.insert_temp(typing, setting.show(value)));
    }
    describe(ui, setting, &name, value, &response);
    paint(ui, setting, moved.value.unwrap_or(value), rect, &response);
    explain(ui, &response, setting.help());
    response.on_hover_text(format!(
        "{}\n{}. Double click: {}. Shift: finer.{}",
        setting.help(),
        setting.show(value),
        setting.show(setting.default()),
        by_hand_help(setting)
    ));
    moved
}

/// Where a click starts typing. egui also takes clicks a few points beside it, so it ends above the bar.
fn value_rect(rect: Rect) -> Rect {
    Rect::from_min_max(
        pos2(rect.left() + rect.width() * 0.5, rect.top()),
        pos2(rect.right(), rect.top() + 12.0),
    )
}

/// The gesture of this frame, as a new value.
fn gesture(ui: &Ui, setting: &dyn Described, response: &Response, value: f32) -> Moved {
    // egui calls a double click triple when some other click came shortly before
    if response.double_clicked() || response.triple_clicked() {
        return Moved::at_once(setting.default());
    }
    let shift = ui.input(|i| i.modifiers.shift);
    let fine = if shift { FINE } else { 1.0 };
    // the travel is kept while the control is held: whole numbers are rounded, and slow drags would be lost
    let travel_id = response.id.with("travel");
    let mut moved = Moved::default();
    if response.drag_started() {
        moved.began = true;
        ui.data_mut(|d| d.insert_temp(travel_id, setting.to_travel(value)));
    }
    if response.dragged() {
        let before: f32 = ui.data(|d| d.get_temp(travel_id)).unwrap_or_else(|| setting.to_travel(value));
        let delta = response.drag_delta();
        let after = (before + (delta.x - delta.y) * DRAG * fine).clamp(0.0, 1.0);
        ui.data_mut(|d| d.insert_temp(travel_id, after));
        let new = setting.at_travel(after);
        moved.value = (new != value).then_some(new);
    }
    if response.drag_stopped() {
        moved.ended = true;
    }
    if moved != Moved::default() {
        return moved;
    }
    if let Some(asked) = asked_by_accesskit(ui, response.id) {
        return Moved::at_once(setting.clamp(asked));
    }
    let steps = key_steps(ui, response) * KEY_TRAVEL * fine + scroll_steps(ui, response) * fine;
    if steps != 0.0 {
        let new = stepped(setting, value, steps);
        if new != value {
            return Moved::at_once(new);
        }
    }
    moved
}

/// The value after moving by `travel`; whole numbers move by at least 1.
fn stepped(setting: &dyn Described, value: f32, travel: f32) -> f32 {
    let new = setting.at_travel(setting.to_travel(value) + travel);
    if new == value
        && matches!(setting.unit(), kitwright_core::settings::Unit::Count)
        && travel.abs() >= KEY_TRAVEL * 0.99
    {
        return setting.clamp(value + travel.signum());
    }
    new
}

fn asked_by_accesskit(ui: &Ui, id: Id) -> Option<f32> {
    ui.input(|i| {
        i.accesskit_action_requests(id, accesskit::Action::SetValue)
            .filter_map(|r| match r.data {
                Some(accesskit::ActionData::NumericValue(v)) => Some(v as f32),
                _ => None,
            })
            .last()
    })
}

fn key_steps(ui: &Ui, response: &Response) -> f32 {
    let mut steps = 0.0;
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..Default::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
        steps += ui.input(|i| {
            let up = i.num_presses(Key::ArrowRight)
                + i.num_presses(Key::ArrowUp)
                + 10 * i.num_presses(Key::PageUp);
            let down = i.num_presses(Key::ArrowLeft)
                + i.num_presses(Key::ArrowDown)
                + 10 * i.num_presses(Key::PageDown);
            up as f32 - down as f32
        });
    }
    steps
        + ui.input(|i| {
            i.num_accesskit_action_requests(response.id, accesskit::Action::Increment) as f32
                - i.num_accesskit_action_requests(response.id, accesskit::Action::Decrement) as f32
        })
}

fn scroll_steps(ui: &Ui, response: &Response) -> f32 {
    if !response.hovered() {
        return 0.0;
    }
    // consumed, so that the list around it does not scroll as well
    let delta = ui.input_mut(|i| std::mem::take(&mut i.smooth_scroll_delta));
    (delta.x + delta.y) * SCROLL
}

fn describe(ui: &Ui, setting: &dyn Described, name: &str, value: f32, response: &Response) {
    response.widget_info(|| WidgetInfo::slider(ui.is_enabled(), f64::from(value), name));
    let [min, max] = setting.bounds();
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_min_numeric_value(f64::from(min));
        node.set_max_numeric_value(f64::from(max));
        node.set_value(setting.show(value));
        node.add_action(accesskit::Action::SetValue);
        node.add_action(accesskit::Action::Increment);
        node.add_action(accesskit::Action::Decrement);
    });
}

fn paint(ui: &Ui, setting: &dyn Described, value: f32, rect: Rect, response: &Response) {
    let painter = ui.painter();
    let held = response.dragged();
    let shown = setting.show(value);
    let right = text_in(
        painter,
        rect.right_top(),
        Align2::RIGHT_TOP,
        &shown,
        theme::small(),
        if held { theme::ACCENT } else { theme::TEXT },
        rect.width() * 0.6,
    );
    caption(painter, rect, setting, right.left() - rect.left() - 4.0);
    let bar = Rect::from_min_max(pos2(rect.left(), rect.top() + 20.0), pos2(rect.right(), rect.top() + 30.0));
    painter.rect_filled(bar, theme::ROUND, theme::INSET);
    let x = |travel: f32| bar.left() + travel * bar.width();
    let [min, max] = setting.bounds();
    let origin = if min < 0.0 && max > 0.0 { setting.to_travel(0.0) } else { 0.0 };
    let at = setting.to_travel(value);
    let (from, to) = (origin.min(at), origin.max(at));
    let fill =
        if held || response.has_focus() || response.hovered() { theme::ACCENT } else { theme::TEXT_DIM };
    painter.rect_filled(
        Rect::from_min_max(pos2(x(from), bar.top() + 3.0), pos2(x(to), bar.bottom() - 3.0)),
        0,
        fill,
    );
    let default = x(setting.to_travel(setting.default()));
    painter.vline(default, (bar.bottom() - 1.0)..=(bar.bottom() + 3.0), (1.0, theme::TEXT_DIM));
    painter.rect_filled(
        Rect::from_center_size(
            pos2(x(at).clamp(bar.left() + 1.5, bar.right() - 1.5), bar.center().y),
            vec2(3.0, 12.0),
        ),
        1,
        theme::TEXT,
    );
    focus_edge(painter, rect, response);
}

/// A text field for the value: Enter takes it, Escape or a click elsewhere discards it.
fn type_value(ui: &mut Ui, setting: &dyn Described, name: &str, typing: Id, rect: Rect) -> Moved {
    let mut text: String = ui.data(|d| d.get_temp(typing)).unwrap_or_default();
    let read = setting.read(&text);
    let edge = if read.is_some() { theme::ACCENT } else { theme::ERROR };
    caption(ui.painter(), rect, setting, rect.width());
    let field = Rect::from_min_max(pos2(rect.left(), rect.top() + 14.0), rect.max);
    let edit_id = typing.with("field");
    let response = ui
        .put(field, TextEdit::singleline(&mut text).id(edit_id).font(theme::small()).text_color(theme::TEXT));
    ui.painter().rect_stroke(field, theme::ROUND, (1.0, edge), egui::StrokeKind::Inside);
    let response = response
        .on_hover_text("Type a value such as \"-5 st\", \"250 Hz\", \"1k2\" or \"50 %\"; Enter takes it.");
    response.widget_info(|| WidgetInfo::labeled(egui::Role::TextInput, true, format!("{name} value")));
    let first = typing.with("first");
    if ui.data_mut(|d| d.get_temp::<bool>(first).is_none()) {
        ui.data_mut(|d| d.insert_temp(first, true));
        response.request_focus();
        select_all(ui, edit_id, text.chars().count());
    }
    let enter = ui.input(|i| i.key_pressed(Key::Enter));
    let over = response.lost_focus() || ui.input(|i| i.key_pressed(Key::Escape));
    if over && enter && read.is_none() {
        // an invalid text stays open, so that it can be corrected
        response.request_focus();
    } else if over {
        ui.data_mut(|d| {
            d.remove_temp::<String>(typing);
            d.remove_temp::<bool>(first);
        });
        return match read {
            Some(value) if enter => Moved::at_once(value),
            _ => Moved::default(),
        };
    }
    ui.data_mut(|d| d.insert_temp(typing, text));
    Moved::default()
}
