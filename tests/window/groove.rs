//! The groove in the window: on demand only, with its pattern, swing and density, and as a MIDI file.

use super::*;
use kitwright_core::groove::patterns::Pattern;

fn sounding_window(width: f32) -> Harness<'static, TestWindow> {
    let mut harness = sized_window(width, 800.0, 1.0);
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    harness
}

#[test]
fn the_groove_plays_on_demand_and_stops() {
    let mut harness = window();
    assert!(harness.get_by_label("Play the groove").accesskit_node().is_disabled(), "no engine is attached");
    for width in [900.0, 1280.0] {
        harness = sounding_window(width);
        assert!(!harness.state().session.groove().playing, "never by itself");
        press(&mut harness, "Play the groove");
        assert!(harness.state().session.groove().playing);
        press(&mut harness, "Play the groove");
        assert!(!harness.state().session.groove().playing);
    }
}

#[test]
fn pattern_swing_density_and_tempo_are_chosen() {
    let mut harness = sounding_window(1280.0);
    press(&mut harness, "Pattern of the groove");
    press(&mut harness, "Pattern half time");
    for (label, value) in [("Groove Swing", 0.5), ("Groove Density", 1.0), ("Groove Tempo", 120.0)] {
        harness.get_by_label(label).set_value_accesskit(value);
        harness.run_ok();
    }
    let groove = harness.state().session.groove();
    assert_eq!(groove.pattern, Pattern::HalfTime);
    assert_eq!((groove.swing, groove.density, groove.tempo), (0.5, 1.0, 120.0));
    harness.get_by_label("the host's transport is stopped");
    harness.state().session.set_host_tempo(Some(87.0));
    harness.run_ok();
    harness.get_by_label_contains("87 beats per minute");
}

#[test]
fn the_pattern_is_saved_as_a_midi_file() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = sounding_window(1280.0);
    press(&mut harness, "Pattern of the groove");
    press(&mut harness, "Pattern busy");
    press(&mut harness, "Save the pattern as a MIDI file");
    choose_file(&mut harness, &dir.path().join("busy"), "Save here");
    let file = dir.path().join("busy.mid");
    wait_until(&mut harness, "the file", |d| file.exists() && d.session.job().is_none());
    assert_eq!(harness.state().session.error(), None);
    let bytes = std::fs::read(&file).expect("read");
    let score = kitwright_core::export::Score::parse(&bytes).expect("a MIDI file");
    drop(score);
    assert!(bytes.len() > 500 && bytes.starts_with(b"MThd"));
}

#[test]
fn the_pad_editor_follows_the_pad_played_last_when_it_is_told_to_and_never_the_groove() {
    use std::sync::atomic::Ordering::Relaxed;
    let mut harness = window();
    let meters: Arc<kitwright_core::engine::Meters> = Arc::default();
    harness.state().session.attach_engine(48_000.0, meters.clone());
    settle(&mut harness);
    let strike = |h: &mut Harness<'_, TestWindow>, pad: usize| {
        meters.pad_triggers[pad].fetch_add(1, Relaxed);
        h.step();
        h.state().window.selection.pad
    };
    assert_eq!(strike(&mut harness, 4), 0, "it is off at first");
    press(&mut harness, "Pad menu");
    press(&mut harness, "Show the pad played last");
    assert_eq!(strike(&mut harness, 5), 5);
    press(&mut harness, "Play the groove");
    assert_eq!(strike(&mut harness, 6), 5);
}
