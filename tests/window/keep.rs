//! Job 6 of the window: save, load, export.

use super::*;

#[test]
fn a_kit_is_saved_and_loaded_and_never_replaced_without_asking() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("cello.kitwright");
    let mut harness = window();
    press(&mut harness, "Save the kit");
    choose_file(&mut harness, &dir.path().join("cello"), "Save here");
    wait_until(&mut harness, "the file", |d| file.exists() && d.session.job().is_none());
    assert_eq!(harness.state().session.error(), None);
    press(&mut harness, "Save the kit");
    choose_file(&mut harness, &file, "Save here");
    assert!(harness.state().window.browser.is_some(), "the browser asks first");
    press(&mut harness, "Replace it");
    assert!(harness.state().window.browser.is_none());
    wait_until(&mut harness, "the second save", |d| d.session.job().is_none());

    let saved = harness.state().session.kit();
    let mut other = empty_window(900.0, 600.0, 1.0);
    press(&mut other, "Open a recording");
    choose_file(&mut other, &file, "Open file");
    wait_until(&mut other, "the kit", |d| !d.session.kit().takes.is_empty());
    let loaded = other.state().session.kit();
    assert_eq!(loaded.doc.pads, saved.doc.pads);
    assert_eq!(loaded.takes[0].channels, saved.takes[0].channels);
    other.get_by_label("Pad 1, kick");
}

#[test]
fn a_full_or_missing_folder_is_told_and_the_kit_stays() {
    let mut harness = window();
    let before = harness.state().session.kit();
    press(&mut harness, "Save the kit");
    choose_file(&mut harness, std::path::Path::new("/nowhere/at/all/cello.kitwright"), "Save here");
    wait_until(&mut harness, "the trouble", |d| d.session.error().is_some());
    assert_eq!(harness.state().session.kit().doc, before.doc);
    harness.get_by_label("Dismiss the message");
}
