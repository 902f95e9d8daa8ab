//! What the host says: the track that the plugin is on, and what it does with trims.

use super::{frame_context::FrameContext, theme, trims::Trim, widgets};
use egui::{Align2, Color32, Rect, Role, Sense, Ui, WidgetInfo, vec2};
use kitwright_core::settings::Setting;

/// Width of the track's name, at most.
const TRACK_WIDTH: f32 = 130.0;
/// Side of a square in the host's colour.
const SQUARE: f32 = 9.0;

/// Shows the track's name and colour, where the host has told them.
pub(super) fn track(ui: &mut Ui, cx: &FrameContext<'_>) {
    let Some(track) = cx.trims.track() else { return };
    let name = if track.name.is_empty() { "this track" } else { &track.name };
    told(ui, track.colour, name, &format!("Track of the host: {name}"), TRACK_WIDTH);
}

/// Shows which of a table's trims the host has mapped or automates; nothing where there is none.
pub(super) fn indications<T>(
    ui: &mut Ui,
    table: &'static [Setting<T>],
    cx: &FrameContext<'_>,
    trim: impl Fn(usize) -> Trim,
) {
    let all = table.iter().enumerate().filter_map(|(i, s)| Some((s.name, cx.trims.indication(trim(i))?)));
    let all: Vec<_> = all.collect();
    if all.is_empty() {
        return;
    }
    ui.horizontal_wrapped(|ui| {
        for (name, indication) in all {
            let text = format!("{name}: {}", indication.words);
            told(ui, indication.colour, &text, &format!("In the host, {text}"), 260.0);
        }
    });
}

/// A square in the host's colour and words after it.
fn told(ui: &mut Ui, colour: Option<[u8; 3]>, text: &str, name: &str, width: f32) {
    let font = theme::small();
    let ink = theme::TEXT_DIM;
    let needed = ui.painter().layout_no_wrap(text.to_owned(), font.clone(), ink).size().x;
    let width = needed.min(width);
    let (place, response) = ui.allocate_exact_size(vec2(SQUARE + 6.0 + width + 8.0, 18.0), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, name));
    let square = Rect::from_center_size(place.left_center() + vec2(SQUARE / 2.0, 0.0), vec2(SQUARE, SQUARE));
    let fill = colour.map_or(theme::BORDER, |[r, g, b]| Color32::from_rgb(r, g, b));
    ui.painter().rect_filled(square, 1, fill);
    let at = place.left_center() + vec2(SQUARE + 6.0, 0.0);
    widgets::text_in(ui.painter(), at, Align2::LEFT_CENTER, text, font, ink, width + 1.0);
    response.on_hover_text(name);
}
