//! What every control does: tooltips, typed values, keyboard, marks for automation.

use super::*;
use kitwright::editor::{Section, Trim, TrimAccess as _};
use std::collections::HashSet;

/// Types a value over the one that a control shows.
fn type_over(harness: &mut Harness<'_, TestWindow>, control: &str, text: &str) {
    harness.get_by_label_contains(&format!("Type {control}, now ")).click();
    harness.run_ok();
    harness.get_by_label(&format!("{control} value")).type_text(text);
    harness.run_ok();
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
}

#[test]
fn values_are_typed_with_units_and_shorthand() {
    let mut harness = sized_window(1280.0, 1600.0, 1.0);
    press(&mut harness, "Tone");
    press(&mut harness, "Stage Cuts");
    let hz = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[0].tone.low_cut.hz;
    for (text, value) in [("250 Hz", 250.0), ("1k2", 1200.0), ("0.5 kHz", 500.0), ("300", 300.0)] {
        type_over(&mut harness, "Pad 1 low cut Frequency", text);
        assert_eq!(hz(&harness), value, "{text}");
    }
    press(&mut harness, "Layers");
    type_over(&mut harness, "Pad 1 layer 1 Pitch", "-5 st");
    assert_eq!(harness.state().session.kit().doc.pads[0].layers[0].settings.pitch_st, -5.0);
    type_over(&mut harness, "Pad 1 layer 1 Decay", "0.3 s");
    assert_eq!(harness.state().session.kit().doc.pads[0].layers[0].settings.decay_ms, 300.0);
}

/// Controls by name and place; of the many hits and pads only the first two.
fn controls(harness: &Harness<'_, TestWindow>) -> Vec<(String, egui::Rect)> {
    use egui::Role::{Button, ComboBox, Meter, Slider, SpinButton, Switch, Tab, TextInput};
    let roles = [Button, ComboBox, Meter, Slider, SpinButton, Switch, Tab, TextInput];
    let named = harness.get_all_by(|node| roles.contains(&node.role()) && node.label().is_some());
    let all = named.map(|n| (n.accesskit_node().label().expect("it has one"), n.rect()));
    let twins = |name: &str| {
        let number =
            |word: &str| name.strip_prefix(word).and_then(|r| r.split([' ', ',']).next()?.parse().ok());
        let many = |n: usize| n > 2;
        number("Hit ").is_some_and(many)
            || number("Pad ").is_some_and(many)
            || number("Mute pad ").is_some_and(many)
            || number("Solo pad ").is_some_and(many)
    };
    all.filter(|(name, _)| !twins(name)).collect()
}

#[test]
fn every_control_has_a_tooltip() {
    let mut harness = sized_window(1280.0, 1600.0, 1.0);
    harness.ctx.all_styles_mut(|style| {
        style.interaction.tooltip_delay = 0.0;
        style.interaction.show_tooltips_only_when_still = false;
    });
    let screen = egui::Rect::from_min_size(egui::Pos2::ZERO, egui::vec2(1280.0, 1600.0));
    let (mut seen, mut mute) = (HashSet::new(), Vec::new());
    for section in Section::ALL {
        press(&mut harness, section.word());
        if section.has_more() && !harness.state().window.selection.roomy {
            press(&mut harness, "More settings");
        }
        // no tooltip follows a click at once
        (0..20).for_each(|_| harness.step());
        for (name, rect) in controls(&harness) {
            // scrolled away: larger windows show the same tables
            if !screen.contains_rect(rect) || !seen.insert(name.clone()) {
                continue;
            }
            // its upper left corner: the lower part may be scrolled away
            harness.hover_at(rect.left_top() + egui::vec2(3.0, 4.0));
            (0..3).for_each(|_| harness.step());
            let shown = harness.ctx.memory(|m| {
                m.areas().visible_layer_ids().into_iter().any(|l| l.order == egui::Order::Tooltip)
            });
            if !shown {
                mute.push(name);
            }
            harness.hover_at(egui::pos2(1.0, 1.0));
            harness.step();
        }
    }
    assert!(seen.len() > 100, "only {} controls were found", seen.len());
    assert!(mute.is_empty(), "without a tooltip: {mute:#?}");
}

#[test]
fn every_control_is_reached_by_the_tab_key() {
    let mut harness = sized_window(1280.0, 800.0, 1.0);
    press(&mut harness, "Mix");
    // an undone change, so that there is one to redo
    harness.get_by_label("Pad 1 Level").set_value_accesskit(-6.0);
    harness.run_ok();
    press(&mut harness, "Undo");
    let wanted: HashSet<String> = controls(&harness)
        .into_iter()
        .map(|(name, _)| name)
        // meters are read, not used; a number is typed after Enter; nothing plays into the side input
        .filter(|name| {
            !["Level of", "Gain reduction", "Type ", "Record the", "Play the groove", "Hit "]
                .iter()
                .any(|w| name.starts_with(w))
        })
        .collect();
    let mut reached = HashSet::new();
    for _ in 0..600 {
        harness.key_press(egui::Key::Tab);
        harness.step();
        harness.step();
        let focused = harness.query_by(|node| node.is_focused() && node.label().is_some());
        reached.extend(focused.and_then(|node| node.accesskit_node().label()));
        if wanted.is_subset(&reached) {
            return;
        }
    }
    panic!("the Tab key never reaches {:#?}", wanted.difference(&reached).collect::<Vec<_>>());
}

#[test]
fn a_focused_button_is_pressed_by_the_keyboard() {
    let mut harness = window();
    harness.get_by_label("Mute pad 5").focus();
    harness.run_ok();
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    assert!(harness.state().trims.trims.pads[4].mute);
}

/// The host moves a parameter, over and over as automation does.
fn automate(harness: &mut Harness<'_, TestWindow>, trim: Trim, values: [f32; 3]) {
    for value in values {
        harness.state_mut().trims.set(trim, value);
        harness.step();
    }
}

fn value_of(harness: &Harness<'_, TestWindow>, label: &str) -> String {
    harness.get_by_label(label).accesskit_node().value().unwrap_or_default()
}

#[test]
fn automated_trims_are_marked_everywhere() {
    let mut harness = window();
    automate(&mut harness, Trim::pad(0, "drive_db"), [1.0, 2.0, 3.0]);
    assert_eq!(value_of(&harness, "Automation"), "1 automated");
    press(&mut harness, "Automation");
    automate(&mut harness, Trim::pad(0, "drive_db"), [1.0, 2.0, 3.0]);
    harness.get_by_label_contains("Type Pad 1 trim Drive, now host: ");

    press(&mut harness, "Tone");
    assert_eq!(value_of(&harness, "Bypass the tone"), "Bypass all");
    automate(&mut harness, Trim::pad(0, "tone"), [1.0, 0.0, 1.0]);
    assert_eq!(value_of(&harness, "Bypass the tone"), "Host: active");
    automate(&mut harness, Trim::pad(0, "tone"), [0.0, 1.0, 0.0]);
    assert_eq!(value_of(&harness, "Bypass the tone"), "Host: bypassed");

    automate(&mut harness, Trim::pad(4, "mute"), [1.0, 0.0, 1.0]);
    assert_eq!(value_of(&harness, "Mute pad 5"), "moved by the host");
    automate(&mut harness, Trim::pad(5, "solo"), [1.0, 0.0, 1.0]);
    assert_eq!(value_of(&harness, "Solo pad 6"), "moved by the host");

    automate(&mut harness, Trim::Kit(0), [-1.0, -2.0, -3.0]);
    assert_eq!(value_of(&harness, "Output of the kit"), "Output: host");
    press(&mut harness, "Output of the kit");
    automate(&mut harness, Trim::Kit(0), [-1.0, -2.0, -4.0]);
    harness.get_by_label_contains("Type Kit trim Kit level, now host: -4");
    press(&mut harness, "Close the output");

    // a moment after the last movement nothing is marked any more
    for _ in 0..80 {
        harness.step();
    }
    for label in ["Mute pad 5", "Solo pad 6"] {
        assert_eq!(value_of(&harness, label), "", "{label}");
    }
    assert_eq!(value_of(&harness, "Output of the kit"), "Output");
    assert_eq!(value_of(&harness, "Bypass the tone"), "All bypassed");
    // a trim that the player moves is not marked
    press(&mut harness, "Mute pad 5");
    assert_eq!(value_of(&harness, "Mute pad 5"), "");
}

#[test]
fn opening_browsing_and_undo_play_no_sound() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("plain.kitwright");
    plain_kit().save(&file, &Quiet).expect("saved");
    let mut harness = empty_window(1280.0, 800.0, 1.0);
    harness.state().session.attach_engine(48_000.0, Arc::default());
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &file, "Open file");
    wait_until(&mut harness, "the kit", |d| !d.session.kit().takes.is_empty());
    for section in Section::ALL {
        press(&mut harness, section.word());
    }
    press(&mut harness, "A or B of the kit");
    press(&mut harness, "Undo");
    settle(&mut harness);
    assert!(harness.state().session.take_trigger().is_none());
    assert!(harness.state().session.take_preview().is_none());
}

#[test]
fn an_error_stays_shown_and_playing_goes_on() {
    let mut harness = window();
    let error = kitwright_core::error::Error::file("knock.wav", "is not audio; choose another file");
    harness.state().session.report(error);
    settle(&mut harness);
    harness.key_press(egui::Key::Z);
    harness.run_ok();
    harness.state().session.take_trigger().expect("a stroke");
    press(&mut harness, "Mix");
    harness.get_by_label("Pad 1 Level").set_value_accesskit(-6.0);
    harness.run_ok();
    assert_eq!(harness.state().session.kit().doc.pads[0].settings.level_db, -6.0);
    for _ in 0..600 {
        harness.step();
    }
    harness.get_by_label_contains("knock.wav");
    press(&mut harness, "Dismiss the message");
    assert!(harness.query_by_label_contains("knock.wav").is_none());
}

#[test]
fn the_about_box_shows_the_hearing_caution() {
    let mut harness = window();
    press(&mut harness, "About Kitwright");
    harness.get_by_label_contains("Mind your hearing");
    press(&mut harness, "Close About");
    assert!(harness.query_by_label_contains("Mind your hearing").is_none());
}

#[test]
fn f6_goes_from_region_to_region() {
    let mut harness = window();
    let mut key = |modifiers| {
        harness.key_press_modifiers(modifiers, egui::Key::F6);
        harness.run_ok();
        let focused = harness.query_by(|node| node.is_focused() && node.label().is_some());
        focused.and_then(|node| node.accesskit_node().label()).unwrap_or_default()
    };
    let none = egui::Modifiers::NONE;
    assert_eq!(key(none), "Open a recording or a kit");
    assert_eq!(key(none), "Wave of take 1");
    assert_eq!(key(none), "Hit");
    assert_eq!(key(none), "Pad 1, kick");
    assert_eq!(key(none), "Open a recording or a kit");
    assert_eq!(key(egui::Modifiers::SHIFT), "Pad 1, kick");
}

/// Presses the pointer on a control and moves it by 30 points, still held; returns where it is.
fn hold(harness: &mut Harness<'_, TestWindow>, control: &str) -> egui::Pos2 {
    let at = harness.get_by_label(control).rect().center();
    harness.hover_at(at);
    harness.step();
    harness.drag_at(at);
    harness.step();
    for x in [10.0, 20.0, 30.0] {
        harness.hover_at(at + egui::vec2(x, 0.0));
        harness.step();
    }
    at + egui::vec2(30.0, 0.0)
}

#[test]
fn a_gesture_ends_with_the_pointer_when_its_control_is_hidden() {
    let mut harness = window();
    press(&mut harness, "Automation");
    let at = hold(&mut harness, "Pad 1 trim Drive");
    assert_eq!(harness.state().trims.open_gestures, 1);
    harness.state_mut().window.selection.section = Section::Hit;
    harness.step();
    assert_eq!(harness.state().trims.open_gestures, 1, "the pointer is still down");
    harness.drop_at(at);
    harness.run_ok();
    assert_eq!(harness.state().trims.open_gestures, 0);
}

#[test]
fn a_fit_is_computed_when_its_slider_is_disabled_while_it_is_held() {
    let mut harness = window();
    let fit = |d: &TestWindow| d.session.kit().doc.pads[0].fit;
    let before = fit(harness.state());
    let at = hold(&mut harness, "Pad 1 Fit");
    harness.state().session.edit("lock", |kit| kit.doc.pads[0].locked = true);
    harness.step();
    harness.drop_at(at);
    harness.step();
    harness.state().session.edit("unlock", |kit| kit.doc.pads[0].locked = false);
    wait_until(&mut harness, "the fit", |d| fit(d) != before && d.session.job().is_none());
}
