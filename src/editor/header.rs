//! The top line: the kit's name, files, undo, the kit's fit, zoom; below it progress and errors.

use super::{
    compare::Compare, file_browser::FilePurpose, fit_control::FitControl, frame_context::FrameContext,
    memory::Memory, pad_editor::reductions, theme, trim_grid, trims::Trim, widgets,
};
use egui::{
    Align, Align2, Color32, Key, Layout, Modifiers, Popup, Rect, RichText, Role, ScrollArea, TextEdit, Ui,
    WidgetInfo, vec2,
};
use kitwright_core::{error::Error, kit::Kit, settings::KIT_TRIMS};

/// Height of the top line.
pub const HEIGHT: f32 = 44.0;
/// Height of a line of progress, recording or error.
pub const NOTICE: f32 = 30.0;

/// What the top line keeps between frames.
#[derive(Debug, Default)]
pub struct Header {
    /// The fit of the whole kit.
    fit: FitControl,
    /// A and B of the kit.
    compare: Compare<Kit>,
    /// The About box is open.
    pub(super) about: bool,
    /// The box with the kit's own trims is open.
    output: bool,
}

impl Header {
    /// Once a frame, shown or not: starts the shaping for a moved fit.
    pub fn begin_frame(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        self.fit.start_when_rested(ui, cx);
    }

    /// Forgets the versions of another kit.
    pub fn forget_kit(&mut self) {
        self.compare = Compare::default();
    }

    /// The window closes: the versions stay.
    pub fn close(&mut self) {
        *self = Self { compare: std::mem::take(&mut self.compare), ..Self::default() };
    }
}

/// Shows the top line in `rect`.
pub fn show(ui: &mut Ui, rect: Rect, view: &mut Header, memory: &mut Memory, cx: &mut FrameContext<'_>) {
    ui.painter().rect_filled(rect, 0, theme::SURFACE);
    ui.spacing_mut().item_spacing.x = 5.0;
    ui.add_space(8.0);
    name(ui, cx);
    files(ui, cx);
    ui.separator();
    steps(ui, cx);
    ui.separator();
    view.fit.slider(ui, cx, None, 88.0);
    let side = view.compare.side();
    let help = "Switches between two versions of the whole kit; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Kit {side}"), "A or B of the kit", help).clicked()
        && let Some(other) = view.compare.switch(&cx.kit)
    {
        cx.session.edit("kit A or B", |kit| *kit = other);
    }
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        ui.add_space(8.0);
        if widgets::button(
            ui,
            "About",
            "About Kitwright",
            "The version, the keys, and how to protect your hearing.",
        )
        .clicked()
        {
            view.about = true;
        }
        zoom(ui, memory);
        view.output |= output_button(ui, cx);
        main_meter(ui, cx);
    });
}

/// Width that the rest of the line needs, and maximum width of the name.
const BESIDE_NAME: f32 = 796.0;
const MAX_NAME_WIDTH: f32 = 260.0;

/// The kit's name; a long one is shown with an ellipsis until it is edited.
fn name(ui: &mut Ui, cx: &FrameContext<'_>) {
    let mut text = cx.kit.doc.name.clone();
    let width = (ui.ctx().content_rect().width() - BESIDE_NAME).clamp(100.0, MAX_NAME_WIDTH);
    let id = ui.scope_id().with("kit name");
    let typing = ui.memory(|m| m.has_focus(id));
    let ink = theme::TEXT;
    let galley = ui.painter().layout_no_wrap(text.clone(), theme::body(), ink);
    // the width within the field's margins
    let cut = !typing && galley.size().x > width - 18.0;
    let shown = if cut { Color32::TRANSPARENT } else { ink };
    let edit = TextEdit::singleline(&mut text).id(id).desired_width(width).char_limit(80).text_color(shown);
    let response = ui.add(edit);
    if cut {
        let at = response.rect.left_center() + vec2(4.0, 0.0);
        let width = response.rect.width() - 8.0;
        let align = Align2::LEFT_CENTER;
        widgets::text_in(ui.painter(), at, align, &cx.kit.doc.name, theme::body(), ink, width);
    }
    let response = response.on_hover_text(format!("The kit's name: {}", cx.kit.doc.name));
    response.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "Name of the kit"));
    if response.changed() {
        cx.session.edit("kit name", |kit| kit.doc.name = text);
    }
}

fn files(ui: &mut Ui, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.doc.name.clone();
    for (text, name, help, purpose, proposal) in [
        (
            "Open",
            "Open a recording or a kit",
            "A recording becomes a new kit; a kit file is loaded.",
            FilePurpose::Open,
            String::new(),
        ),
        (
            "Save",
            "Save the kit",
            "Writes the kit with its audio into one file.",
            FilePurpose::Save,
            format!("{kit}.kitwright"),
        ),
        (
            "Export",
            "Export the kit",
            "Writes WAV files, a groove, MIDI and a picture.",
            FilePurpose::Export,
            kit,
        ),
    ] {
        if widgets::button(ui, text, name, help).clicked() {
            cx.browse(purpose, &proposal);
        }
    }
}

/// Undo and redo by the keyboard, where the host lets its keys through.
pub(super) fn step_keys(ui: &Ui, cx: &FrameContext<'_>) {
    if ui.ctx().text_edit_focused() {
        return;
    }
    let pressed = |modifiers: Modifiers, key| ui.input_mut(|i| i.consume_key(modifiers, key));
    if pressed(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z) || pressed(Modifiers::COMMAND, Key::Y) {
        cx.session.redo();
    } else if pressed(Modifiers::COMMAND, Key::Z) {
        cx.session.undo();
    }
}

/// Undo and redo, as buttons because hosts often keep the keys, and the history.
fn steps(ui: &mut Ui, cx: &FrameContext<'_>) {
    let history = cx.session.undo_names();
    let last = history.first().map_or_else(|| "Nothing to undo.".into(), |s| format!("Undoes: {s}."));
    let undone = cx.session.redo_names();
    let next = undone.first().map_or_else(|| "Nothing to redo.".into(), |s| format!("Redoes: {s}."));
    let mut button = |name, on, help: &str| {
        let button = ui.add_enabled(on, egui::Button::new(name));
        widgets::named(button, Role::Button, name).on_hover_text(help).on_disabled_hover_text(help)
    };
    let undo = button("Undo", !history.is_empty(), &last);
    let redo = button("Redo", !undone.is_empty(), &next);
    if redo.clicked() {
        cx.session.redo();
    } else if undo.clicked() {
        cx.session.undo();
    }
    let list = widgets::button(
        ui,
        "History",
        "History of changes",
        "Every change, newest first; a click goes back to before it.",
    );
    Popup::menu(&list).width(260.0).show(|ui| {
        if history.is_empty() && undone.is_empty() {
            ui.label("Nothing has been changed yet.");
        }
        ScrollArea::vertical().max_height(320.0).show(ui, |ui| {
            for (i, step) in undone.iter().enumerate().rev() {
                let text = egui::RichText::new(format!("undone: {step}")).weak();
                let entry =
                    ui.selectable_label(false, text).on_hover_text("Redoes the changes up to this one.");
                entry.widget_info(|| WidgetInfo::labeled(Role::MenuItem, true, format!("Redo up to {step}")));
                if entry.clicked() {
                    (0..=i).for_each(|_| drop(cx.session.redo()));
                    ui.close();
                }
            }
            for (i, step) in history.iter().enumerate() {
                let entry = ui
                    .selectable_label(false, step.as_str())
                    .on_hover_text("Undoes this change and all newer ones.");
                entry.widget_info(|| WidgetInfo::labeled(Role::MenuItem, true, format!("Undo from {step}")));
                if entry.clicked() {
                    for _ in 0..=i {
                        cx.session.undo();
                    }
                    ui.close();
                }
            }
        });
    });
}

fn zoom(ui: &mut Ui, memory: &mut Memory) {
    let text = format!("{:.0} %", memory.zoom * 100.0);
    let response = widgets::button(ui, &text, "Zoom of the window", "Everything smaller or larger.");
    Popup::menu(&response).show(|ui| {
        for zoom in Memory::ZOOMS {
            let chosen = (zoom - memory.zoom).abs() < 0.01;
            let entry = ui.selectable_label(chosen, format!("{:.0} %", zoom * 100.0));
            entry.widget_info(|| {
                WidgetInfo::selected(Role::MenuItem, true, chosen, format!("Zoom {:.0} %", zoom * 100.0))
            });
            if entry.clicked() {
                memory.zoom = zoom;
                ui.close();
            }
        }
    });
}

/// The button that opens the kit's own trims, marked while the host moves one; returns whether it was pressed.
fn output_button(ui: &mut Ui, cx: &FrameContext<'_>) -> bool {
    let text = if cx.readings.automation.moving_of_kit() > 0 { "Output: host" } else { "Output" };
    let help = "Level, pitch, variation, velocity and the ceiling.";
    let response = widgets::button(ui, text, "Output of the kit", help);
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(text));
    response.clicked()
}

fn main_meter(ui: &mut Ui, cx: &FrameContext<'_>) {
    let (place, response) = ui.allocate_exact_size(vec2(58.0, 12.0), egui::Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Meter, true, "Level of the main output"));
    let left = place.left_center();
    ui.painter().text(left, Align2::LEFT_CENTER, "out", theme::small(), theme::TEXT_DIM);
    let rect = Rect::from_min_max(place.min + vec2(22.0, 1.0), place.max - vec2(0.0, 1.0));
    ui.painter().rect_filled(rect, 1, theme::INSET);
    let width = rect.width() * cx.readings.lights.main_share();
    let filled = Rect::from_min_size(rect.min, vec2(width, rect.height()));
    ui.painter().rect_filled(filled, 1, theme::SOUND);
    response.on_hover_text("Level of the main output; the right edge is full scale.");
}

/// The running job with its progress, in `rect`.
pub fn job(ui: &mut Ui, rect: Rect, cx: &FrameContext<'_>, step: &str, done: f32) {
    ui.painter().rect_filled(rect, 0, theme::RAISED);
    let bar = Rect::from_min_size(
        rect.left_bottom() - vec2(0.0, 3.0),
        vec2(rect.width() * done.clamp(0.0, 1.0), 3.0),
    );
    ui.painter().rect_filled(bar, 0, theme::ACCENT);
    ui.add_space(12.0);
    ui.label(format!("{step}: {:.0} %", done * 100.0));
    if widgets::button(ui, "Cancel", "Cancel the work", "Stops it; the kit stays as it is.").clicked() {
        cx.session.cancel();
    }
}

/// The last error, in `rect`, until it is dismissed.
pub fn error_line(ui: &mut Ui, rect: Rect, cx: &FrameContext<'_>, error: &Error) {
    ui.painter().rect_filled(rect, 0, theme::SURFACE);
    ui.painter().rect_filled(Rect::from_min_size(rect.min, vec2(4.0, rect.height())), 0, theme::ERROR);
    ui.add_space(12.0);
    if widgets::button(ui, "Dismiss", "Dismiss the message", "Hides this message.").clicked() {
        cx.session.dismiss_error();
    }
    let text = error.to_string();
    let label = ui.add(egui::Label::new(RichText::new(&text).color(theme::ERROR)).truncate());
    label.on_hover_text(text);
}

/// The key that the kit is tuned to, and a button to choose another; returns whether it was pressed.
fn tune_to_song(ui: &mut Ui, cx: &FrameContext<'_>) -> bool {
    let help = "Detects the key of a recording of your song and tunes the pads that have a pitch to it; their pitch falls \
                get short.";
    let pressed = widgets::button(ui, "Tune to a song", "Tune the kit to a song", help).clicked();
    let words = cx.kit.doc.key.map_or_else(|| "tuned to no key".to_owned(), |k| format!("tuned to {k}"));
    ui.label(RichText::new(words).color(theme::TEXT_DIM));
    let kick = cx.kit.doc.tune_kick;
    let help = "Whether tuning moves the kick as well, from the next tuning or casting on.";
    if widgets::toggle(ui, kick, "Kick too", "Tune the kick too", help).clicked() {
        cx.session.edit("tune the kick", |kit| kit.doc.tune_kick = !kick);
    }
    pressed
}

/// The kit's own trims, in a box; `ceiling_db` is the gain reduction of the main output.
pub fn output_box(ui: &Ui, view: &mut Header, ceiling_db: f32, cx: &mut FrameContext<'_>) {
    if !view.output {
        return;
    }
    let modal = theme::modal("kit settings").show(ui.ctx(), |ui| {
        ui.set_width(450.0);
        ui.label(RichText::new("Output of the kit").font(theme::title()));
        trim_grid::show(ui, "Kit trim", &KIT_TRIMS, cx, Trim::Kit);
        reductions::meter(ui, "the ceiling", ceiling_db);
        ui.add_space(theme::GAP);
        let song = ui.horizontal(|ui| tune_to_song(ui, cx)).inner;
        ui.add_space(theme::GAP);
        (song, widgets::button(ui, "Close", "Close the output", "Back to the kit.").clicked())
    });
    let (song, close) = modal.inner;
    if song {
        cx.browse(FilePurpose::Song, "");
    }
    if modal.should_close() || close || song {
        view.output = false;
    }
}
