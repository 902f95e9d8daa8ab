//! MIDI notes in the window: typed, and learned from the next key that is played.

use super::{frame_context::FrameContext, learn::LearnFor, theme, widgets};
use egui::{Key, Role, TextEdit, Ui, WidgetInfo};
use kitwright_core::{
    kit::by_hand::NOTE,
    music::{note_name, read_note},
};

/// A button that waits for the next key on MIDI, or gives up waiting.
pub(super) fn learn_button(ui: &mut Ui, cx: &mut FrameContext<'_>, what: LearnFor, name: &str, help: &str) {
    let on = cx.readings.learn.waits_for(what);
    let text = if on { "Play a key" } else { "Learn" };
    if widgets::toggle(ui, on, text, name, help).clicked() {
        let before = cx.session.last_key().count;
        cx.readings.learn.waiting = (!on).then_some((what, before));
    }
}

/// Takes a key that was learned.
pub(super) fn take_learned(ui: &Ui, cx: &mut FrameContext<'_>) {
    match cx.readings.learn.follow(ui, cx.session) {
        Some((LearnFor::Pad(pad), key)) => set_note(cx, pad, key.key),
        Some((LearnFor::Part(part), key)) => {
            let Some(name) = cx.kit.doc.key_parts.get(part).map(|p| p.name.clone()) else { return };
            cx.session.edit(&format!("{name} channel"), |kit| {
                if let Some(part) = kit.doc.key_parts.get_mut(part) {
                    part.settings.channel = key.channel + 1;
                }
            });
        }
        None => {}
    }
}

/// Lets a pad be played by this note; a pad that had it takes the other one's.
pub(super) fn set_note(cx: &FrameContext<'_>, pad: usize, note: u8) {
    let before = cx.pad(pad).note;
    if note == before {
        return;
    }
    cx.session.edit(&format!("pad {} note", pad + 1), |kit| {
        let pads = &mut kit.doc.pads;
        if let Some(other) = pads.iter_mut().find(|p| p.note == note) {
            other.note = before;
            other.mark_by_hand(NOTE);
        }
        pads[pad].note = note;
        pads[pad].mark_by_hand(NOTE);
    });
}

/// A field that shows a note and takes one by name or number; returns what was typed.
pub(super) fn note_field(ui: &mut Ui, name: &str, note: u8) -> Option<u8> {
    let id = ui.scope_id().with(("note", name));
    let typing: Option<String> = ui.data(|d| d.get_temp(id));
    let shown = format!("{} ({note})", note_name(note));
    let mut text = typing.clone().unwrap_or_else(|| shown.clone());
    let edit = TextEdit::singleline(&mut text).id(id.with("field")).desired_width(64.0).char_limit(12);
    let edit = edit.min_size(egui::vec2(64.0, theme::TARGET)).align(egui::Align2::LEFT_CENTER);
    let response = ui.add(edit);
    response.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, name));
    let help = "The MIDI note by its name or number, \"D2\" or \"38\". A pad that had it takes this one's.";
    let response = widgets::explained(ui, response, help);
    if response.gained_focus() {
        widgets::select_all(ui, response.id, shown.chars().count());
    }
    if response.changed() {
        ui.data_mut(|d| d.insert_temp(id, text.clone()));
    }
    if !response.lost_focus() {
        return None;
    }
    ui.data_mut(|d| d.remove_temp::<String>(id));
    let typed = typing.filter(|_| !ui.input(|i| i.key_pressed(Key::Escape)))?;
    // "D2 (38)" as it stood there counts by its name
    read_note(typed.split('(').next().unwrap_or_default()).filter(|n| *n != note)
}

/// Shows a hint in small dim text.
pub(super) fn hint(ui: &mut Ui, text: &str) {
    ui.label(egui::RichText::new(text).font(theme::small()).color(theme::TEXT_DIM));
}
