//! The pad editor: sliders, layers, EQ, cloud, variation, trims.

use super::*;
use kitwright::editor::Trim;

fn pitch(harness: &Harness<'_, TestWindow>) -> f32 {
    harness.state().session.kit().doc.pads[0].layers[0].settings.pitch_st
}

const PITCH: &str = "Pad 1 layer 1 Pitch";

fn layers() -> Harness<'static, TestWindow> {
    let mut harness = window();
    press(&mut harness, "Layers");
    harness
}

#[test]
fn a_number_is_dragged_finely_with_shift_and_set_back_by_a_double_click() {
    let mut harness = layers();
    let rect = harness.get_by_label(PITCH).rect();
    let at = egui::pos2(rect.left() + 20.0, rect.bottom() - 8.0);
    drag(&mut harness, at, at + egui::vec2(40.0, 0.0));
    let coarse = pitch(&harness);
    assert!(coarse > 10.0, "{coarse} st");
    for _ in 0..2 {
        harness.get_by_label(PITCH).click();
    }
    harness.run_ok();
    assert_eq!(pitch(&harness), 0.0);
    harness.event(egui::Event::ModifiersChanged(egui::Modifiers::SHIFT));
    harness.step();
    drag(&mut harness, at, at + egui::vec2(40.0, 0.0));
    let fine = pitch(&harness);
    assert!((coarse / fine - 10.0).abs() < 1.5, "{coarse} st, with Shift {fine} st");
}

#[test]
fn a_value_is_typed_with_its_unit() {
    let mut harness = layers();
    harness.get_by_label_contains("Type Pad 1 layer 1 Pitch").click();
    harness.run_ok();
    harness.get_by_label("Pad 1 layer 1 Pitch value").type_text("-5 st");
    harness.run_ok();
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    assert_eq!(pitch(&harness), -5.0);
    // an invalid text changes nothing, and Escape closes the field
    harness.get_by_label_contains("Type Pad 1 layer 1 Pitch").click();
    harness.run_ok();
    harness.get_by_label("Pad 1 layer 1 Pitch value").type_text("loud");
    harness.run_ok();
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    harness.key_press(egui::Key::Escape);
    harness.run_ok();
    assert_eq!(pitch(&harness), -5.0);
    harness.get_by_label(PITCH);
}

#[test]
fn arrow_keys_and_screen_readers_move_a_number() {
    let mut harness = layers();
    harness.get_by_label(PITCH).focus();
    harness.run_ok();
    harness.key_press(egui::Key::ArrowRight);
    harness.run_ok();
    assert!((pitch(&harness) - 0.96).abs() < 0.01, "{}", pitch(&harness));
    harness.get_by_label(PITCH).set_value_accesskit(7.0);
    harness.run_ok();
    assert_eq!(pitch(&harness), 7.0);
}

#[test]
fn scrolling_over_a_number_moves_it() {
    let mut harness = layers();
    let at = harness.get_by_label(PITCH).rect().center();
    harness.hover_at(at);
    harness.step();
    harness.event(egui::Event::MouseWheel {
        unit: egui::MouseWheelUnit::Line,
        delta: egui::vec2(0.0, 1.0),
        modifiers: egui::Modifiers::NONE,
        phase: egui::TouchPhase::Move,
        source: egui::MouseWheelSource::Unknown,
    });
    for _ in 0..20 {
        harness.step();
    }
    assert!(pitch(&harness) > 0.5, "{} st", pitch(&harness));
}

#[test]
fn layers_are_added_switched_off_and_removed() {
    let mut harness = layers();
    let count = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[0].layers.len();
    press(&mut harness, "Add a layer");
    assert_eq!(count(&harness), 3);
    assert_eq!(harness.state().window.selection.layer, 2);
    press(&mut harness, "Pad 1 layer 3 On");
    assert!(!harness.state().session.kit().doc.pads[0].layers[2].settings.on);
    press(&mut harness, "Remove the layer");
    assert_eq!(count(&harness), 2);
}

#[test]
fn the_envelope_is_dragged_over_the_wave() {
    let mut harness = layers();
    let decay = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[0].layers[0].settings.decay_ms;
    let before = decay(&harness);
    let grip = harness.get_by_label("Decay of layer 1").rect().center();
    drag(&mut harness, grip, grip + egui::vec2(60.0, 0.0));
    assert!(decay(&harness) > before * 1.2, "{} ms after {before} ms", decay(&harness));
    let grip = harness.get_by_label("Start of layer 1").rect().center();
    drag(&mut harness, grip, grip + egui::vec2(30.0, 0.0));
    assert!(harness.state().session.kit().doc.pads[0].layers[0].settings.start_ms > 1.0);
    // the fade in at the beginning, and where the reading ends
    let grip = harness.get_by_label("Attack of layer 1").rect().center();
    drag(&mut harness, grip, grip + egui::vec2(20.0, 0.0));
    assert!(harness.state().session.kit().doc.pads[0].layers[0].settings.attack_ms > 1.0);
    let end = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[0].layers[0].settings.end_ms;
    let whole = end(&harness);
    let grip = harness.get_by_label("End of layer 1").rect().center();
    drag(&mut harness, grip, grip - egui::vec2(60.0, 0.0));
    assert!(end(&harness) < whole && end(&harness) < 1000.0, "{} ms", end(&harness));
}

#[test]
fn a_layer_is_chosen_in_the_picture() {
    let mut harness = layers();
    press(&mut harness, "Choose layer 2");
    assert_eq!(harness.state().window.selection.layer, 1);
    harness.get_by_label("Pad 1 layer 2 Pitch");
    harness.get_by_label("Start of layer 2");
}

#[test]
fn the_eq_is_dragged_on_its_curve_and_stages_change_places() {
    let mut harness = window();
    press(&mut harness, "Tone");
    let grip = harness.get_by_label("High band of the curve").rect().center();
    drag(&mut harness, grip, grip - egui::vec2(0.0, 40.0));
    let band = harness.state().session.kit().doc.pads[0].tone.bands[2];
    assert!(band.on && band.gain_db > 2.0, "{band:?}");
    let first = harness.state().session.kit().doc.pads[0].tone.order[0];
    press(&mut harness, "Stage later");
    assert_eq!(harness.state().session.kit().doc.pads[0].tone.order[1], first);
}

#[test]
fn an_option_is_chosen_from_a_list() {
    let mut harness = window();
    press(&mut harness, "Cloud");
    press(&mut harness, "Pad 1 cloud Timing");
    press(&mut harness, "Pad 1 cloud Timing: bursts");
    assert_eq!(harness.state().session.kit().doc.pads[0].cloud.timing, kitwright_core::kit::Timing::Bursts);
}

#[test]
fn essential_settings_come_first_and_the_rest_on_demand() {
    let mut harness = window();
    for (section, essential, rest) in [
        ("Layers", "Pad 1 layer 1 Decay", "Pad 1 layer 1 Sweep time"),
        ("Cloud", "Pad 1 cloud Copies", "Pad 1 cloud Reverse chance"),
        ("Mix", "Pad 1 Level", "Pad 1 Alternates"),
        ("Automation", "Pad 1 trim Drive", "Pad 1 trim Cloud pitch"),
    ] {
        press(&mut harness, section);
        harness.get_by_label(essential);
        assert!(harness.query_by_label(rest).is_none(), "{rest}");
        press(&mut harness, "More settings");
        harness.get_by_label(essential);
        harness.get_by_label(rest);
    }
    // a large window has room for all of them
    let mut large = sized_window(1920.0, 1400.0, 1.0);
    press(&mut large, "Layers");
    large.get_by_label("Pad 1 layer 1 Sweep time");
    assert!(large.query_by_label("More settings").is_none());
    // each section keeps its own choice, and what was set by hand stays in sight
    press(&mut harness, "Layers");
    harness.get_by_label("Pad 1 layer 1 Sweep time").set_value_accesskit(300.0);
    harness.run_ok();
    press(&mut harness, "More settings");
    harness.get_by_label("Pad 1 layer 1 Sweep time");
    assert!(harness.query_by_label("Pad 1 layer 1 Resonance").is_none());
}

#[test]
fn a_note_is_typed_and_a_pad_that_had_it_takes_the_other_one() {
    let mut harness = window();
    press(&mut harness, "Mix");
    let notes = |h: &Harness<'_, TestWindow>| {
        let kit = h.state().session.kit();
        [kit.doc.pads[0].note, kit.doc.pads[2].note]
    };
    for (text, expected) in [("D2", [38, 36]), ("36", [36, 38]), ("no note", [36, 38]), ("c#-1", [1, 38])] {
        harness.get_by_label("Note of pad 1").focus();
        harness.run_ok();
        harness.get_by_label("Note of pad 1").type_text(text);
        harness.run_ok();
        harness.key_press(egui::Key::Enter);
        harness.run_ok();
        assert_eq!(notes(&harness), expected, "{text}");
    }
    assert!(harness.state().session.kit().doc.pads[0].is_by_hand("note"));
    assert_eq!(harness.state().session.error(), None);
    press(&mut harness, "Undo");
    assert_eq!(notes(&harness)[0], 36);
}

#[test]
fn the_next_key_on_midi_becomes_the_pad_s_note() {
    let mut harness = window();
    press(&mut harness, "Mix");
    let note = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[0].note;
    harness.state().session.key_received(0, 72);
    settle(&mut harness);
    assert_eq!(note(&harness), 36, "only when it is asked for");
    press(&mut harness, "Learn the note of the pad");
    assert_eq!(note(&harness), 36, "a key from before does not count");
    harness.state().session.key_received(9, 72);
    settle(&mut harness);
    assert_eq!(note(&harness), 72);
    harness.state().session.key_received(9, 74);
    settle(&mut harness);
    assert_eq!(note(&harness), 72, "one key alone");
    press(&mut harness, "Learn the note of the pad");
    press(&mut harness, "Learn the note of the pad");
    harness.state().session.key_received(9, 75);
    settle(&mut harness);
    assert_eq!(note(&harness), 72, "given up");
}

/// The sound that the window asked to be played.
fn previewed(harness: &mut Harness<'_, TestWindow>) -> Arc<kitwright_core::take::Take> {
    let start = Instant::now();
    loop {
        if let Some(preview) = harness.state().session.take_preview() {
            return preview.take.clone();
        }
        assert!(start.elapsed() < PATIENCE, "nothing is played");
        std::thread::sleep(Duration::from_millis(5));
        harness.step();
    }
}

#[test]
fn the_hit_as_recorded_and_the_finished_sound_are_heard_at_equal_loudness() {
    let mut harness = window();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    // far apart: 20 dB down, and a tone chain that makes it dull
    harness.state().session.edit_pad(0, "level", |p| {
        p.settings.level_db = -20.0;
        (p.tone.high_cut.on, p.tone.high_cut.hz) = (true, 300.0);
    });
    settle(&mut harness);
    let loudness = |take: &kitwright_core::take::Take| {
        kitwright_core::listen::describe(take, 0, take.frames()).loudness_lufs
    };
    press(&mut harness, "Play the hit as recorded");
    let raw = previewed(&mut harness);
    press(&mut harness, "Play the finished sound");
    let finished = previewed(&mut harness);
    let (raw, finished) = (loudness(&raw), loudness(&finished));
    assert!((raw - finished).abs() < 0.2 && raw > -60.0, "{raw} and {finished} LUFS");
}

#[test]
fn why_this_hit_is_said_and_chips_lead_to_the_settings() {
    let mut harness = window();
    let scores = harness.get_by_label_contains("Score of each role: ");
    let words = scores.accesskit_node().value().expect("it has one");
    for role in ["kick", "snare", "rim", "clap", "closed hat", "open hat", "shaker", "tom", "cymbal"] {
        assert!(words.contains(role), "{words}");
    }
    let reasons: Vec<String> = harness
        .query_all_by_label_contains("Speaks ")
        .filter_map(|node| node.accesskit_node().value())
        .collect();
    assert!((1..=4).contains(&reasons.len()), "{reasons:?}");
    for reason in &reasons {
        let (_, words) = reason.split_once(": ").expect("a side and its words");
        assert!(words.split(' ').count() <= 3, "{reason}");
    }
    press(&mut harness, "cut below 42 Hz: show Tone");
    assert_eq!(harness.state().window.selection.section, kitwright::editor::Section::Tone);
    // the sound is measured anew: another one has other reasons
    press(&mut harness, "Hit");
    harness.state().session.edit_pad(0, "cut", |p| (p.tone.low_cut.on, p.tone.low_cut.hz) = (true, 5000.0));
    settle(&mut harness);
    let now = harness.get_by_label_contains("Score of each role: ").accesskit_node().value();
    assert_ne!(now, Some(words));
}

#[test]
fn the_list_of_hits_is_filtered_sorted_and_stepped_through_by_ear() {
    let mut harness = window();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    let first = harness.state().session.kit().doc.pads[0].audition.clone().expect("cast").next_best[0];
    harness.get_by_label("List of hits").focus();
    harness.run_ok();
    harness.key_press(egui::Key::ArrowDown);
    harness.run_ok();
    (0..20).for_each(|_| harness.step());
    let heard = previewed(&mut harness);
    assert_eq!(heard.name, "audition", "as the role, not raw");
    let kit = harness.state().session.kit();
    assert_eq!(kit.doc.pads[0].audition.as_ref().map(|a| a.hit), Some(1), "nothing is chosen yet");
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    let chosen = move |d: &TestWindow| {
        d.session.kit().doc.pads[0].audition.as_ref().is_some_and(|a| (a.take, a.hit) == (first.0, first.1))
    };
    wait_until(&mut harness, "the hit", chosen);
    press(&mut harness, "Order and filter of the hits");
    press(&mut harness, "List with a pitch");
    let value = |h: &Harness<'_, TestWindow>| {
        h.get_by_label("Order and filter of the hits").accesskit_node().value().unwrap_or_default()
    };
    assert_eq!(value(&harness), "with a pitch");
    press(&mut harness, "Order and filter of the hits");
    press(&mut harness, "Hits by loudness");
    assert_eq!(value(&harness), "by loudness, with a pitch");
}

#[test]
fn a_variation_is_frozen_and_replaced() {
    let mut harness = window();
    press(&mut harness, "Mix");
    press(&mut harness, "Freeze the variation");
    press(&mut harness, "Another frozen variation");
    let variation = harness.state().session.kit().doc.pads[0].variation;
    assert_eq!((variation.mode, variation.frozen), (kitwright_core::kit::VariationMode::Held, 1.0));
}

#[test]
fn trims_change_the_host_s_parameters_and_not_the_kit() {
    let mut harness = window();
    press(&mut harness, "Automation");
    let revision = harness.state().session.revision();
    harness.get_by_label("Pad 1 trim Drive").set_value_accesskit(6.0);
    harness.run_ok();
    assert_eq!(harness.state().trims.trims.pads[0].drive_db, 6.0);
    assert_eq!(harness.state().trims.open_gestures, 0);
    assert_eq!(harness.state().session.revision(), revision);
}

/// Plays the session's kit as a host would, with what the window asks for.
struct Player {
    engine: kitwright_core::engine::Engine,
}

impl Player {
    fn new(session: &Session) -> Self {
        let engine = kitwright_core::engine::Engine::new(48_000.0);
        session.attach_engine(48_000.0, engine.meters());
        Self { engine }
    }

    /// Triggers a pad and plays for so many ms.
    fn trigger(&mut self, session: &Session, pad: usize, ms: usize) {
        while let Some(kit) = session.take_play_kit() {
            self.engine.set_kit(kit);
        }
        let note = session.kit().doc.pads[pad].note;
        self.engine.note_on(note, 1.0);
        for _ in 0..ms * 48 / 64 {
            self.engine.render(64);
        }
    }
}

#[test]
fn the_tone_section_shows_live_spectrum_and_gain_reduction() {
    let mut harness = window();
    harness.state().session.edit("limiter", |kit| {
        let limiter = &mut kit.doc.pads[0].tone.limiter;
        limiter.on = true;
        limiter.threshold_db = -30.0;
    });
    let mut player = Player::new(&harness.state().session);
    press(&mut harness, "Tone");
    press(&mut harness, "Stage Limiter");
    harness.get_by_label("Frequency response of cuts and EQ, over the hit's spectrum");
    harness.get_by_label("Gain reduction of the limiter stage: 0 dB");
    player.trigger(&harness.state().session, 0, 60);
    harness.step();
    player.trigger(&harness.state().session, 0, 60);
    harness.step();
    harness.get_by_label("Frequency response of cuts and EQ, over the live spectrum");
    let reading = harness.get_by_label_contains("Gain reduction of the limiter stage: -");
    let db: f32 = reading
        .accesskit_node()
        .label()
        .and_then(|l| l.rsplit('-').next().and_then(|n| n.trim_end_matches(" dB").parse().ok()))
        .expect("a number");
    assert!((3.0..30.0).contains(&db), "{db} dB");
    // it falls and ends, and then nothing is drawn any more
    for _ in 0..1200 {
        harness.step();
    }
    harness.get_by_label("Gain reduction of the limiter stage: 0 dB");
    harness.get_by_label("Frequency response of cuts and EQ, over the hit's spectrum");
    press(&mut harness, "Hit");
    let meters = harness.state().session.meters().expect("it plays");
    assert_eq!(
        meters.scope.source(),
        kitwright_core::engine::ScopeSource::Off,
        "the scope is off while no spectrum is shown"
    );
}

#[test]
fn the_cloud_section_shows_the_copies_of_the_last_stroke() {
    let mut harness = window();
    let mut player = Player::new(&harness.state().session);
    press(&mut harness, "Cloud");
    harness.get_by_label_contains("Picture of 24 copies as an example");
    player.trigger(&harness.state().session, 0, 20);
    harness.step();
    harness.get_by_label_contains("Picture of 24 copies of the last stroke");
    let look = |h: &mut Harness<'_, TestWindow>| {
        let rect = h.get_by_label_contains("Picture of 24 copies").rect();
        for _ in 0..240 {
            h.step();
        }
        let image = h.render().expect("rendered");
        image::imageops::crop_imm(
            &image,
            rect.left() as u32,
            rect.top() as u32,
            rect.width() as u32,
            rect.height() as u32,
        )
        .to_image()
    };
    let first = look(&mut harness);
    player.trigger(&harness.state().session, 0, 20);
    let second = look(&mut harness);
    assert!(first != second, "each stroke has its own copies");
    let again = look(&mut harness);
    assert!(second == again, "without a stroke the picture stays");
}

#[test]
fn what_was_done_to_a_hit_leads_to_its_settings() {
    use kitwright::editor::Section;
    let mut harness = window();
    press(&mut harness, "cut below 42 Hz: show Tone");
    assert_eq!(harness.state().window.selection.section, Section::Tone);
    press(&mut harness, "Hit");
    press(&mut harness, "an octave down: show Layers");
    assert_eq!(harness.state().window.selection.section, Section::Layers);
}

#[test]
fn a_right_click_on_a_host_parameter_asks_for_the_hosts_menu() {
    let mut harness = window();
    press(&mut harness, "Automation");
    let right_click = |harness: &mut Harness<'_, TestWindow>, at: egui::Pos2| {
        harness.hover_at(at);
        harness.step();
        for pressed in [true, false] {
            let (button, modifiers) = (egui::PointerButton::Secondary, egui::Modifiers::NONE);
            harness.event(egui::Event::PointerButton { pos: at, button, pressed, modifiers });
            harness.step();
        }
        harness.run_ok();
        harness.state_mut().trims.menu.take()
    };
    for (label, trim) in [
        ("Pad 1 trim Drive", Trim::pad(0, "drive_db")),
        ("Mute pad 3", Trim::pad(2, "mute")),
        ("Solo pad 1", Trim::pad(0, "solo")),
    ] {
        let at = harness.get_by_label(label).rect().center();
        assert_eq!(right_click(&mut harness, at), Some((trim, at)), "{label}");
    }
    assert_eq!(harness.state().trims.open_gestures, 0);
    assert_eq!(harness.state().trims.trims, kitwright_core::kit::Trims::default(), "nothing is moved");
    press(&mut harness, "Layers");
    let at = harness.get_by_label(PITCH).rect().center();
    assert_eq!(right_click(&mut harness, at), None, "a setting of the kit is no parameter");
}
