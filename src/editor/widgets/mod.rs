//! The controls of the window.

mod choice;
mod described;
mod paint;
mod slider;

pub use choice::{choice, switch};
pub use described::{CONTROL_HEIGHT, CONTROL_WIDTH, Described, Moved};
pub use paint::{focus_edge, text_in};
pub use slider::slider;

use super::theme;
use egui::{Button, Color32, Painter, Pos2, Response, RichText, Role, Ui, WidgetInfo, vec2};
use kitwright_core::settings::{Setting, Unit};

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

/// Controls for a whole table of settings of `now`; calls back with each setting that was given a value.
pub fn table<T>(
    ui: &mut Ui,
    owner: &str,
    table: &'static [Setting<T>],
    now: &T,
    mut moved: impl FnMut(&'static Setting<T>, f32),
) {
    let rows = table.iter().enumerate().map(|(i, s)| (i, s as &dyn Described, (s.get)(now)));
    grid(ui, owner, rows, |i, m| {
        if let Some(value) = m.value {
            moved(&table[i], value);
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

/// A button with a tooltip; `name` is its accessible name where the text alone does not say enough.
pub fn button(ui: &mut Ui, text: &str, name: &str, help: &str) -> Response {
    named(ui.add(Button::new(text)), Role::Button, name).on_hover_text(help)
}

/// A button that stays pressed; strong text shows the state as well, and screen readers are told.
pub fn toggle(ui: &mut Ui, on: bool, text: &str, name: &str, help: &str) -> Response {
    let (fill, ink) = if on { (theme::ACCENT, theme::ON_ACCENT) } else { (theme::RAISED, theme::TEXT) };
    let text = RichText::new(text).color(ink);
    let text = if on { text.strong() } else { text };
    let response = ui.add(Button::new(text).fill(fill));
    response.widget_info(|| WidgetInfo::selected(Role::Switch, true, on, name));
    response.on_hover_text(help)
}

/// Gives a control its accessible name.
pub fn named(response: Response, role: Role, name: &str) -> Response {
    let enabled = response.enabled();
    response.widget_info(|| WidgetInfo::labeled(role, enabled, name));
    response
}

/// A small arrow pointing right, between the steps of a path.
pub fn arrow(painter: &Painter, centre: Pos2, colour: Color32) {
    let h = 4.0;
    painter.line(
        vec![centre + vec2(-h * 0.6, -h), centre + vec2(h * 0.6, 0.0), centre + vec2(-h * 0.6, h)],
        (1.5, colour),
    );
}
