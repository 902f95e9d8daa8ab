//! Work by hand is not lost: marks, locks, questions before it is replaced, what is found at the next start.

use super::import::{write_knocks, write_knocks_at};
use super::*;

/// A window over a kit cast from knocks, little shaped.
fn cast_window(dir: &tempfile::TempDir) -> Harness<'static, TestWindow> {
    let file = dir.path().join("knocks.wav");
    write_knocks(&file);
    let mut harness = empty_window(1280.0, 800.0, 1.0);
    harness.state().session.start(kitwright_core::session::Job::NewKit { takes: vec![file], fit: 0.0 });
    wait_until(&mut harness, "the kit", |d| !d.session.kit().takes.is_empty() && d.session.job().is_none());
    harness
}

#[test]
fn a_setting_changed_by_hand_is_marked_kept_and_let_go() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = cast_window(&dir);
    let pad = harness.state().window.selection.pad;
    let level = move |d: &TestWindow| d.session.kit().doc.pads[pad].settings.level_db;
    press(&mut harness, "Mix");
    harness.get_by_label(&format!("Pad {} Level", pad + 1)).set_value_accesskit(-31.0);
    harness.run_ok();
    assert!(harness.state().session.kit().doc.pads[pad].is_by_hand("level_db"));
    press(&mut harness, "Hit");
    harness.get_by_label(&format!("Pad {} Fit", pad + 1)).set_value_accesskit(0.1);
    harness.run_ok();
    wait_until(&mut harness, "the fit", |d| (d.session.kit().doc.pads[pad].fit - 0.1).abs() < 1e-6);
    assert_eq!(level(harness.state()), -31.0);
    press(&mut harness, "level follows the fit again");
    wait_until(&mut harness, "the level of the fit", |d| level(d) != -31.0);
    assert!(harness.query_by_label("level follows the fit again").is_none());
}

#[test]
fn the_menu_of_a_control_lets_its_setting_go() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = cast_window(&dir);
    let pad = harness.state().window.selection.pad;
    press(&mut harness, "Cloud");
    let control = format!("Pad {} cloud Copies", pad + 1);
    harness.get_by_label(&control).set_value_accesskit(41.0);
    harness.run_ok();
    harness.get_by_label(&control).click_secondary();
    harness.run_ok();
    press(&mut harness, &format!("{control} follows the fit again"));
    wait_until(&mut harness, "the copies of the fit", |d| d.session.kit().doc.pads[pad].cloud.copies != 41);
}

#[test]
fn a_locked_pad_has_no_fit_to_move() {
    let mut harness = window();
    press(&mut harness, "Lock the pad");
    assert!(harness.state().session.kit().doc.pads[0].locked);
    assert!(harness.get_by_label("Pad 1 Fit").accesskit_node().is_disabled());
    press(&mut harness, "Lock the pad");
    assert!(!harness.state().session.kit().doc.pads[0].locked);
}

#[test]
fn opening_over_unsaved_work_asks_first() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let (recording, kit) = (dir.path().join("other.wav"), dir.path().join("mine.kitwright"));
    write_knocks_at(&recording, 250.0);
    let mut harness = window();
    let before = harness.state().session.kit();
    let open = |h: &mut Harness<'_, TestWindow>| {
        press(h, "Open a recording or a kit");
        choose_file(h, &recording, "Open file");
        h.get_by_label_contains("changes that no file holds");
    };
    open(&mut harness);
    press(&mut harness, "Keep this kit");
    assert!(harness.state().session.job().is_none() && Arc::ptr_eq(&before, &harness.state().session.kit()));
    open(&mut harness);
    press(&mut harness, "Add as another take");
    wait_until(&mut harness, "the take", |d| d.session.kit().takes.len() == 2 && d.session.job().is_none());
    assert_eq!(harness.state().session.kit().doc.pads, before.doc.pads);
    open(&mut harness);
    press(&mut harness, "Save it first");
    choose_file(&mut harness, &kit, "Save here");
    wait_until(&mut harness, "the new kit", |d| d.session.kit().doc.name == "other");
    assert_eq!(Kit::load(&kit, &Quiet).expect("saved").takes.len(), 2);
    harness.state().session.cancel();
    wait_until(&mut harness, "the end", |d| d.session.job().is_none());
}

#[test]
fn a_program_that_ends_with_unsaved_work_asks_first() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("mine.kitwright");
    let ask = |h: &mut Harness<'_, TestWindow>| {
        h.state_mut().window.ask_before_end();
        settle(h);
        h.get_by_label_contains("changes that no file holds");
    };
    let mut harness = window();
    ask(&mut harness);
    press(&mut harness, "Keep working");
    assert!(!harness.state().window.ends());
    ask(&mut harness);
    press(&mut harness, "Save and close");
    assert!(!harness.state().window.ends(), "not before it is saved");
    choose_file(&mut harness, &file, "Save here");
    wait_until(&mut harness, "the end", |d| d.window.ends());
    assert_eq!(Kit::load(&file, &Quiet).expect("saved").takes.len(), 1);
    let mut harness = window();
    ask(&mut harness);
    press(&mut harness, "Close without saving");
    assert!(harness.state().window.ends());
}

#[test]
fn a_save_that_is_given_up_or_fails_leaves_the_kit_open() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let recording = dir.path().join("other.wav");
    write_knocks_at(&recording, 250.0);
    let mut harness = window();
    let before = harness.state().session.kit();
    for (place, verb) in [("", "Cancel choosing a file"), ("/nowhere/at/all/kit.kitwright", "Save here")] {
        press(&mut harness, "Open a recording or a kit");
        choose_file(&mut harness, &recording, "Open file");
        press(&mut harness, "Save it first");
        choose_file(&mut harness, std::path::Path::new(place), verb);
        wait_until(&mut harness, "the end", |d| d.session.job().is_none());
        for _ in 0..10 {
            harness.step();
        }
        assert!(
            harness.state().session.job().is_none() && Arc::ptr_eq(&before, &harness.state().session.kit())
        );
    }
}

#[test]
fn unsaved_work_of_an_earlier_run_is_offered_at_the_start() {
    let dir = tempfile::tempdir().expect("temporary folder");
    plain_kit().save(dir.path().join("My cello autosave 0 1.kitwright"), &Quiet).expect("saved");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    harness.state().session.autosave_every(dir.path().to_owned(), Duration::from_secs(3600));
    settle(&mut harness);
    press(&mut harness, "Restore My cello");
    wait_until(&mut harness, "the kit", |d| d.session.kit().doc.name == "Borrowed cello");
    harness.get_by_label("The kit is not saved");
}

#[test]
fn a_take_is_removed_once_no_pad_plays_it() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("second.wav");
    write_knocks(&file);
    let mut harness = window();
    assert!(harness.query_by_label("Remove the take").is_none(), "the only take stays");
    press(&mut harness, "Add take");
    choose_file(&mut harness, &file, "Add this take");
    wait_until(&mut harness, "the second take", |d| d.session.kit().takes.len() == 2);
    press(&mut harness, "Remove the take");
    wait_until(&mut harness, "one take", |d| d.session.kit().takes.len() == 1);
    assert_eq!(harness.state().window.take.take, 0);
}

#[test]
fn all_hits_are_tried_listed_and_stepped_through() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = cast_window(&dir);
    let pad = harness.state().window.selection.pad;
    press(&mut harness, "Try all hits in this role");
    let role = harness.state().session.kit().doc.pads[pad].role;
    wait_until(&mut harness, "the ranking", |d| d.session.ranking(role).is_some());
    let count = harness.state().session.ranking(role).expect("known").len();
    harness.get_by_label_contains(&format!("All {count} hits"));
    let here = harness.state().session.kit().doc.pads[pad].audition.as_ref().expect("cast").hit;
    press(&mut harness, "Next best hit");
    let hit = move |d: &TestWindow| d.session.kit().doc.pads[pad].audition.as_ref().map(|a| a.hit);
    wait_until(&mut harness, "another hit", |d| hit(d) != Some(here) && d.session.job().is_none());
    press(&mut harness, "Next better hit");
    wait_until(&mut harness, "the first again", |d| hit(d) == Some(here) && d.session.job().is_none());
}

#[test]
fn another_fit_of_the_kit_is_heard_pad_by_pad_and_is_one_step() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let harness = cast_window(&dir);
    let session = &harness.state().session;
    let shaped = || {
        let kit = session.kit();
        let cast = kit.doc.pads.iter().filter(|p| p.audition.is_some());
        (cast.clone().filter(|p| (p.shaped() - 0.6).abs() < 1e-6).count(), cast.count())
    };
    let (none, count) = shaped();
    assert!(none == 0 && count > 3);
    let steps = session.undo_names().len();
    session.start(kitwright_core::session::Job::SetFit { pad: None, fit: 0.6 });
    let (start, mut seen) = (Instant::now(), Vec::new());
    while session.job().is_some() {
        assert!(start.elapsed() < PATIENCE, "it does not end");
        let now = shaped().0;
        if seen.last() != Some(&now) {
            println!("{now} of {count} pads after {:?}", start.elapsed());
            seen.push(now);
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    assert_eq!(shaped().0, count);
    assert!(seen.contains(&1) && seen.len() > 2, "{seen:?}");
    let first = seen.iter().position(|n| *n == 1);
    assert_eq!(first, Some(1), "the first pad comes first");
    assert_eq!(session.undo_names().len(), steps + 1);
    session.undo();
    assert_eq!(shaped().0, 0);
}
