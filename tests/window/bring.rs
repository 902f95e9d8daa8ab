//! Job 1 of the window: bring sound in.

use super::*;

#[test]
fn an_empty_window_shows_one_sentence_and_one_button() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    let buttons = harness.get_all_by_role(egui::Role::Button).count();
    assert_eq!(buttons, 1);
    harness.get_by_label("Open a recording");
    assert!(harness.query_by_label("Undo").is_none());
}

#[test]
fn the_browser_walks_into_folders_and_lists_what_can_be_opened() {
    let dir = tempfile::tempdir().expect("temporary folder");
    std::fs::create_dir(dir.path().join("inner")).expect("made");
    std::fs::write(dir.path().join("inner/knock.wav"), b"x").expect("written");
    std::fs::write(dir.path().join("inner/letter.txt"), b"x").expect("written");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    harness.state_mut().window.memory.folder = Some(dir.path().to_owned());
    press(&mut harness, "Open a recording");
    settle(&mut harness);
    press(&mut harness, "Folder inner");
    settle(&mut harness);
    assert!(harness.query_by_label("File letter.txt").is_none());
    press(&mut harness, "File knock.wav");
    press(&mut harness, "Cancel choosing a file");
    assert!(harness.state().window.browser.is_none());
    assert_eq!(harness.state().window.memory.folder.as_deref(), Some(dir.path().join("inner").as_path()));
}

#[test]
fn a_file_that_is_no_recording_is_told_until_dismissed() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("letter.wav");
    std::fs::write(&file, "Dear cello,").expect("written");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &file, "Open file");
    wait_until(&mut harness, "the trouble", |d| d.session.error().is_some());
    assert!(harness.query_by_label_contains("letter.wav").is_some(), "the message names the file");
    settle(&mut harness);
    press(&mut harness, "Dismiss the message");
    assert_eq!(harness.state().session.error(), None);
    assert!(harness.query_by_label("Dismiss the message").is_none());
}

#[test]
fn a_take_is_added_beside_the_first() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("second.wav");
    write_knocks(&file);
    let mut harness = window();
    press(&mut harness, "Add take");
    choose_file(&mut harness, &file, "Add this take");
    wait_until(&mut harness, "the second take", |d| d.session.kit().takes.len() == 2);
    press(&mut harness, "Take 2: second.wav");
    settle(&mut harness);
    assert_eq!(harness.state().window.take.take, 1);
    assert!(harness.query_by_label_contains("Hit 1 of take 2").is_some());
    assert_eq!(harness.state().window.memory.recent, [file]);
}

/// Three decaying knocks, half a second apart.
fn write_knocks(path: &std::path::Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("created");
    for i in 0..96_000_u32 {
        let t = f64::from(i % 24_000) / 48_000.0;
        let knock = (t * 180.0 * std::f64::consts::TAU).sin() * (-t * 40.0).exp();
        let sounding = f64::from(u8::from(i >= 24_000));
        writer.write_sample((knock * sounding * 20_000.0) as i16).expect("written");
    }
    writer.finalize().expect("finished");
}
