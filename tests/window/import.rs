//! Bringing sound in: file browser, drag and drop, recording.

use super::*;

#[test]
fn an_empty_window_shows_three_ways_to_a_first_sound() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    harness.get_by_label("Open a recording");
    harness.get_by_label("Record the side input");
    harness.get_by_label("Hear the demo cello");
    assert!(harness.query_by_label("Undo").is_none());
}

#[test]
fn the_demo_becomes_a_kit_with_one_click() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    press(&mut harness, "Hear the demo cello");
    wait_until(&mut harness, "the first sound", |d| !d.session.kit().takes.is_empty());
    harness.get_by_label("Pad 1, kick");
    end_fitting(&mut harness);
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
fn an_unreadable_file_gives_an_error_until_dismissed() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("letter.wav");
    std::fs::write(&file, "Dear cello,").expect("written");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &file, "Open file");
    wait_until(&mut harness, "the error", |d| d.session.error().is_some());
    assert!(harness.query_by_label_contains("letter.wav").is_some(), "the message names the file");
    assert!(harness.state().window.memory.recent.is_empty(), "a file that failed was not opened");
    settle(&mut harness);
    press(&mut harness, "Dismiss the message");
    assert_eq!(harness.state().session.error(), None);
    assert!(harness.query_by_label("Dismiss the message").is_none());
}

#[test]
fn a_second_take_is_added_to_the_kit() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("second.wav");
    write_knocks(&file);
    let mut harness = window();
    press(&mut harness, "Add take");
    choose_file(&mut harness, &file, "Add this take");
    wait_until(&mut harness, "the second take", |d| d.session.kit().takes.len() == 2);
    harness.get_by_label("Take 2: second.wav");
    assert_eq!(harness.state().window.take.take, 1, "the new take is shown");
    assert!(harness.query_by_label_contains("Hit 1 of take 2").is_some());
    assert_eq!(harness.state().window.memory.recent, [file]);
}

#[test]
fn a_recent_file_is_opened_from_the_list() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("plain.kitwright");
    plain_kit().save(&file, &Quiet).expect("saved");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &file, "Open file");
    wait_until(&mut harness, "the kit", |d| d.session.kit().doc.name == "Borrowed cello");
    harness.state().session.edit("another name", |kit| kit.doc.name = "changed".into());
    settle(&mut harness);
    press(&mut harness, "Open a recording or a kit");
    settle(&mut harness);
    press(&mut harness, "Recent file plain.kitwright");
    press(&mut harness, "Open file");
    press(&mut harness, "Replace it");
    wait_until(&mut harness, "the kit again", |d| d.session.kit().doc.name == "Borrowed cello");
}

/// Ends the work once a kit is shown: it keeps the pads that it has by then, all of them by recipe at least.
pub(super) fn end_fitting(harness: &mut Harness<'_, TestWindow>) {
    harness.state().session.cancel();
    wait_until(harness, "the end of the work", |d| d.session.job().is_none());
}

/// A file as the system hands it to the window.
#[derive(Debug)]
struct Dropped(std::path::PathBuf);

impl egui::DroppedFile for Dropped {
    fn path(&self) -> &std::path::Path {
        &self.0
    }
    fn bytes(&self) -> Result<Vec<u8>, String> {
        Err("the window reads no files".into())
    }
}

/// Drops files at a place of the window.
fn drop_files(harness: &mut Harness<'_, TestWindow>, files: &[&std::path::Path], at: egui::Pos2) {
    let hovered = files.iter().map(|f| egui::HoveredFile { path: Some((*f).into()), ..Default::default() });
    harness.input_mut().hovered_files = hovered.collect();
    harness.hover_at(at);
    harness.step();
    harness.input_mut().hovered_files.clear();
    let dropped = files.iter().map(|f| Arc::new(Dropped((*f).into())) as egui::DroppedFileHandle);
    harness.input_mut().dropped_files = dropped.collect();
    harness.hover_at(at);
    harness.step();
}

#[test]
fn a_dropped_recording_becomes_a_take_and_on_a_pad_its_sound() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("knock.wav");
    write_knocks(&file);
    let mut harness = window();
    let before = harness.state().session.kit();
    let take = harness.get_by_label("Wave of take 1").rect().center();
    drop_files(&mut harness, &[&file], take);
    wait_until(&mut harness, "the second take", |d| d.session.kit().takes.len() == 2);
    assert_eq!(harness.state().session.kit().doc.pads, before.doc.pads, "the pads stay");
    assert_eq!(harness.state().window.memory.recent, std::slice::from_ref(&file));

    let pad = harness.get_by_label("Pad 3, snare").rect().center();
    drop_files(&mut harness, &[&file], pad);
    let by_file = |d: &TestWindow| d.session.kit().doc.pads[2].audition.as_ref().is_some_and(|a| a.take == 1);
    wait_until(&mut harness, "the pad", by_file);
    let kit = harness.state().session.kit();
    assert_eq!(kit.takes.len(), 2, "the same sound is a take once");
    let source = kit.doc.pads[2].audition.as_ref().expect("made of a hit");
    assert_eq!((source.take, kit.doc.pads[2].role), (1, kitwright_core::kit::Role::Snare));
    assert_eq!((harness.state().window.selection.pad, kit.doc.pads[2].note), (2, before.doc.pads[2].note));
    for (i, pad) in kit.doc.pads.iter().enumerate().filter(|(i, _)| *i != 2) {
        assert_eq!(*pad, before.doc.pads[i], "pad {} stays", i + 1);
    }
    press(&mut harness, "Undo");
    assert_eq!(harness.state().session.kit().doc.pads, before.doc.pads, "one undo restores it");
}

#[test]
fn several_files_dropped_onto_a_pad_fill_it_and_the_following_pads() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let files = ["a.wav", "b.wav"].map(|name| dir.path().join(name));
    write_knocks(&files[0]);
    write_knocks_at(&files[1], 250.0);
    let mut harness = window();
    let at = harness.get_by_label("Pad 15, percussion").rect().center();
    drop_files(&mut harness, &[&files[0], &files[1]], at);
    wait_until(&mut harness, "both", |d| d.session.kit().takes.len() == 3 && d.session.job().is_none());
    let kit = harness.state().session.kit();
    let take = |pad: usize| kit.doc.pads[pad].audition.as_ref().expect("made of a hit").take;
    assert_eq!((take(14), take(15)), (1, 2));
}

#[test]
fn a_recording_or_kit_dropped_onto_an_empty_window_is_opened() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let (recording, kit) = (dir.path().join("knock.wav"), dir.path().join("plain.kitwright"));
    write_knocks(&recording);
    plain_kit().save(&kit, &Quiet).expect("saved");
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    drop_files(&mut harness, &[&recording], egui::pos2(300.0, 500.0));
    wait_until(&mut harness, "the kit", |d| d.session.kit().takes.len() == 1);
    end_fitting(&mut harness);
    drop_files(&mut harness, &[&kit], egui::pos2(300.0, 100.0));
    settle(&mut harness);
    press(&mut harness, "Replace it");
    wait_until(&mut harness, "the other kit", |d| d.session.kit().doc.name == "Borrowed cello");
}

#[test]
fn a_target_sound_is_chosen_removed_and_undone() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let files = ["take.wav", "mine.wav"].map(|name| dir.path().join(name));
    files.iter().for_each(|f| write_knocks(f));
    let mut harness = empty_window(1280.0, 800.0, 1.0);
    settle(&mut harness);
    drop_files(&mut harness, &[&files[0]], egui::pos2(300.0, 500.0));
    wait_until(&mut harness, "the kit", |d| d.session.kit().takes.len() == 1);
    end_fitting(&mut harness);
    let first = harness.state().session.kit();
    let pad = harness.state().window.selection.pad;
    let target = move |d: &TestWindow| d.session.kit().doc.pads[pad].target.as_ref().map(|t| t.name.clone());
    harness.get_by_label_contains(", its role");

    press(&mut harness, "Pad menu");
    press(&mut harness, "Choose a target sound");
    choose_file(&mut harness, &files[1], "Use as target");
    wait_until(&mut harness, "the target", |d| target(d).is_some());
    assert!(target(harness.state()).is_some_and(|name| name.contains("mine")));
    harness.get_by_label_contains("Target: mine");
    assert_eq!(harness.state().session.kit().takes.len(), 1, "the sound itself is not kept");
    press(&mut harness, "Pad menu");
    press(&mut harness, "Remove the target sound");
    wait_until(&mut harness, "no target", |d| target(d).is_none());
    press(&mut harness, "Undo");
    assert!(target(harness.state()).is_some(), "one undo restores it");
    press(&mut harness, "Undo");
    assert_eq!(harness.state().session.kit().doc, first.doc);

    // the same by dropping the sound onto the role
    let role = harness.get_by_label(&format!("Role of pad {}", pad + 1)).rect().center();
    drop_files(&mut harness, &[&files[1]], role);
    wait_until(&mut harness, "the dropped target", |d| target(d).is_some());
    assert_eq!(harness.state().session.kit().takes.len(), 1);
}

/// What a host sends to the side input: three knocks, then whatever comes while the window draws.
fn send_to_side(session: &Session) {
    for block in knocks().chunks(512) {
        session.feed_side_input([block, block]);
        // the recorder's own thread takes it away meanwhile
        std::thread::sleep(Duration::from_micros(500));
    }
}

#[test]
fn the_side_input_is_recorded_into_a_new_take() {
    let mut harness = window();
    assert!(
        harness.get_by_label("Record the side input").accesskit_node().is_disabled(),
        "no engine is attached yet"
    );
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    press(&mut harness, "Record the side input");
    assert!(harness.query_by_label("Record the side input").is_none());
    send_to_side(&harness.state().session);
    harness.step();
    harness.get_by_label_contains("Level of the side input: -");
    harness.get_by_label("Discard the recording");
    press(&mut harness, "Stop the recording");
    wait_until(&mut harness, "the take", |d| d.session.kit().takes.len() == 2 && d.session.job().is_none());
    let kit = harness.state().session.kit();
    assert_eq!(kit.takes[1].channels, [knocks()], "every frame, once: both sides were the same");
    assert_eq!(kit.takes[1].name, "recording 2");
    assert!(kit.doc.takes[1].hits.len() >= 3, "{} hits", kit.doc.takes[1].hits.len());
    press(&mut harness, "Take 2: recording 2");
}

#[test]
fn what_was_just_played_is_kept_and_a_recording_can_begin_and_end_by_itself() {
    let mut harness = window();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    press(&mut harness, "How to record");
    assert!(harness.get_by_label("Keep what was just played").accesskit_node().is_disabled());
    send_to_side(&harness.state().session);
    harness.run_ok();
    press(&mut harness, "Keep what was just played");
    wait_until(&mut harness, "the take", |d| d.session.kit().takes.len() == 2 && d.session.job().is_none());
    // digital silence before the first sound is not kept: the block of the first knock begins it
    assert!(knocks()[46 * 512..].starts_with(&harness.state().session.kit().takes[1].channels[0]));
    press(&mut harness, "How to record");
    press(&mut harness, "Begin with the first hit");
    press(&mut harness, "End in silence");
    harness.key_press(egui::Key::Escape);
    harness.run_ok();
    press(&mut harness, "Record the side input");
    harness.get_by_label_contains("Waiting for the first hit");
    let session = harness.state().session.clone();
    session.feed_side_input([&[0.0; 9600], &[0.0; 9600]]);
    send_to_side(&session);
    session.feed_side_input([&[2.0], &[0.0]]);
    session.feed_side_input([&vec![0.0; 240_000], &vec![0.0; 240_000]]);
    wait_until(&mut harness, "the end", |d| d.session.recording().is_none());
    wait_until(&mut harness, "the take", |d| d.session.kit().takes.len() == 3 && d.session.job().is_none());
    assert!(session.side_input_has_clipped());
}

#[test]
fn a_discarded_and_a_silent_recording_leave_the_kit_alone() {
    let mut harness = window();
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    press(&mut harness, "Record the side input");
    send_to_side(&harness.state().session);
    press(&mut harness, "Discard the recording");
    wait_until(&mut harness, "the end", |d| d.session.recording().is_none());
    press(&mut harness, "Record the side input");
    harness.state().session.feed_side_input([&[0.0; 4800], &[0.0; 4800]]);
    press(&mut harness, "Stop the recording");
    wait_until(&mut harness, "the error", |d| d.session.error().is_some());
    harness.get_by_label_contains("send a track to it in the host");
    assert_eq!(harness.state().session.kit().takes.len(), 1);
}

#[test]
fn an_empty_window_records_a_side_input_signal_into_a_kit() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut harness);
    press(&mut harness, "Record the side input");
    send_to_side(&harness.state().session);
    press(&mut harness, "Stop the recording");
    wait_until(&mut harness, "the kit", |d| d.session.kit().takes.len() == 1 && d.session.job().is_none());
    assert!(harness.state().session.kit().doc.pads.iter().any(|p| !p.is_empty()));
}

/// Three decaying knocks, half a second apart, on the 24-bit grid of takes.
fn knocks() -> Vec<f32> {
    knocks_at(180.0)
}

fn knocks_at(hz: f64) -> Vec<f32> {
    let sample = |i: u32| {
        let t = f64::from(i % 24_000) / 48_000.0;
        let knock = (t * hz * std::f64::consts::TAU).sin() * (-t * 40.0).exp();
        (knock * f64::from(u8::from(i >= 24_000)) * 20_000.0).round() / 32_768.0
    };
    (0..96_000).map(|i| sample(i) as f32).collect()
}

pub(super) fn write_knocks(path: &std::path::Path) {
    write_knocks_at(path, 180.0);
}

/// Knocks of another pitch: another sound.
pub(super) fn write_knocks_at(path: &std::path::Path, hz: f64) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("created");
    for sample in knocks_at(hz) {
        writer.write_sample((sample * 32_768.0) as i16).expect("written");
    }
    writer.finalize().expect("finished");
}
