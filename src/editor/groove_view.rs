//! The groove: plays the kit on demand, in step with the host or at its own tempo.

use super::{file_browser::FilePurpose, frame_context::FrameContext, theme, widgets};
use egui::{Popup, PopupCloseBehavior, RichText, Role, Ui, WidgetInfo};
use kitwright_core::{
    groove::patterns::{GrooveSettings, Pattern},
    settings::{Curve, Setting, Unit},
};

static SWING: Setting<GrooveSettings> = Setting {
    id: "swing",
    name: "Swing",
    unit: Unit::Percent,
    min: 0.0,
    max: 1.0,
    curve: Curve::Linear,
    default: 0.2,
    help: "How late every second sixteenth comes: 0 % is straight, 100 % a triplet.",
    get: |s| s.swing,
    set: |s, v| s.swing = v,
};

static DENSITY: Setting<GrooveSettings> = Setting {
    id: "density",
    name: "Density",
    unit: Unit::Percent,
    min: 0.0,
    max: 1.0,
    curve: Curve::Linear,
    default: 0.6,
    help: "How many strokes of the pattern are played.",
    get: |s| s.density,
    set: |s, v| s.density = v,
};

static TEMPO: Setting<GrooveSettings> = Setting {
    id: "tempo",
    name: "Tempo",
    unit: Unit::Count,
    min: GrooveSettings::TEMPO_RANGE[0],
    max: GrooveSettings::TEMPO_RANGE[1],
    curve: Curve::Linear,
    default: 92.0,
    help: "Tempo in beats per minute while the host's transport is stopped.",
    get: |s| s.tempo,
    set: |s, v| s.tempo = v,
};

/// Shows the button that plays the groove, and its pattern.
pub(super) fn show(ui: &mut Ui, cx: &mut FrameContext<'_>) {
    let now = cx.session.groove();
    let ready = cx.session.meters().is_some();
    let (text, help) = match (ready, now.playing) {
        (false, _) => ("Groove", "The host's audio is not running; start it to hear the groove."),
        (true, false) => {
            ("Groove", "Plays a groove on the kit, in time with the host while its transport runs.")
        }
        (true, true) => ("Stop", "Ends the groove."),
    };
    ui.add_enabled_ui(ready, |ui| {
        let name = "Play the groove";
        let button = match (ready, now.playing) {
            (false, _) => widgets::solid(ui, text, name, help),
            (true, true) => widgets::toggle(ui, true, text, name, help),
            (true, false) => widgets::primary(ui, text, name, help),
        };
        if button.on_disabled_hover_text(help).clicked() {
            cx.session.set_groove(GrooveSettings { playing: !now.playing, ..now });
        }
    });
    let response =
        widgets::button(ui, now.pattern.word(), "Pattern of the groove", "Pattern, swing, density, tempo.");
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(now.pattern.word()));
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| menu(ui, now, cx));
}

fn menu(ui: &mut Ui, now: GrooveSettings, cx: &mut FrameContext<'_>) {
    let mut next = now;
    for pattern in Pattern::ALL {
        let chosen = pattern == now.pattern;
        let entry = ui.selectable_label(chosen, pattern.word());
        entry.widget_info(|| {
            WidgetInfo::selected(Role::MenuItem, true, chosen, format!("Pattern {}", pattern.word()))
        });
        if entry.clicked() {
            next.pattern = pattern;
        }
    }
    ui.separator();
    for setting in [&SWING, &DENSITY, &TEMPO] {
        let moved = widgets::slider(ui, setting, "Groove", (setting.get)(&now), 180.0);
        if let Some(value) = moved.value {
            (setting.set)(&mut next, value);
        }
    }
    let tempo = match cx.session.host_tempo() {
        Some(bpm) => format!("the host plays at {bpm:.0} beats per minute"),
        None => "the host's transport is stopped".to_owned(),
    };
    ui.label(RichText::new(tempo).font(theme::small()).color(theme::TEXT_DIM));
    let help = "Writes the pattern for the pads of this kit as a MIDI file.";
    if widgets::button(ui, "Save as MIDI file", "Save the pattern as a MIDI file", help).clicked() {
        let name = format!("{} {}.mid", cx.kit.doc.name, now.pattern.word());
        cx.browse(FilePurpose::Pattern, &name);
        ui.close();
    }
    if next != now {
        cx.session.set_groove(next);
    }
}
