//! Job 5 of the window: compare, step back and forth.

use super::*;

fn level(harness: &Harness<'_, Desk>) -> f32 {
    harness.state().session.kit().doc.pads[0].settings.level_db
}

fn set_level(harness: &mut Harness<'_, Desk>, db: f64) {
    harness.get_by_label("Pad 1 Level").set_value_accesskit(db);
    harness.run_ok();
}

fn place() -> Harness<'static, Desk> {
    let mut harness = window();
    press(&mut harness, "Place");
    harness
}

#[test]
fn steps_are_taken_back_and_repeated_by_button_and_key() {
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
fn the_list_of_steps_goes_back_several_at_once() {
    let mut harness = place();
    set_level(&mut harness, -6.0);
    harness.get_by_label("Pad 1 Pan").set_value_accesskit(0.5);
    harness.run_ok();
    press(&mut harness, "List of steps");
    press(&mut harness, "Back before pad 1 level");
    let kit = harness.state().session.kit();
    assert_eq!((kit.doc.pads[0].settings.level_db, kit.doc.pads[0].settings.pan), (0.0, 0.0));
    assert!(!kit.takes.is_empty(), "older steps stay");
}

#[test]
fn a_and_b_of_a_pad_and_of_the_kit_keep_both_states() {
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
