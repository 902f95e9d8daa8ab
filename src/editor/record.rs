//! Recording the side input: the button, and the line shown while it runs.

use super::{frame_context::FrameContext, theme, widgets};
use egui::{Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    session::{MAX_RECORDING_SECONDS, Recording},
    units::gain_to_db,
};

/// Lowest level that the meter shows, dB.
const SIDE_METER_FLOOR_DB: f32 = -60.0;

/// The button that begins a recording.
pub(super) fn button(ui: &mut Ui, text: &str, cx: &FrameContext<'_>) {
    let ready = cx.session.meters().is_some();
    let help = format!(
        "Records the side input, at most {} min, into a take. Send a track to it in the host first.",
        MAX_RECORDING_SECONDS / 60
    );
    let none = "Nothing plays this plugin at the moment, so there is no side input to record.";
    let button = ui.add_enabled(ready, egui::Button::new(text).fill(theme::RAISED));
    let button = widgets::named(button, Role::Button, "Record the side input");
    if button.on_hover_text(help).on_disabled_hover_text(none).clicked() {
        cx.session.record(cx.kit.doc.fit);
    }
}

/// The line of a running recording: length, level (`peak`, a gain), and buttons to end it.
pub(super) fn line(ui: &mut Ui, peak: f32, cx: &FrameContext<'_>, now: Recording) {
    let (dot, _) = ui.allocate_exact_size(vec2(12.0, 12.0), Sense::hover());
    ui.painter().circle_filled(dot.center(), 5.0, theme::ERROR);
    ui.label(RichText::new(format!("Recording the side input: {}", time(now.seconds))).strong());
    level(ui, peak);
    if widgets::button(ui, "Stop", "Stop the recording", "Ends it and detects its hits: one more take.")
        .clicked()
    {
        cx.session.stop_recording();
    }
    if widgets::button(ui, "Discard", "Discard the recording", "Ends it and deletes it.").clicked() {
        cx.session.discard_recording();
    }
    if now.lost_seconds > 0.0 {
        let text = format!("{:.0} ms lost: the machine stalled", now.lost_seconds * 1000.0);
        ui.label(RichText::new(text).color(theme::ERROR));
    }
}

fn level(ui: &mut Ui, peak: f32) {
    let (rect, response) = ui.allocate_exact_size(vec2(120.0, 10.0), Sense::hover());
    let db = if peak > 0.0 { gain_to_db(peak) } else { SIDE_METER_FLOOR_DB };
    let words = if db <= SIDE_METER_FLOOR_DB { "silent".to_owned() } else { format!("{db:.0} dB") };
    response
        .widget_info(|| WidgetInfo::labeled(Role::Meter, true, format!("Level of the side input: {words}")));
    ui.painter().rect_filled(rect, 1, theme::INSET);
    let share = ((db - SIDE_METER_FLOOR_DB) / -SIDE_METER_FLOOR_DB).clamp(0.0, 1.0);
    let filled = Rect::from_min_max(rect.min, pos2(rect.left() + share * rect.width(), rect.bottom()));
    ui.painter().rect_filled(filled, 1, if db > -0.5 { theme::ERROR } else { theme::SOUND });
    ui.label(RichText::new(words).font(theme::small()).color(theme::TEXT));
}

fn time(seconds: f32) -> String {
    let whole = seconds.max(0.0) as u32;
    let tenth = ((seconds - whole as f32) * 10.0).clamp(0.0, 9.0) as u32;
    match whole / 60 {
        0 => format!("{whole}.{tenth} s"),
        minutes => format!("{minutes} min {:02}.{tenth} s", whole % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_minutes_seconds_and_tenths() {
        assert_eq!(time(0.0), "0.0 s");
        assert_eq!(time(9.96), "9.9 s");
        assert_eq!(time(75.25), "1 min 15.2 s");
    }
}
