//! The box of the kit library, and what the host says.

use super::*;
use kitwright::editor::library::LibraryView;
use kitwright_core::library::Library;
use std::path::Path;

/// A window whose library has three kits of one pad.
fn window_with_library(folder: &Path) -> Harness<'static, TestWindow> {
    let library = Library::open(folder).unwrap();
    for name in ["Ash", "Birch", "Oak"] {
        let mut kit = plain_kit();
        kit.doc.name = name.into();
        library.add(&kit.keep_used().unwrap(), &Quiet).unwrap();
    }
    let mut harness = window();
    harness.state_mut().window.library = LibraryView::of(folder.to_owned());
    press(&mut harness, "Kits of the library");
    settle(&mut harness);
    harness
}

fn idle(state: &TestWindow) -> bool {
    state.session.job().is_none()
}

fn name(harness: &Harness<'_, TestWindow>) -> String {
    harness.state().session.kit().doc.name.clone()
}

#[test]
fn kits_are_found_loaded_one_after_the_other_copied_and_thrown_away() {
    let folder = tempfile::tempdir().unwrap();
    let mut harness = window_with_library(folder.path());
    assert!(harness.query_by_label("Kit Birch").is_some());
    press(&mut harness, "Next kit");
    // the kit of the test is saved nowhere
    press(&mut harness, "Replace it");
    wait_until(&mut harness, "the first kit", |s| idle(s) && s.session.kit().doc.name == "Ash");
    press(&mut harness, "Next kit");
    wait_until(&mut harness, "the next kit", |s| idle(s) && s.session.kit().doc.name == "Birch");
    press(&mut harness, "Previous kit");
    wait_until(&mut harness, "the kit before", |s| idle(s) && s.session.kit().doc.name == "Ash");
    press(&mut harness, "Kit Oak");
    press(&mut harness, "Duplicate the chosen kit");
    wait_until(&mut harness, "the copy", idle);
    assert!(harness.query_by_label("Kit Oak copy").is_some(), "the list is read again");
    press(&mut harness, "Throw the chosen kit away");
    wait_until(&mut harness, "the trash", idle);
    assert!(harness.query_by_label("Kit Oak").is_none());
    assert!(folder.path().join("trash/Oak.kitwright").is_file());
    assert_eq!((name(&harness).as_str(), harness.state().session.error()), ("Ash", None));
    press(&mut harness, "Close the kits");
    assert!(harness.query_by_label("Next kit").is_none());
}

#[test]
fn the_hosts_track_and_marks_are_shown_only_where_the_host_tells_them() {
    let mut harness = window();
    assert!(harness.query_by_label_contains("Track of the host").is_none());
    harness.state_mut().trims.track =
        Some(editor::Track { name: "Drum bus".into(), colour: Some([200, 40, 40]) });
    harness.state_mut().trims.indicated =
        Some((editor::Trim::Kit(0), editor::Indication { words: "mapped to Macro 1".into(), colour: None }));
    harness.run_ok();
    assert!(harness.query_by_label("Track of the host: Drum bus").is_some());
    press(&mut harness, "Output of the kit");
    assert!(harness.query_by_label("In the host, Kit level: mapped to Macro 1").is_some());
}
