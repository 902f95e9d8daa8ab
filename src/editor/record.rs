//! Recording the side input: the button, and the line shown while it runs.

use super::{frame_context::FrameContext, theme, widgets};
use egui::{Popup, PopupCloseBehavior, Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    error::Error,
    session::{CountIn, Job, KEPT_SECONDS, MAX_RECORDING_SECONDS, RecordOptions, Recording, RecordingPhase},
    units::gain_to_db,
};

/// Lowest level that the meter shows, dB.
const SIDE_METER_FLOOR_DB: f32 = -60.0;

/// How the window records, for as long as it is open.
#[derive(Debug, Clone, Copy, Default)]
struct RecordMode {
    count_in: bool,
    from_first_hit: bool,
    until_silence: bool,
}

impl RecordMode {
    fn id() -> egui::Id {
        egui::Id::unique("record mode")
    }

    fn options(self, cx: &FrameContext<'_>) -> RecordOptions {
        let tempo = cx.session.host_tempo().unwrap_or_else(|| cx.session.groove().tempo);
        RecordOptions {
            count_in: self.count_in.then_some(CountIn { beats: 4, tempo }),
            from_first_hit: self.from_first_hit,
            until_silence: self.until_silence,
        }
    }
}

/// The button that begins a recording.
pub(super) fn button(ui: &mut Ui, text: &str, cx: &FrameContext<'_>) {
    let ready = cx.session.meters().is_some();
    let help = format!(
        "Records the side input (sidechain), at most {} min, into a take. First route a host track to it.",
        MAX_RECORDING_SECONDS / 60
    );
    let none = "The host's audio is not running, so there is no side input to record.";
    let button = ui.add_enabled(ready, egui::Button::new(text).fill(theme::RAISED));
    let button = widgets::named(button, Role::Button, "Record the side input");
    if button.on_hover_text(help).on_disabled_hover_text(none).clicked() {
        let mode: RecordMode = ui.data(|d| d.get_temp(RecordMode::id())).unwrap_or_default();
        cx.session.record(cx.kit.doc.fit, mode.options(cx));
    }
}

/// The button beside it: how to record, keeping what nobody recorded, and the take an octave away. `take` is the one
/// that is shown.
pub(super) fn more_button(ui: &mut Ui, take: usize, cx: &FrameContext<'_>) {
    let help = "Count-in, first hit, silence; what was just played; the take an octave lower or higher.";
    let button = widgets::button(ui, "...", "How to record", help);
    let menu = Popup::menu(&button).close_behavior(PopupCloseBehavior::CloseOnClickOutside);
    menu.width(250.0).show(|ui| {
        let mut mode: RecordMode = ui.data(|d| d.get_temp(RecordMode::id())).unwrap_or_default();
        let help = "Four beats at the host's tempo, or the groove's.";
        switch(ui, &mut mode.count_in, "Count in", help);
        let help = "Waits, and begins 200 ms before the first hit.";
        switch(ui, &mut mode.from_first_hit, "Begin with the first hit", help);
        let help = "Ends by itself once nothing has come for four seconds.";
        switch(ui, &mut mode.until_silence, "End in silence", help);
        ui.data_mut(|d| d.insert_temp(RecordMode::id(), mode));
        ui.separator();
        let help = format!(
            "A take of what came in during the last {KEPT_SECONDS} s, from its first hit to its last."
        );
        let heard = cx.session.side_input_has_signal();
        ui.add_enabled_ui(heard, |ui| {
            let keep = widgets::button(ui, "Keep what was just played", "Keep what was just played", &help);
            if keep.on_disabled_hover_text("Nothing has come in at the side input yet.").clicked() {
                if !cx.session.keep_last(cx.kit.doc.fit) {
                    cx.session.report(Error::invalid(
                        "nothing loud enough came in at the side input; play louder, or turn the track up",
                    ));
                }
                ui.close();
            }
        });
        ui.separator();
        for (semitones, name) in [(-12.0, "Take an octave lower"), (12.0, "Take an octave higher")] {
            let help = "One more take: this one with its pitch moved and its timing kept.";
            if widgets::button(ui, name, name, help).clicked() {
                cx.session.start(Job::ShiftTake { take, semitones });
                ui.close();
            }
        }
    });
}

fn switch(ui: &mut Ui, on: &mut bool, name: &str, help: &str) {
    if widgets::toggle(ui, *on, name, name, help).clicked() {
        *on = !*on;
    }
}

/// The line of a running recording: length, level (`peak`, a gain), and buttons to end it.
pub(super) fn line(ui: &mut Ui, peak: f32, cx: &FrameContext<'_>, now: Recording) {
    let (dot, _) = ui.allocate_exact_size(vec2(12.0, 12.0), Sense::hover());
    ui.painter().circle_filled(dot.center(), 5.0, theme::ERROR);
    let words = match now.phase {
        RecordingPhase::CountIn => format!("Counting in: {}", time(now.seconds)),
        RecordingPhase::Waiting => "Waiting for the first hit".to_owned(),
        RecordingPhase::Running => format!("Recording the side input: {}", time(now.seconds)),
    };
    ui.label(RichText::new(words).strong());
    level(ui, peak);
    if cx.session.side_input_has_clipped() {
        let help =
            "The side input has reached full scale: turn the track down and record again. A click clears it.";
        let light = RichText::new("CLIP").color(theme::ERROR).strong();
        let button = widgets::named(ui.button(light), Role::Button, "The side input has clipped");
        if button.on_hover_text(help).clicked() {
            cx.session.clear_side_input_clip();
        }
    }
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
