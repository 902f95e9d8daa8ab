//! The controls of the window.

mod choice;
mod described;
mod explain;
mod paint;
mod slider;
mod text_field;

pub use choice::{choice, switch};
pub use described::{CONTROL_HEIGHT, CONTROL_WIDTH, Described, Moved};
pub use explain::{explained, take_help};
pub use paint::{focus_edge, text_in};
pub use slider::slider;
pub use text_field::select_all;

use super::theme;
use egui::{Button, Response, RichText, Role, Ui, WidgetInfo, vec2};
use kitwright_core::settings::Unit;

/// Width up to which controls grow where there is room to spare.
const CONTROL_WIDE: f32 = 220.0;

/// The control that fits the setting's unit. `owner` completes its accessible name: "pad 3 layer 1".
pub fn control(ui: &mut Ui, setting: &dyn Described, owner: &str, value: f32, width: f32) -> Moved {
    match setting.unit() {
        Unit::Switch => switch(ui, setting, owner, value, width),
        Unit::Choice(words) => choice(ui, setting, owner, value, words, width),
        _ => slider(ui, setting, owner, value, width),
    }
}

/// Controls for a whole table in a wrapping grid; calls back with the index and the movement of each moved one.
pub fn grid<'a>(
    ui: &mut Ui,
    owner: &str,
    settings: impl Iterator<Item = (usize, &'a dyn Described, f32)>,
    mut moved: impl FnMut(usize, Moved),
) {
    let settings: Vec<_> = settings.collect();
    let width = control_width(ui.available_width(), ui.clip_rect().height(), settings.len());
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(theme::GAP * 2.0, theme::GAP);
        for (index, setting, value) in settings {
            let m = control(ui, setting, owner, value, width);
            if m != Moved::default() {
                moved(index, m);
            }
        }
    });
}

/// Width of controls so that columns fill `available`: as many columns as `count` controls need to stay within
/// `height`, and wide controls rather than empty lines below.
fn control_width(available: f32, height: f32, count: usize) -> f32 {
    let gap = theme::GAP * 2.0;
    let columns = |width: f32| (available + gap) / (width + gap);
    let rows = ((height + theme::GAP) / (CONTROL_HEIGHT + theme::GAP)).floor().max(1.0);
    let needed = (count as f32 / rows).ceil();
    let columns = columns(CONTROL_WIDE).ceil().max(needed).min(columns(CONTROL_WIDTH).floor()).max(1.0);
    ((available + gap) / columns - gap - 0.5).max(60.0)
}

/// A quiet button with a tooltip: a word, with a box while the pointer or the focus is on it. `name` is its accessible
/// name where the text alone does not say enough.
pub fn button(ui: &mut Ui, text: &str, name: &str, help: &str) -> Response {
    let button = Button::new(text).frame_when_inactive(false).min_size(vec2(0.0, theme::TARGET));
    let response = named(ui.add(button), Role::Button, name);
    explained(ui, response, help)
}

/// A button with a box, for a choice of equals.
pub fn solid(ui: &mut Ui, text: &str, name: &str, help: &str) -> Response {
    let button = Button::new(text).fill(theme::RAISED).min_size(vec2(0.0, theme::TARGET));
    let response = named(ui.add(button), Role::Button, name);
    explained(ui, response, help)
}

/// The button of the next sensible thing: at most one light one is shown at a time.
pub fn primary(ui: &mut Ui, text: &str, name: &str, help: &str) -> Response {
    let text = RichText::new(text).color(theme::ON_ACCENT);
    let button = Button::new(text).fill(theme::ACCENT).min_size(vec2(0.0, theme::TARGET));
    let response = named(ui.add(button), Role::Button, name);
    explained(ui, response, help)
}

/// A button that stays pressed: a box and an edge show it as well as the colour, and screen readers are told.
pub fn toggle(ui: &mut Ui, on: bool, text: &str, name: &str, help: &str) -> Response {
    let text = RichText::new(text).color(if on { theme::TEXT } else { theme::TEXT_DIM });
    let button = Button::new(text).min_size(vec2(0.0, theme::TARGET));
    let button = if on {
        button.fill(theme::HOVERED).stroke(egui::Stroke::new(1.0, theme::TEXT))
    } else {
        button.frame_when_inactive(false)
    };
    let response = ui.add(button);
    response.widget_info(|| WidgetInfo::selected(Role::Switch, true, on, name));
    explained(ui, response, help)
}

/// Gives a control its accessible name.
pub fn named(response: Response, role: Role, name: &str) -> Response {
    let enabled = response.enabled();
    response.widget_info(|| WidgetInfo::labeled(role, enabled, name));
    response
}
