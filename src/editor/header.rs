//! The top line: the kit's name, files, undo, the kit's fit, zoom.

use super::{
    compare::Compare, file_browser::FilePurpose, fit_control::FitControl, frame_context::FrameContext,
    groove_view, keys_box::KeysBox, pad_editor::reductions, stored_window::StoredWindow, theme, trim_grid,
    trims::Trim, unsaved, widgets,
};
use egui::{
    Align, Align2, Color32, Layout, Modifiers, Popup, Rect, RichText, Role, ScrollArea, TextEdit, Ui,
    WidgetInfo, vec2,
};
use kitwright_core::{
    kit::{Key, Kit, Mode},
    session::Job,
    settings::KIT_TRIMS,
};

/// Height of the top line, points.
pub const HEIGHT: f32 = 44.0;

/// What the top line keeps between frames.
#[derive(Debug, Default)]
pub struct Header {
    /// The fit of the whole kit.
    fit: FitControl,
    /// A and B of the kit.
    compare: Compare<Kit>,
    /// The kit was replaced by its other version since the last frame began.
    switched: bool,
    /// The About box is open.
    pub(super) about: bool,
    /// The box of the key parts is open.
    pub(super) keys: KeysBox,
    /// The box of the kit library is open.
    pub(super) library: bool,
    /// The box with the kit's own trims is open.
    output: bool,
    /// The first button of the line.
    pub(super) first: Option<egui::Id>,
}

impl Header {
    /// Once a frame, shown or not: starts the shaping for a moved fit.
    pub fn begin_frame(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        self.fit.start_when_rested(ui, cx);
    }

    /// Whether A or B was chosen since the last call: then the kit is another version and no other kit.
    pub fn take_switched(&mut self) -> bool {
        std::mem::take(&mut self.switched)
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

/// Width from which the fit of the whole kit has room in the line.
const WIDE: f32 = 1270.0;
/// Width from which the groove has room in the line; below it stands in the status line.
pub(super) const GROOVE_WIDTH: f32 = 1130.0;

/// Shows the top line in `rect`.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut Header,
    memory: &mut StoredWindow,
    cx: &mut FrameContext<'_>,
) {
    ui.painter().rect_filled(rect, 0, theme::SURFACE);
    ui.spacing_mut().item_spacing.x = 4.0;
    ui.spacing_mut().button_padding.x = 5.0;
    ui.add_space(8.0);
    name_and_saved(ui, cx);
    view.first = Some(files(ui, cx));
    view.library |= kits_button(ui);
    ui.separator();
    steps(ui, cx);
    ui.separator();
    if rect.width() >= GROOVE_WIDTH {
        groove_view::show(ui, cx);
        ui.separator();
    }
    if rect.width() >= WIDE {
        view.fit.slider(ui, cx, None, 96.0);
        versions(ui, view, cx);
    }
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        ui.add_space(8.0);
        about(ui, view);
        zoom(ui, memory);
        view.output |= output_button(ui, cx);
        let help = "Plays hits over the keyboard: a bass and chords beside the drums.";
        view.keys.open |= widgets::button(ui, "Keys", "Keys of the instrument", help).clicked();
        main_meter(ui, cx);
    });
}

/// Shows the top line of a window without a kit.
pub fn show_empty(
    ui: &mut Ui,
    rect: Rect,
    view: &mut Header,
    memory: &mut StoredWindow,
    cx: &FrameContext<'_>,
) {
    ui.painter().rect_filled(rect, 0, theme::SURFACE);
    ui.add_space(16.0);
    ui.label(RichText::new("New kit").font(theme::title()));
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        ui.add_space(8.0);
        about(ui, view);
        zoom(ui, memory);
        view.library |= kits_button(ui);
        main_meter(ui, cx);
    });
}

fn about(ui: &mut Ui, view: &mut Header) {
    let help = "The version, the keys, and how to protect your hearing.";
    view.about |= widgets::button(ui, "About", "About Kitwright", help).clicked();
}

/// A and B of the whole kit.
fn versions(ui: &mut Ui, view: &mut Header, cx: &FrameContext<'_>) {
    let side = view.compare.side();
    let help = "Switches between two versions of the whole kit; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Kit {side}"), "A or B of the kit", help).clicked()
        && let Some(other) = view.compare.switch(&cx.kit)
    {
        cx.session.edit("kit A or B", |kit| *kit = other);
        view.switched = true;
    }
}

/// Width that the rest of the line needs, and maximum width of the name.
const BESIDE_NAME: f32 = 868.0;
const MAX_NAME_WIDTH: f32 = 216.0;
/// Width of the word that says whether a file holds the kit.
const SAVED_WIDTH: f32 = 54.0;
/// Width below which that word stands under the name, which needs its room.
const NARROW: f32 = 1060.0;

/// The kit's name, and whether a file holds the kit as it is.
fn name_and_saved(ui: &mut Ui, cx: &FrameContext<'_>) {
    let window = ui.ctx().content_rect().width();
    if window >= NARROW {
        name(ui, (window - BESIDE_NAME).min(MAX_NAME_WIDTH), cx);
        saved(ui, vec2(SAVED_WIDTH, 20.0), cx);
        return;
    }
    let beside = BESIDE_NAME - SAVED_WIDTH - ui.spacing().item_spacing.x;
    // what the line has to spare in the smallest window
    let width = (window - beside).clamp(130.0, MAX_NAME_WIDTH);
    ui.allocate_ui_with_layout(vec2(width, HEIGHT), Layout::top_down(Align::Min), |ui| {
        ui.spacing_mut().item_spacing.y = 0.0;
        ui.add_space(2.0);
        name(ui, width, cx);
        saved(ui, vec2(width, 15.0), cx);
    });
}

/// The kit's name; a long one is shown with an ellipsis until it is edited.
fn name(ui: &mut Ui, width: f32, cx: &FrameContext<'_>) {
    let mut text = cx.kit.doc.name.clone();
    let id = ui.scope_id().with("kit name");
    let typing = ui.memory(|m| m.has_focus(id));
    let ink = theme::TEXT;
    let galley = ui.painter().layout_no_wrap(text.clone(), theme::title(), ink);
    // the width within the field's margins
    let cut = !typing && galley.size().x > width - 18.0;
    let shown = if cut { Color32::TRANSPARENT } else { ink };
    let edit = TextEdit::singleline(&mut text).id(id).font(theme::title());
    let edit = edit.desired_width(width).char_limit(80).text_color(shown).background_color(theme::SURFACE);
    let response = ui.add(edit);
    if cut {
        let at = response.rect.left_center() + vec2(4.0, 0.0);
        let width = response.rect.width() - 8.0;
        let align = Align2::LEFT_CENTER;
        widgets::text_in(ui.painter(), at, align, &cx.kit.doc.name, theme::title(), ink, width);
    }
    let response = response.on_hover_text(format!("The kit's name: {}", cx.kit.doc.name));
    response.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "Name of the kit"));
    if response.changed() {
        cx.session.edit("kit name", |kit| kit.doc.name = text);
    }
}

/// Whether a file holds the kit as it is, in a place of this size.
fn saved(ui: &mut Ui, size: egui::Vec2, cx: &FrameContext<'_>) {
    let (word, help) = match (cx.session.is_changed(), cx.session.file()) {
        (true, Some(file)) => ("changed", format!("Changed since it was saved to {}.", file.display())),
        (true, None) => ("not saved", "No file holds this kit yet.".to_owned()),
        (false, Some(file)) => ("saved", format!("Saved to {}.", file.display())),
        (false, None) => ("saved", "The host's project holds this kit.".to_owned()),
    };
    let (place, response) = ui.allocate_exact_size(size, egui::Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, format!("The kit is {word}")));
    // below the name it begins where the name's letters do
    let at = if size.x > SAVED_WIDTH { place.left_center() + vec2(4.0, 0.0) } else { place.left_center() };
    let font = theme::small();
    widgets::text_in(ui.painter(), at, Align2::LEFT_CENTER, word, font, theme::TEXT_DIM, place.width());
    response.on_hover_text(help);
}

/// Open, save, export; returns the first of them.
fn files(ui: &mut Ui, cx: &mut FrameContext<'_>) -> egui::Id {
    let help = "A recording becomes a new kit; a kit file is loaded.";
    let open = widgets::button(ui, "Open", "Open a recording or a kit", help);
    if open.clicked() {
        cx.browse(FilePurpose::Open, "");
    }
    let help = "Writes the kit with its audio into its file; a new kit asks where.";
    if widgets::button(ui, "Save", "Save the kit", help).clicked() {
        unsaved::save(cx);
    }
    let help = "Writes the kit with its audio into another file.";
    if widgets::button(ui, "Save as", "Save the kit as", help).clicked() {
        unsaved::save_as(cx);
    }
    let help = "Writes WAV files, a groove, MIDI and a picture, or the kit for other samplers.";
    let export = widgets::button(ui, "Export", "Export the kit", help);
    Popup::menu(&export).width(260.0).show(|ui| export_menu(ui, cx));
    open.id
}

/// The way to the kit library; returns whether it was pressed.
fn kits_button(ui: &mut Ui) -> bool {
    let help = "The library: load, rename, copy and tag kits; starter kits.";
    widgets::button(ui, "Kits", "Kits of the library", help).clicked()
}

/// What can be exported.
fn export_menu(ui: &mut Ui, cx: &mut FrameContext<'_>) {
    use kitwright_core::export::SamplerFormat::{Midnam, Sf2, Sfz, Wav};
    let name = cx.kit.doc.name.clone();
    for (text, help, purpose, proposal) in [
        (
            "Pads, groove and picture",
            "Each pad as a WAV file, a groove as WAV and MIDI, the kit and a picture of it.",
            FilePurpose::Export,
            name.clone(),
        ),
        (
            "Samples (WAV)",
            "Every pad at several velocities and with its alternates, named for other samplers.",
            FilePurpose::Sampler(Wav),
            format!("{name} samples"),
        ),
        (
            "SFZ instrument",
            "The samples with a file that plays them.",
            FilePurpose::Sampler(Sfz),
            format!("{name} SFZ"),
        ),
        (
            "SoundFont 2",
            "One file with a drum preset.",
            FilePurpose::Sampler(Sf2),
            format!("{name} SoundFont"),
        ),
        (
            "Note names (MIDNAM)",
            "The names of the notes, for the piano roll of a host.",
            FilePurpose::Sampler(Midnam),
            format!("{name} notes"),
        ),
    ] {
        let entry = ui.button(text).on_hover_text(help);
        entry.widget_info(|| WidgetInfo::labeled(Role::MenuItem, true, format!("Export {text}")));
        if entry.clicked() {
            cx.browse(purpose, &proposal);
            ui.close();
        }
    }
}

/// Undo and redo by the keyboard, where the host lets its keys through. Ctrl+S stays the host's.
pub(super) fn step_keys(ui: &Ui, cx: &FrameContext<'_>) {
    if ui.ctx().text_edit_focused() {
        return;
    }
    let pressed = |modifiers: Modifiers, key: egui::Key| ui.input_mut(|i| i.consume_key(modifiers, key));
    if pressed(Modifiers::COMMAND | Modifiers::SHIFT, egui::Key::Z)
        || pressed(Modifiers::COMMAND, egui::Key::Y)
    {
        cx.session.redo();
    } else if pressed(Modifiers::COMMAND, egui::Key::Z) {
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
        let button = ui.add_enabled(on, egui::Button::new(name).frame_when_inactive(false));
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

fn zoom(ui: &mut Ui, memory: &mut StoredWindow) {
    let text = format!("{:.0} %", memory.zoom * 100.0);
    let response =
        widgets::button(ui, &text, "Zoom of the window", "Sets the size of everything in the window.");
    Popup::menu(&response).show(|ui| {
        for zoom in StoredWindow::ZOOMS {
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
    let (place, response) = ui.allocate_exact_size(vec2(74.0, 12.0), egui::Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Meter, true, "Level of the main output"));
    let left = place.left_center();
    ui.painter().text(left, Align2::LEFT_CENTER, "Out", theme::small(), theme::TEXT_DIM);
    let rect = Rect::from_min_max(place.min + vec2(28.0, 1.0), place.max - vec2(0.0, 1.0));
    ui.painter().rect_filled(rect, 1, theme::INSET);
    let width = rect.width() * cx.readings.lights.main_share();
    let filled = Rect::from_min_size(rect.min, vec2(width, rect.height()));
    ui.painter().rect_filled(filled, 1, theme::SOUND);
    response.on_hover_text("Level of the main output; the right edge is full scale.");
}

/// The key that the kit is tuned to; another one can be chosen by hand.
fn key_choice(ui: &mut Ui, cx: &FrameContext<'_>) {
    let now = cx.kit.doc.key;
    let word = |key: Option<Key>| key.map_or_else(|| "no key".to_owned(), |k| k.to_string());
    let text = format!("tuned to {}", word(now));
    let help = "The key of your song; pads that have a pitch are tuned to it.";
    let response = widgets::solid(ui, &text, "Key of the song", help);
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(word(now)));
    Popup::menu(&response).show(|ui| {
        ScrollArea::vertical().max_height(280.0).show(ui, |ui| {
            let modes = [Mode::Major, Mode::Minor];
            let keys = modes.into_iter().flat_map(|mode| (0..12).map(move |tonic| Some(Key { tonic, mode })));
            for key in std::iter::once(None).chain(keys) {
                let chosen = key == now;
                let entry = ui.selectable_label(chosen, word(key));
                entry.widget_info(|| {
                    WidgetInfo::selected(Role::MenuItem, true, chosen, format!("Key {}", word(key)))
                });
                if entry.clicked() {
                    cx.session.start(Job::SetKey(key));
                    ui.close();
                }
            }
        });
    });
}

/// The key that the kit is tuned to, and a button to choose another; returns whether it was pressed.
fn tune_to_song(ui: &mut Ui, cx: &FrameContext<'_>) -> bool {
    let help = "Detects the key of a recording of your song and tunes the pads that have a pitch to it; their pitch \
                drops become short.";
    let pressed = widgets::button(ui, "Tune to a song", "Tune the kit to a song", help).clicked();
    key_choice(ui, cx);
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
        ui.set_width(480.0);
        ui.label(RichText::new("Output of the kit").font(theme::title()));
        if ui.ctx().content_rect().width() < WIDE {
            ui.horizontal(|ui| {
                view.fit.slider(ui, cx, None, 220.0);
                versions(ui, view, cx);
            });
        }
        trim_grid::show(ui, "Kit trim", &KIT_TRIMS, |_| true, cx, Trim::Kit);
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
