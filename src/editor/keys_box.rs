//! The box of the key parts: the bass and the chords that hits of the take play over the keyboard.

use super::{
    frame_context::FrameContext,
    theme,
    widgets::{self, Described},
};
use egui::{RichText, ScrollArea, Ui};
use kitwright_core::{
    kit::{KEY_PART, KEY_PARTS, KeyPart, KeyPartKind, KeyPartSettings},
    music::note_name,
    settings::Setting,
    units::hz_to_note,
};

/// Width of the box, points; narrower in a small window.
const WIDTH: f32 = 760.0;

/// Shows the box while it is open; `chosen` is the hit chosen in the take, by take and index.
pub(super) fn show(ui: &Ui, open: &mut bool, chosen: Option<(usize, usize)>, cx: &FrameContext<'_>) {
    if !*open {
        return;
    }
    let screen = ui.ctx().content_rect().size();
    let modal = theme::modal("key parts").show(ui.ctx(), |ui| {
        ui.set_width(WIDTH.min(screen.x - 80.0));
        ui.label(RichText::new("Keys").font(theme::title()));
        ui.label(
            RichText::new(
                "Hits of the take over the keyboard, each on a MIDI channel of its own; the pads play on all others.",
            )
            .color(theme::TEXT_DIM),
        );
        let height = screen.y - 190.0;
        ScrollArea::vertical().max_height(height.max(120.0)).show(ui, |ui| {
            for (i, part) in cx.kit.doc.key_parts.iter().enumerate() {
                ui.separator();
                heading(ui, i, part, chosen, cx);
                controls(ui, i, part, cx);
            }
        });
        ui.separator();
        ui.horizontal(|ui| {
            add(ui, chosen, cx);
            widgets::button(ui, "Close", "Close the keys", "Back to the kit.").clicked()
        })
        .inner
    });
    // a box that has grown comes to rest in the middle within some frames
    let (id, rect) = (egui::Id::unique("place of the key parts"), modal.response.rect);
    if ui.data(|d| d.get_temp(id)) != Some(rect) {
        ui.ctx().request_repaint();
    }
    ui.data_mut(|d| d.insert_temp(id, rect));
    if modal.should_close() || modal.inner {
        *open = false;
    }
}

/// A part's name, its switch, what it plays, and buttons to change that.
fn heading(ui: &mut Ui, i: usize, part: &KeyPart, chosen: Option<(usize, usize)>, cx: &FrameContext<'_>) {
    ui.horizontal(|ui| {
        ui.label(RichText::new(&part.name).color(theme::ACCENT).strong());
        let on = part.settings.on;
        let word = if on { "On" } else { "Off" };
        let help = "Off, the part's channel plays the pads.";
        if widgets::toggle(ui, on, word, &format!("{} on", part.name), help).clicked() {
            edit(cx, i, &format!("{} on", part.name), |part| part.settings.on = !on);
        }
        ui.label(RichText::new(source(part, cx)).color(theme::TEXT_DIM));
        if let Some((take, hit)) = chosen {
            let help = "Plays the hit that is chosen in the take; its pitch and its loop are found anew.";
            let name = format!("Play the chosen hit as {}", part.name);
            if widgets::button(ui, &format!("Use hit {}", hit + 1), &name, help).clicked() {
                cx.session.edit(&format!("hit of the {}", part.name), |kit| {
                    let audio = kit.takes.get(take).cloned();
                    let entry = kit.doc.takes.get(take).and_then(|t| t.hits.get(hit)).cloned();
                    if let (Some(audio), Some(entry), Some(part)) =
                        (audio, entry, kit.doc.key_parts.get_mut(i))
                    {
                        part.change_hit(&audio, take, &entry);
                    }
                });
            }
        }
        let name = format!("Remove the {}", part.name);
        if widgets::button(ui, "Remove", &name, "The pads play on its channel again; Undo brings it back.")
            .clicked()
        {
            cx.session.edit(&format!("remove the {}", part.name), |kit| {
                if i < kit.doc.key_parts.len() {
                    kit.doc.key_parts.remove(i);
                }
            });
        }
    });
}

/// "take 1 at 12.34 s, A2 (110.2 Hz)".
fn source(part: &KeyPart, cx: &FrameContext<'_>) -> String {
    let Some(slice) = part.slice else { return "no hit".into() };
    let rate = cx.kit.doc.takes.get(slice.take).map_or(1, |t| t.sample_rate.max(1));
    let note = hz_to_note(f64::from(part.root_hz)).round().clamp(0.0, 127.0) as u8;
    format!(
        "take {} at {:.2} s, {} ({:.1} Hz){}",
        slice.take + 1,
        slice.start as f64 / f64::from(rate),
        note_name(note),
        part.root_hz,
        if part.sustain.is_some() { "" } else { ", too short to be sustained" }
    )
}

/// Every setting but the switch.
fn controls(ui: &mut Ui, i: usize, part: &KeyPart, cx: &FrameContext<'_>) {
    let shown: Vec<&'static Setting<KeyPartSettings>> = KEY_PART.iter().filter(|s| s.id != "on").collect();
    let rows = shown.iter().enumerate().map(|(n, s)| (n, *s as &dyn Described, (s.get)(&part.settings)));
    widgets::grid(ui, &part.name, rows, |n, moved| {
        if let Some(value) = moved.value {
            let setting = shown[n];
            let what = format!("{} {}", part.name, setting.name.to_lowercase());
            edit(cx, i, &what, |part| (setting.set)(&mut part.settings, value));
        }
    });
}

/// Buttons for the parts that are not there yet.
fn add(ui: &mut Ui, chosen: Option<(usize, usize)>, cx: &FrameContext<'_>) {
    let parts = &cx.kit.doc.key_parts;
    if parts.is_empty() {
        let help = "A bass and chords of the hits whose pitch is sure, where the take has some.";
        let name = "Make the bass and the chords";
        if widgets::solid(ui, "Make bass and chords", name, help).clicked() {
            cx.session.edit("make bass and chords", |kit| kit.doc.key_parts = kit.usual_key_parts());
            if cx.session.kit().doc.key_parts.is_empty() {
                cx.session.report(kitwright_core::error::Error::invalid(
                    "no hit of the take has a sure pitch; choose one in the take, then add it here",
                ));
            }
        }
    }
    let Some((take, hit)) = chosen.filter(|_| parts.len() < KEY_PARTS) else { return };
    for kind in KeyPartKind::ALL.into_iter().filter(|kind| parts.iter().all(|p| p.name != kind.word())) {
        let help = "Plays the hit that is chosen in the take over the keyboard.";
        let text = format!("Add {} of hit {}", kind.word(), hit + 1);
        if widgets::button(ui, &text, &format!("Add the {}", kind.word()), help).clicked() {
            cx.session.edit(&format!("add the {}", kind.word()), |kit| {
                let entry = kit.doc.takes.get(take).and_then(|t| t.hits.get(hit));
                if let (Some(audio), Some(entry)) = (kit.takes.get(take), entry) {
                    let part = KeyPart::of_hit(kind, audio, take, entry);
                    kit.doc.key_parts.push(part);
                }
            });
        }
    }
}

fn edit(cx: &FrameContext<'_>, i: usize, what: &str, change: impl FnOnce(&mut KeyPart)) {
    cx.session.edit(what, |kit| {
        if let Some(part) = kit.doc.key_parts.get_mut(i) {
            change(part);
        }
    });
}
