//! Undo, redo, A/B and bypass.

use super::*;

fn level(harness: &Harness<'_, TestWindow>) -> f32 {
    harness.state().session.kit().doc.pads[0].settings.level_db
}

fn set_level(harness: &mut Harness<'_, TestWindow>, db: f64) {
    harness.get_by_label("Pad 1 Level").set_value_accesskit(db);
    harness.run_ok();
}

fn place() -> Harness<'static, TestWindow> {
    let mut harness = window();
    press(&mut harness, "Mix");
    harness
}

#[test]
fn undo_and_redo_work_by_button_and_key() {
    let mut harness = place();
    set_level(&mut harness, -6.0);
    press(&mut harness, "Undo");
    assert_eq!(level(&harness), 0.0);
    press(&mut harness, "Redo");
    assert_eq!(level(&harness), -6.0);
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::Z);
    harness.run_ok();
    assert_eq!(level(&harness), 0.0);
    harness.key_press_modifiers(egui::Modifiers::COMMAND | egui::Modifiers::SHIFT, egui::Key::Z);
    harness.run_ok();
    assert_eq!(level(&harness), -6.0);
}

#[test]
fn the_history_undoes_and_redoes_several_changes_at_once() {
    let mut harness = place();
    set_level(&mut harness, -6.0);
    harness.get_by_label("Pad 1 Pan").set_value_accesskit(0.5);
    harness.run_ok();
    press(&mut harness, "History of changes");
    press(&mut harness, "Undo from pad 1 level");
    let kit = harness.state().session.kit();
    assert_eq!((kit.doc.pads[0].settings.level_db, kit.doc.pads[0].settings.pan), (0.0, 0.0));
    assert!(!kit.takes.is_empty(), "older steps stay");
    // undone changes are listed as well and can be redone up to one of them
    press(&mut harness, "History of changes");
    press(&mut harness, "Redo up to pad 1 pan");
    let kit = harness.state().session.kit();
    assert_eq!((kit.doc.pads[0].settings.level_db, kit.doc.pads[0].settings.pan), (-6.0, 0.5));
    assert!(harness.get_by_label("Redo").accesskit_node().is_disabled(), "nothing is left to redo");
    press(&mut harness, "Undo");
    assert!(!harness.get_by_label("Redo").accesskit_node().is_disabled());
}

#[test]
fn a_and_b_keep_both_versions_of_a_pad_and_of_the_kit() {
    let mut harness = place();
    for (turn, values) in [("A or B of the pad", [-6.0, -12.0]), ("A or B of the kit", [-3.0, -9.0])] {
        set_level(&mut harness, values[0]);
        press(&mut harness, turn);
        assert_eq!(f64::from(level(&harness)), values[0], "both sides begin alike");
        set_level(&mut harness, values[1]);
        press(&mut harness, turn);
        assert_eq!(f64::from(level(&harness)), values[0]);
        press(&mut harness, turn);
        assert_eq!(f64::from(level(&harness)), values[1]);
    }
}

#[test]
fn bypassing_stages_or_the_chain_does_not_change_the_kit() {
    use kitwright_core::kit::ToneStage;
    let mut harness = window();
    press(&mut harness, "Tone");
    let revision = harness.state().session.revision();
    let out = |h: &Harness<'_, TestWindow>, stage| h.state().session.is_bypassed(0, stage);
    press(&mut harness, "Stage EQ");
    press(&mut harness, "Bypass EQ");
    assert!(out(&harness, ToneStage::Eq) && !out(&harness, ToneStage::Cuts));
    press(&mut harness, "Stage Cuts");
    press(&mut harness, "Bypass Cuts");
    press(&mut harness, "Stage EQ");
    press(&mut harness, "Bypass EQ");
    assert!(!out(&harness, ToneStage::Eq) && out(&harness, ToneStage::Cuts));
    press(&mut harness, "Bypass the tone");
    assert!(!harness.state().trims.trims.pads[0].tone);
    press(&mut harness, "Bypass the tone");
    assert!(harness.state().trims.trims.pads[0].tone);
    assert_eq!(harness.state().session.revision(), revision);
}

#[test]
fn a_hundred_and_twenty_changes_can_be_listed_and_undone() {
    let mut harness = place();
    let before = harness.state().session.kit().doc.pads.clone();
    for i in 0..120 {
        // alternating names: steps of one name within a second would merge
        let (pad, word) = (i % 16, ["level", "pan"][i % 2]);
        harness.state().session.edit(&format!("pad {} {word}", pad + 1), |kit| {
            let s = &mut kit.doc.pads[pad].settings;
            if i % 2 == 0 { s.level_db -= 0.5 } else { s.pan += 0.01 }
        });
    }
    settle(&mut harness);
    press(&mut harness, "History of changes");
    assert!(harness.state().session.undo_names().len() >= 120);
    assert!(harness.get_all_by_label("Undo from pad 8 pan").count() >= 1);
    harness.key_press(egui::Key::Escape);
    harness.run_ok();
    for _ in 0..120 {
        harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::Z);
        harness.step();
    }
    harness.run_ok();
    assert_eq!(harness.state().session.kit().doc.pads, before);
}

/// Loudness of the pad as a host would play it, with the window's bypass and trims, LUFS.
fn loudness(shown: &TestWindow) -> f64 {
    let mut engine = kitwright_core::engine::Engine::new(48_000.0);
    shown.session.attach_engine(48_000.0, engine.meters());
    let start = Instant::now();
    loop {
        if let Some(kit) = shown.session.take_play_kit() {
            engine.set_kit(kit);
            break;
        }
        assert!(start.elapsed() < PATIENCE, "no kit to play");
        std::thread::sleep(Duration::from_millis(5));
    }
    engine.set_trims(&shown.trims.trims);
    engine.bypass(0, shown.session.bypassed_stages(0));
    let mut meter = ebur128::EbuR128::new(2, 48_000, ebur128::Mode::I).expect("a meter");
    let note = shown.session.kit().doc.pads[0].note;
    for i in 0..48_000 * 8 / 64 {
        // four strokes a second; the first ones let the loudness matching settle
        if i % (48_000 / 64 / 4) == 0 {
            engine.note_on(note, 1.0);
        }
        engine.render(64);
        if i > 48_000 * 4 / 64 {
            let [left, right] = engine.main();
            meter.add_frames_planar_f32(&[left, right]).expect("measured");
        }
    }
    meter.loudness_global().expect("loud enough")
}

#[test]
fn bypassed_stages_keep_the_loudness_within_half_a_lu() {
    let mut harness = window();
    harness.state().session.edit("strong", |kit| {
        let pad = &mut kit.doc.pads[0];
        (pad.cloud.copies, pad.variation.mode) = (0, kitwright_core::kit::VariationMode::Held);
        pad.tone.bands[2] = kitwright_core::kit::Band { on: true, hz: 2000.0, gain_db: 12.0, q: 0.7 };
        pad.tone.limiter.on = true;
        (pad.tone.limiter.threshold_db, pad.tone.limiter.makeup_db) = (-24.0, 12.0);
    });
    press(&mut harness, "Tone");
    let with = loudness(harness.state());
    for (choose, bypass) in
        [("Stage EQ", "Bypass EQ"), ("Stage Limiter", "Bypass Limiter"), ("Stage EQ", "Bypass the tone")]
    {
        press(&mut harness, choose);
        press(&mut harness, bypass);
        let without = loudness(harness.state());
        println!("{bypass}: {:+.2} LU", without - with);
        // half of a just noticeable difference in loudness (about 1 dB, common practice, no source)
        assert!((without - with).abs() < 0.5, "{bypass}: {with:.2} and {without:.2} LUFS");
        press(&mut harness, choose);
        press(&mut harness, bypass);
    }
}

#[test]
fn the_key_of_the_song_is_chosen_by_hand() {
    let mut harness = window();
    press(&mut harness, "Output of the kit");
    press(&mut harness, "Key of the song");
    press(&mut harness, "Key D major");
    let key = |d: &TestWindow| d.session.kit().doc.key.map(|k| k.to_string());
    wait_until(&mut harness, "the key", |d| key(d).as_deref() == Some("D major"));
    press(&mut harness, "Key of the song");
    press(&mut harness, "Key no key");
    wait_until(&mut harness, "no key", |d| key(d).is_none());
}

#[test]
fn a_and_b_of_a_pad_keep_the_note_that_it_has_now() {
    let mut harness = place();
    set_level(&mut harness, -6.0);
    press(&mut harness, "A or B of the pad");
    set_level(&mut harness, -12.0);
    harness.state().session.edit("swap notes", |kit| {
        let notes = [kit.doc.pads[0].note, kit.doc.pads[1].note];
        (kit.doc.pads[0].note, kit.doc.pads[1].note) = (notes[1], notes[0]);
    });
    let note = harness.state().session.kit().doc.pads[0].note;
    for db in [-6.0, -12.0] {
        press(&mut harness, "A or B of the pad");
        assert_eq!(harness.state().session.error(), None);
        assert_eq!((level(&harness), harness.state().session.kit().doc.pads[0].note), (db, note));
    }
}

#[test]
fn a_and_b_of_the_kit_stay_where_their_takes_differ() {
    let mut harness = window();
    press(&mut harness, "A or B of the kit");
    harness.state().session.edit("add a take", |kit| {
        let take = demo::borrowed_cello(2).0;
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        kit.takes.push(Arc::new(take));
    });
    settle(&mut harness);
    for takes in [1, 2, 1, 2] {
        press(&mut harness, "A or B of the kit");
        assert_eq!(harness.state().session.kit().takes.len(), takes);
    }
}
