//! The box of the key parts: the bass and the chords that hits of the take play over the keyboard.

use super::{
    frame_context::FrameContext,
    learn::LearnFor,
    notes,
    piano::{self, PianoState},
    theme,
    widgets::{self, Described},
};
use egui::{RichText, ScrollArea, Ui};
use kitwright_core::{
    kit::{KEY_PART, KEY_PARTS, KeyPart, KeyPartKind, KeyPartSettings},
    music::{is_black, note_name, read_note},
    session::{KeyTrigger, Session},
    settings::{Setting, Unit},
    units::hz_to_note,
};

/// Width of the box, points; narrower in a small window.
const WIDTH: f32 = 760.0;

/// Keys on either side of a part's own note that are drawn: an octave and a half.
const REACH: u8 = 18;
/// Velocity of a drawn key.
const VELOCITY: f32 = 0.8;

/// What the box keeps between frames.
#[derive(Debug, Default)]
pub struct KeysBox {
    /// It is open.
    pub open: bool,
    pianos: [PianoState; KEY_PARTS],
    /// The part whose drawn key sounds, and that key.
    held: Option<(usize, KeyTrigger)>,
}

impl KeysBox {
    /// Lets the key that sounds go.
    pub fn let_go(&mut self, session: &Session) {
        if let Some((_, key)) = self.held.take() {
            session.play_key(KeyTrigger { velocity: 0.0, ..key });
        }
    }

    /// Plays what is pressed now in place of what was.
    fn hold(&mut self, session: &Session, pressed: Option<(usize, KeyTrigger)>) {
        if self.held != pressed {
            self.let_go(session);
            if let Some((_, key)) = pressed {
                session.play_key(key);
            }
            self.held = pressed;
        }
    }
}

/// Shows the box while it is open; `chosen` is the hit chosen in the take, by take and index.
pub(super) fn show(ui: &Ui, view: &mut KeysBox, chosen: Option<(usize, usize)>, cx: &mut FrameContext<'_>) {
    if !view.open {
        view.let_go(cx.session);
        return;
    }
    let kit = cx.kit.clone();
    let mut pressed = None;
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
            for (i, part) in kit.doc.key_parts.iter().enumerate().take(KEY_PARTS) {
                ui.separator();
                heading(ui, i, part, chosen, cx);
                pressed = pressed.or(try_out(ui, view, i, part, cx));
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
    view.hold(cx.session, pressed);
    if modal.should_close() || modal.inner {
        view.open = false;
        view.let_go(cx.session);
    }
}

/// Drawn keys around the part's own note; returns the one that is pressed.
fn try_out(
    ui: &mut Ui,
    view: &mut KeysBox,
    i: usize,
    part: &KeyPart,
    cx: &mut FrameContext<'_>,
) -> Option<(usize, KeyTrigger)> {
    part.slice?;
    let s = &part.settings;
    let own = hz_to_note(f64::from(part.root_hz)).round().clamp(0.0, 127.0) as u8;
    let middle = own.clamp(s.low_key.min(s.high_key), s.high_key);
    let range = [
        middle.saturating_sub(REACH).max(s.low_key.min(middle)),
        middle.saturating_add(REACH).min(s.high_key.max(middle)).min(127),
    ];
    let channel = s.channel.clamp(1, 16) - 1;
    // whole keys at both ends
    let [low, high] = range;
    let range = [
        if is_black(low) && low > 0 { low - 1 } else { low },
        if is_black(high) && high < 127 { high + 1 } else { high },
    ];
    let held = view.held.filter(|(part, _)| *part == i).map(|(_, key)| key.key);
    let ready = s.on && cx.session.meters().is_some();
    let name = format!("Keys of the {}", part.name);
    let played = ui.add_enabled_ui(ready, |ui| piano::show(ui, &mut view.pianos[i], &name, range, held));
    if !ready {
        let why = if s.on {
            "The host's audio is not running; start it to hear the keys."
        } else {
            "Switch the part on to hear it."
        };
        notes::hint(ui, why);
    }
    played.inner.filter(|_| ready).map(|key| (i, KeyTrigger { channel, key, velocity: VELOCITY }))
}

/// A part's name, its switch, what it plays, and buttons to change that.
fn heading(ui: &mut Ui, i: usize, part: &KeyPart, chosen: Option<(usize, usize)>, cx: &mut FrameContext<'_>) {
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new(&part.name).color(theme::ACCENT).strong());
        let on = part.settings.on;
        let word = if on { "On" } else { "Off" };
        let help = "When this is off, its MIDI channel plays the pads.";
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
        let help = "Takes the MIDI channel of the next key that is played.";
        notes::learn_button(
            ui,
            cx,
            LearnFor::Part(i),
            &format!("Learn the channel of the {}", part.name),
            help,
        );
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
    let keys: Vec<KeyNumber> = shown.iter().map(|s| KeyNumber(s)).collect();
    let described =
        |n: usize| -> &dyn Described { if shown[n].id.ends_with("_key") { &keys[n] } else { shown[n] } };
    let rows = shown.iter().enumerate().map(|(n, s)| (n, described(n), (s.get)(&part.settings)));
    widgets::grid(ui, &part.name, rows, |n, moved| {
        if let Some(value) = moved.value {
            let setting = shown[n];
            let what = format!("{} {}", part.name, setting.name.to_lowercase());
            edit(cx, i, &what, |part| (setting.set)(&mut part.settings, value));
        }
    });
}

/// A setting that is a MIDI note, shown and read by its name.
struct KeyNumber(&'static Setting<KeyPartSettings>);

impl Described for KeyNumber {
    fn name(&self) -> &'static str {
        self.0.name
    }
    fn help(&self) -> &'static str {
        self.0.help
    }
    fn unit(&self) -> Unit {
        self.0.unit
    }
    fn bounds(&self) -> [f32; 2] {
        [self.0.min, self.0.max]
    }
    fn default(&self) -> f32 {
        self.0.default
    }
    fn to_travel(&self, value: f32) -> f32 {
        self.0.to_travel(value)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        self.0.from_travel(travel)
    }
    fn clamp(&self, value: f32) -> f32 {
        self.0.clamp(value)
    }
    fn show(&self, value: f32) -> String {
        note_name(value as u8)
    }
    fn read(&self, text: &str) -> Option<f32> {
        read_note(text).map(f32::from)
    }
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
