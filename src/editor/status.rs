//! The status line: recording, work, errors and messages, always in the same place and of the same height.

use super::{frame_context::FrameContext, groove_view, header, host_facts, record, theme, widgets};
use egui::{Align2, OpenUrl, Rect, RichText, Role, Sense, Ui, UiBuilder, WidgetInfo, vec2};
use kitwright_core::{
    error::{Error, without_codes},
    session::JobState,
};
use std::path::Path;

/// Height of the line.
pub(super) const HEIGHT: f32 = 28.0;
/// Share of the line that explains what is under the pointer.
const HELP_SHARE: f32 = 0.42;
/// Width that the groove takes in a narrow window.
const GROOVE_ROOM: f32 = 200.0;
/// Width of what a job says of itself.
const STEP_WIDTH: f32 = 190.0;
/// Width of the bar of a job.
const BAR_WIDTH: f32 = 120.0;

/// Shows the line in `rect`; `side_peak` is the level of the side input, a gain.
pub(super) fn show(ui: &mut Ui, rect: Rect, side_peak: f32, cx: &mut FrameContext<'_>) {
    ui.painter().rect_filled(rect, 0, theme::SURFACE);
    let busy = cx.session.recording().is_some() || cx.session.job().is_some() || cx.session.error().is_some();
    // work and errors need the room
    let help = widgets::take_help(ui).filter(|_| !busy);
    let narrow = rect.width() < header::GROOVE_WIDTH && !cx.kit.takes.is_empty();
    let room = if narrow { GROOVE_ROOM } else { 0.0 };
    let (left, right) = rect.split_left_right_at_x(rect.right() - room);
    let (left, middle) =
        left.split_left_right_at_x(left.right() - if busy { 0.0 } else { left.width() * HELP_SHARE });
    ui.scope_builder(UiBuilder::new().id_salt("messages").max_rect(left), |ui| {
        ui.set_clip_rect(left);
        ui.horizontal_centered(|ui| messages(ui, side_peak, cx));
    });
    if let Some(help) = help {
        let at = middle.right_center() - vec2(12.0, 0.0);
        let (align, font, ink) = (Align2::RIGHT_CENTER, theme::small(), theme::TEXT_DIM);
        widgets::text_in(ui.painter(), at, align, &help, font, ink, middle.width() - 24.0);
    }
    if narrow {
        ui.scope_builder(UiBuilder::new().id_salt("groove").max_rect(right), |ui| {
            ui.horizontal_centered(|ui| groove_view::show(ui, cx));
        });
    }
}

/// Recording, work, error or message.
fn messages(ui: &mut Ui, side_peak: f32, cx: &FrameContext<'_>) {
    ui.add_space(12.0);
    host_facts::track(ui, cx);
    let recording = cx.session.recording();
    if let Some(recording) = recording {
        record::line(ui, side_peak, cx, recording);
        ui.ctx().request_repaint_after(std::time::Duration::from_millis(50));
    }
    let job = cx.session.job();
    if let Some(job) = &job {
        show_job(ui, cx, job);
        ui.ctx().request_repaint_after(std::time::Duration::from_millis(100));
    }
    match cx.session.error() {
        Some(error) => show_error(ui, cx, &error),
        None if job.is_none() && recording.is_none() => message(ui, cx),
        None => {}
    }
}

/// The running job with its progress.
fn show_job(ui: &mut Ui, cx: &FrameContext<'_>, job: &JobState) {
    // of fixed width, so that the button stays in its place
    let (place, response) = ui.allocate_exact_size(vec2(STEP_WIDTH, 20.0), Sense::hover());
    let words = format!("{}: {:.0} %", job.step, job.done * 100.0);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    announce(ui, &response);
    let (at, font) = (place.left_center(), theme::small());
    widgets::text_in(ui.painter(), at, Align2::LEFT_CENTER, &words, font, theme::TEXT, place.width());
    let (bar, response) = ui.allocate_exact_size(vec2(BAR_WIDTH, 4.0), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::ProgressIndicator, true, "Progress of the work"));
    ui.painter().rect_filled(bar, 2, theme::INSET);
    let done = Rect::from_min_size(bar.min, vec2(bar.width() * job.done.clamp(0.0, 1.0), bar.height()));
    ui.painter().rect_filled(done, 2, theme::SOUND);
    let help = "Stops it; what is shown already stays.";
    if widgets::button(ui, "Cancel", "Cancel the work", help).clicked() {
        cx.session.cancel();
    }
}

/// The last error, until it is dismissed or the next thing succeeds.
fn show_error(ui: &mut Ui, cx: &FrameContext<'_>, error: &Error) {
    if widgets::button(ui, "Dismiss", "Dismiss the message", "Hides this message.").clicked() {
        cx.session.dismiss_error();
    }
    let text = without_codes(&error.to_string());
    let shown = RichText::new(&text).font(theme::small()).color(theme::ERROR);
    let label = ui.add(egui::Label::new(shown).truncate());
    announce(ui, &label);
    label.on_hover_text(text);
}

/// What can be done with a file that was written: its path goes to the clipboard, its folder is shown.
fn written_tools(ui: &mut Ui, path: &Path) {
    let help = "Puts the path on the clipboard, to paste it into a file dialog or a host.";
    if widgets::button(ui, "Copy path", "Copy the path of the file", help).clicked() {
        ui.ctx().copy_text(path.display().to_string());
    }
    let folder = if path.is_dir() { Some(path) } else { path.parent() };
    let help = "Shows it in the system's file manager, to drag it from there.";
    if let Some(folder) = folder
        && widgets::button(ui, "Open folder", "Open the folder of the file", help).clicked()
    {
        ui.ctx().open_url(OpenUrl::same_tab(format!("file://{}", folder.display())));
    }
}

fn message(ui: &mut Ui, cx: &FrameContext<'_>) {
    let note = cx.session.note();
    let empty =
        cx.kit.takes.is_empty().then(|| "New sounds begin at a modest level. Mind your ears.".to_owned());
    if let Some(text) = note.or(empty) {
        // before the sentence, which may be long
        if let Some(path) = cx.readings.written.as_ref().filter(|p| text.contains(&*p.display().to_string()))
        {
            written_tools(ui, path);
        }
        let shown = RichText::new(&text).font(theme::small()).color(theme::TEXT_DIM);
        let label = ui.add(egui::Label::new(shown).truncate());
        announce(ui, &label);
        label.on_hover_text(text);
    }
}

/// Screen readers say what appears here.
fn announce(ui: &Ui, response: &egui::Response) {
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_live(egui::accesskit::Live::Polite));
}
