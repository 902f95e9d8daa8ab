//! The box of the key parts: making, changing and removing a bass and chords.

use super::*;
use kitwright_core::take::Take;

/// A kit with one take of a decaying tone, whose hits are detected.
fn window_with_tones() -> Harness<'static, TestWindow> {
    let samples = (0..96_000)
        .map(|i| {
            let t = f64::from(i % 48_000) / 48_000.0 - 0.1;
            let tone = (1..6).map(|n| (690.0 * f64::from(n) * t).sin() / f64::from(n)).sum::<f64>();
            if t < 0.0 { 0.0 } else { (0.3 * tone * (-4.0 * t).exp()) as f32 }
        })
        .collect();
    let take = Arc::new(Take::from_samples("tones", 48_000, vec![samples]));
    let hits = kitwright_core::listen::detect(&take, &Default::default(), &Quiet).expect("hits");
    let mut harness = window();
    harness.state().session.edit("tones", |kit| {
        kit.doc.takes = vec![TakeEntry::new(&take, hits.clone())];
        kit.takes = vec![take.clone()];
        kit.doc.pads.iter_mut().for_each(|pad| *pad = kitwright_core::kit::Pad::empty(pad.note, pad.role));
    });
    assert_eq!(harness.state().session.error(), None);
    settle(&mut harness);
    harness
}

#[test]
fn a_bass_and_chords_are_made_changed_and_removed() {
    let mut harness = window_with_tones();
    let parts = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.key_parts.clone();
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    let made = parts(&harness);
    assert_eq!(made.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), ["bass", "chords"]);
    // 690 radians a second
    assert!((made[0].root_hz - 109.8).abs() < 0.5, "{} Hz", made[0].root_hz);
    assert_eq!(harness.query_all_by_label_contains("A2 (1").count(), 2, "both say what they play");
    press(&mut harness, "bass on");
    assert!(!parts(&harness)[0].settings.on);
    press(&mut harness, "Remove the chords");
    assert_eq!(parts(&harness).len(), 1);
    press(&mut harness, "Close the keys");
    press(&mut harness, "Undo");
    press(&mut harness, "Undo");
    assert_eq!(parts(&harness), made, "each is a step that can be undone");
    press(&mut harness, "Undo");
    assert_eq!(parts(&harness), []);
}

/// The keys that the window has pressed and let go since the last call.
fn played(harness: &Harness<'_, TestWindow>) -> Vec<(u8, u8, bool)> {
    let key = || harness.state().session.take_key();
    std::iter::from_fn(key).map(|k| (k.channel, k.key, k.velocity > 0.0)).collect()
}

#[test]
fn drawn_keys_play_a_part_until_they_are_let_go() {
    let mut harness = window_with_tones();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    settle(&mut harness);
    let at = harness.get_by_label("Keys of the bass").rect().left_bottom() + egui::vec2(4.0, -4.0);
    harness.hover_at(at);
    harness.step();
    harness.drag_at(at);
    (0..5).for_each(|_| harness.step());
    let pressed = played(&harness);
    assert_eq!(pressed.len(), 1, "{pressed:?}");
    let (channel, key, on) = pressed[0];
    // the octave and a half below A2, from a white key on
    assert_eq!((channel, key, on), (1, 45 - 19, true));
    // sliding on to the next white key
    harness.hover_at(at + egui::vec2(30.0, 0.0));
    (0..3).for_each(|_| harness.step());
    let slid = played(&harness);
    assert_eq!((slid.len(), slid[0]), (2, (1, key, false)));
    assert!(slid[1].2 && slid[1].1 > key);
    harness.drop_at(at + egui::vec2(30.0, 0.0));
    harness.run_ok();
    assert_eq!(played(&harness), [(1, slid[1].1, false)]);
    // by the keyboard
    harness.get_by_label("Keys of the chords").focus();
    harness.run_ok();
    harness.key_down(egui::Key::Space);
    (0..5).for_each(|_| harness.step());
    let pressed = played(&harness);
    assert!(pressed.len() == 1 && pressed[0].0 == 2 && pressed[0].2, "{pressed:?}");
    harness.key_up(egui::Key::Space);
    harness.run_ok();
    assert_eq!(played(&harness), [(2, pressed[0].1, false)]);
}

#[test]
fn closing_the_box_lets_its_key_go() {
    let mut harness = window_with_tones();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    settle(&mut harness);
    harness.get_by_label("Keys of the bass").focus();
    harness.run_ok();
    harness.key_down(egui::Key::Space);
    (0..3).for_each(|_| harness.step());
    harness.key_press(egui::Key::Escape);
    harness.run_ok();
    harness.run_ok();
    let played = played(&harness);
    assert_eq!(played.iter().map(|k| k.2).collect::<Vec<_>>(), [true, false], "{played:?}");
}

#[test]
fn the_channel_of_a_part_is_learned_and_its_range_is_typed_by_note_names() {
    let mut harness = window_with_tones();
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    press(&mut harness, "Learn the channel of the bass");
    harness.state().session.key_received(6, 40);
    settle(&mut harness);
    let settings = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.key_parts[0].settings;
    assert_eq!(settings(&harness).channel, 7);
    harness.get_by_label_contains("Type bass Highest key, now ").click();
    harness.run_ok();
    harness.get_by_label("bass Highest key value").type_text("C4");
    harness.run_ok();
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    assert_eq!(settings(&harness).high_key, 60);
    harness.get_by_label("Type bass Highest key, now C4");
}

#[test]
fn knocks_without_a_pitch_say_so() {
    let mut harness = window();
    harness.state().session.edit("no hits", |kit| kit.doc.takes.iter_mut().for_each(|t| t.hits.clear()));
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    assert!(harness.state().session.error().is_some_and(|e| e.to_string().contains("sure pitch")));
}
