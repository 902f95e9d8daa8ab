//! Level and place, manner of playing, variation; and the trims that a host automates.

use super::reductions;
use crate::{
    editor::{
        desk::Desk,
        state::WindowState,
        theme,
        trims::Trim,
        widgets::{self, Described},
    },
    kit::{PAD, VARIATION, Way},
    settings::{PAD_TRIMS, Unit},
};
use egui::{RichText, ScrollArea, Ui};
use std::sync::atomic::Ordering::Relaxed;

pub(super) fn show(ui: &mut Ui, state: &WindowState, desk: &Desk<'_>) {
    let pad = state.pad;
    let built = desk.pad(pad);
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.label(RichText::new("In the kit").color(theme::INK_SOFT));
        let owner = format!("Pad {}", pad + 1);
        widgets::table(ui, &owner, &PAD, &built.settings, |setting, value| {
            desk.edit_pad(pad, &setting.name.to_lowercase(), |p| (setting.set)(&mut p.settings, value));
        });
        ui.horizontal(|ui| {
            note_row(ui, pad, desk);
            ui.add_space(theme::GAP * 3.0);
            reductions::meter(ui, "the pad's ceiling", state.reductions.pad_ceiling());
        });
        ui.add_space(theme::GAP);
        ui.horizontal(|ui| {
            ui.label(RichText::new("From hit to hit").color(theme::INK_SOFT));
            freeze(ui, pad, desk);
            last_draw(ui, pad, desk);
        });
        let owner = format!("Pad {} variation", pad + 1);
        widgets::table(ui, &owner, &VARIATION, &built.variation, |setting, value| {
            let what = format!("variation {}", setting.name.to_lowercase());
            desk.edit_pad(pad, &what, |p| (setting.set)(&mut p.variation, value));
        });
    });
}

/// The MIDI note that plays the pad.
fn note_row(ui: &mut Ui, pad: usize, desk: &Desk<'_>) {
    ui.horizontal(|ui| {
        let note = desk.pad(pad).note;
        ui.label(RichText::new("Played by").color(theme::INK_SOFT));
        for (text, name, step) in [("-", "Note down", -1_i16), ("+", "Note up", 1)] {
            if widgets::button(ui, text, name, "The next free key in this direction.").clicked()
                && let Some(free) = next_free(desk, note, step)
            {
                desk.edit_pad(pad, "note", |p| p.note = free);
            }
        }
        ui.label(format!("{} (MIDI note {note})", crate::editor::desk::note_name(note)));
    });
}

fn next_free(desk: &Desk<'_>, from: u8, step: i16) -> Option<u8> {
    let mut note = i16::from(from) + step;
    while (0..=127).contains(&note) {
        if desk.kit.doc.pads.iter().all(|p| i16::from(p.note) != note) {
            return u8::try_from(note).ok();
        }
        note += step;
    }
    None
}

/// Holds one draw, or lets the draws go on.
fn freeze(ui: &mut Ui, pad: usize, desk: &Desk<'_>) {
    let frozen = desk.pad(pad).variation.way == Way::Held;
    let help = "Holds one draw: every hit is the same until it is let go.";
    if widgets::toggle(ui, frozen, if frozen { "Frozen" } else { "Freeze" }, "Freeze the variation", help)
        .clicked()
    {
        desk.edit_pad(pad, "freeze", |p| p.variation.way = if frozen { Way::Live } else { Way::Held });
    }
    if frozen && widgets::button(ui, "Another draw", "Another draw", "Keeps a different one.").clicked() {
        desk.edit_pad(pad, "draw", |p| p.variation.frozen = (p.variation.frozen + 1.0) % 10_000.0);
    }
}

/// What was drawn for the last stroke of the pad.
fn last_draw(ui: &mut Ui, pad: usize, desk: &Desk<'_>) {
    let Some(meters) = desk.session.meters().filter(|m| m.pad_strokes[pad].load(Relaxed) > 0) else { return };
    let last = &meters.last_hit[pad];
    let number = |field: &std::sync::atomic::AtomicU32| f32::from_bits(field.load(Relaxed));
    let (slice, copies) = (last.slice.load(Relaxed) + 1, last.copies.load(Relaxed));
    let words = format!(
        "last stroke: hit {slice} of {}, {:+.0} ct, {:+.1} dB, start {:+.1} ms, {copies} copies",
        desk.pad(pad).slices.len().max(1),
        number(&last.pitch_st) * 100.0,
        number(&last.level_db),
        number(&last.start_ms),
    );
    ui.label(RichText::new(words).font(theme::small()).color(theme::INK));
}

/// How long a trim that the host moved is marked, s.
const MARK: f64 = 0.8;

/// Trims of the pad on the bench as they were in the frame before, and when the host moved each.
#[derive(Debug, Default)]
pub struct Automation {
    pad: usize,
    seen: Vec<f32>,
    moved_at: Vec<f64>,
}

impl Automation {
    /// Takes this frame's values; gives which were moved by the host a moment ago.
    fn follow(&mut self, pad: usize, values: &[f32], now: f64) -> Vec<bool> {
        if self.pad != pad || self.seen.len() != values.len() {
            *self = Self { pad, seen: values.to_vec(), moved_at: vec![f64::NEG_INFINITY; values.len()] };
        }
        for (i, (seen, value)) in self.seen.iter_mut().zip(values).enumerate() {
            if *seen != *value {
                *seen = *value;
                self.moved_at[i] = now;
            }
        }
        self.moved_at.iter().map(|at| now - at < MARK).collect()
    }

    /// The window itself moved one: no mark.
    fn own(&mut self, index: usize, value: f32) {
        self.seen[index] = value;
    }
}

/// A trim whose name says that the host moves it.
struct Marked<'a>(&'a dyn Described);

impl Described for Marked<'_> {
    fn name(&self) -> &'static str {
        self.0.name()
    }
    fn help(&self) -> &'static str {
        self.0.help()
    }
    fn unit(&self) -> Unit {
        self.0.unit()
    }
    fn bounds(&self) -> [f32; 2] {
        self.0.bounds()
    }
    fn default(&self) -> f32 {
        self.0.default()
    }
    fn to_travel(&self, value: f32) -> f32 {
        self.0.to_travel(value)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        self.0.at_travel(travel)
    }
    fn clamp(&self, value: f32) -> f32 {
        self.0.clamp(value)
    }
    fn show(&self, value: f32) -> String {
        format!("host: {}", self.0.show(value))
    }
    fn read(&self, text: &str) -> Option<f32> {
        self.0.read(text)
    }
}

/// What the host automates; one that it moves says so.
pub(super) fn show_trims(ui: &mut Ui, state: &mut WindowState, desk: &mut Desk<'_>) {
    let pad = state.pad;
    let owner = format!("Pad {} trim", pad + 1);
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        let values: Vec<f32> = (0..PAD_TRIMS.len()).map(|i| desk.trims.get(Trim::Pad(pad, i))).collect();
        let moved = state.automation.follow(pad, &values, ui.input(|i| i.time));
        if moved.contains(&true) {
            ui.ctx().request_repaint_after(std::time::Duration::from_millis(100));
        }
        let marked: Vec<Marked<'_>> = PAD_TRIMS.iter().map(|s| Marked(s)).collect();
        let rows = PAD_TRIMS.iter().enumerate().map(|(i, s)| {
            let shown: &dyn Described = if moved[i] { &marked[i] } else { s };
            (i, shown, values[i])
        });
        widgets::grid(ui, &owner, rows, |i, m| {
            desk.move_trim(Trim::Pad(pad, i), m);
            state.automation.own(i, desk.trims.get(Trim::Pad(pad, i)));
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_the_host_moves_is_marked_and_only_for_a_moment() {
        let mut automation = Automation::default();
        assert_eq!(automation.follow(0, &[1.0, 2.0], 0.0), [false, false]);
        assert_eq!(automation.follow(0, &[1.5, 2.0], 1.0), [true, false]);
        assert_eq!(automation.follow(0, &[1.5, 2.0], 2.0), [false, false]);
        automation.own(1, 3.0);
        assert_eq!(automation.follow(0, &[1.5, 3.0], 2.1), [false, false]);
        assert_eq!(automation.follow(1, &[9.0, 9.0], 2.2), [false, false], "another pad is no movement");
    }
}
