//! A drawn keyboard that plays while it is pressed.

use super::{theme, widgets};
use egui::{Align2, EventFilter, Key, Pos2, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::music::{is_black, note_name};

/// Height of the keyboard.
const HEIGHT: f32 = 52.0;
/// Height of a black key, as a share.
const BLACK: f32 = 0.6;

/// What of a keyboard is kept between frames.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct PianoState {
    /// The key that the keyboard's arrows have chosen; `None`: the middle one.
    pub chosen: Option<u8>,
}

/// Shows the keys `low..=high`; returns the one that is held down, by the pointer or by Space and Enter.
pub fn show(
    ui: &mut Ui,
    state: &mut PianoState,
    name: &str,
    [low, high]: [u8; 2],
    held: Option<u8>,
) -> Option<u8> {
    let (rect, response) =
        ui.allocate_exact_size(vec2(ui.available_width().min(640.0), HEIGHT), Sense::click_and_drag());
    let chosen = state.chosen.unwrap_or(low.midpoint(high)).clamp(low, high);
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, name));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(note_name(chosen)));
    let keys = places(rect, low, high);
    let mut pressed = None;
    if response.is_pointer_button_down_on() {
        pressed = ui.input(|i| i.pointer.interact_pos()).and_then(|at| key_at(&keys, at));
        state.chosen = pressed.or(state.chosen);
    } else if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, ..Default::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
        let down = |key| ui.input(|i| i.key_down(key));
        let pressed_now = |key| ui.input(|i| i.key_pressed(key));
        let step = i16::from(pressed_now(Key::ArrowRight)) - i16::from(pressed_now(Key::ArrowLeft));
        let next = (i16::from(chosen) + step).clamp(i16::from(low), i16::from(high)) as u8;
        state.chosen = Some(next);
        let tapped = pressed_now(Key::Space) || pressed_now(Key::Enter);
        pressed = (tapped || down(Key::Space) || down(Key::Enter)).then_some(next);
    }
    let lit = pressed.or(held);
    let painter = ui.painter_at(rect.expand(2.0));
    for black in [false, true] {
        for &(note, key) in keys.iter().filter(|(note, _)| is_black(*note) == black) {
            let fill = match (lit == Some(note), black) {
                (true, _) => theme::SOUND,
                (false, true) => theme::INSET,
                (false, false) => theme::WHITE_KEY,
            };
            let round = egui::CornerRadius { nw: 0, ne: 0, sw: 4, se: 4 };
            painter.rect_filled(key.shrink2(vec2(0.5, 0.0)), round, fill);
            if note % 12 == 0 || (response.has_focus() && note == chosen) {
                let ink = if black && lit != Some(note) { theme::TEXT } else { theme::ON_ACCENT };
                let at = key.center_bottom() - vec2(0.0, 2.0);
                painter.text(at, Align2::CENTER_BOTTOM, note_name(note), theme::small(), ink);
            }
        }
    }
    widgets::focus_edge(&painter, rect, &response);
    let help =
        "Press a key to hear it; it sounds until it is let go. By the keyboard: arrows choose, Space plays.";
    widgets::explained(ui, response, help);
    pressed
}

/// Each key with its place: white ones side by side, black ones over their seams.
fn places(rect: Rect, low: u8, high: u8) -> Vec<(u8, Rect)> {
    let whites = (low..=high).filter(|n| !is_black(*n)).count().max(1);
    let width = rect.width() / whites as f32;
    let mut left = rect.left();
    (low..=high)
        .map(|note| {
            if is_black(note) {
                let at = pos2(left - width * 0.3, rect.top());
                return (
                    note,
                    Rect::from_min_size(at, vec2(width * 0.6, rect.height() * BLACK)).intersect(rect),
                );
            }
            let key = Rect::from_min_size(pos2(left, rect.top()), vec2(width, rect.height()));
            left += width;
            (note, key)
        })
        .collect()
}

fn key_at(keys: &[(u8, Rect)], at: Pos2) -> Option<u8> {
    let of = |black| keys.iter().find(|(note, key)| is_black(*note) == black && key.contains(at));
    of(true).or_else(|| of(false)).map(|k| k.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_fill_the_width_and_black_ones_lie_over_white_ones() {
        let rect = Rect::from_min_size(Pos2::ZERO, vec2(140.0, 50.0));
        let keys = places(rect, 48, 59);
        assert_eq!(keys.len(), 12);
        assert_eq!(key_at(&keys, pos2(10.0, 45.0)), Some(48));
        assert_eq!(key_at(&keys, pos2(19.0, 10.0)), Some(49), "above the seam");
        assert_eq!(key_at(&keys, pos2(19.0, 45.0)), Some(48), "below the black key");
        assert_eq!(key_at(&keys, pos2(135.0, 45.0)), Some(59));
        assert_eq!(key_at(&keys, pos2(135.0, 60.0)), None);
    }
}
