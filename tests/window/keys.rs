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

#[test]
fn knocks_without_a_pitch_say_so() {
    let mut harness = window();
    harness.state().session.edit("no hits", |kit| kit.doc.takes.iter_mut().for_each(|t| t.hits.clear()));
    press(&mut harness, "Keys of the instrument");
    press(&mut harness, "Make the bass and the chords");
    assert!(harness.state().session.error().is_some_and(|e| e.to_string().contains("sure pitch")));
}
