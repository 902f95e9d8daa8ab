//! Saving, loading and exporting; the whole way from an empty window to a saved kit.

use super::*;

#[test]
fn a_kit_is_saved_loaded_and_replaced_only_after_asking() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("cello.kitwright");
    let mut harness = window();
    press(&mut harness, "Save the kit");
    choose_file(&mut harness, &dir.path().join("cello"), "Save here");
    wait_until(&mut harness, "the file", |d| file.exists() && d.session.job().is_none());
    assert_eq!(harness.state().session.error(), None);
    harness.get_by_label("The kit is saved");
    harness.get_by_label_contains("Saved to ");
    // the kit has its file now
    harness.state().session.edit("name", |kit| kit.doc.name = "Another name".into());
    settle(&mut harness);
    harness.get_by_label("The kit is changed");
    press(&mut harness, "Save the kit");
    wait_until(&mut harness, "the same file again", |d| d.session.job().is_none());
    harness.get_by_label("The kit is saved");
    assert_eq!(Kit::load(&file, &Quiet).expect("a kit").doc.name, "Another name");
    press(&mut harness, "Save the kit as");
    choose_file(&mut harness, &file, "Save here");
    assert!(harness.state().window.browser.is_some(), "the browser asks before it replaces a file");
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
fn a_missing_folder_gives_an_error_and_the_kit_stays() {
    let mut harness = window();
    let before = harness.state().session.kit();
    press(&mut harness, "Save the kit");
    choose_file(&mut harness, std::path::Path::new("/nowhere/at/all/cello.kitwright"), "Save here");
    wait_until(&mut harness, "the error", |d| d.session.error().is_some());
    assert_eq!(harness.state().session.kit().doc, before.doc);
    harness.get_by_label("Dismiss the message");
}

#[test]
fn a_kit_is_exported_with_progress() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let folder = dir.path().join("out");
    let mut harness = window();
    // a short kit: what is rendered is held by the tests of the export
    harness.state().session.edit("one pad", |kit| {
        kit.doc.pads.iter_mut().skip(1).for_each(|p| p.slices.clear());
    });
    settle(&mut harness);
    press(&mut harness, "Export the kit");
    press(&mut harness, "Export Pads, groove and picture");
    choose_file(&mut harness, &folder, "Export here");
    assert!(harness.state().window.browser.is_none());
    assert!(harness.query_by_label("Cancel the work").is_some(), "its progress is shown");
    wait_until(&mut harness, "the export", |d| d.session.job().is_none());
    assert_eq!(harness.state().session.error(), None);
    let names: Vec<_> =
        std::fs::read_dir(&folder).expect("a folder").flatten().map(|e| e.file_name()).collect();
    let has = |ending: &str| names.iter().any(|n| n.to_string_lossy().ends_with(ending));
    assert!(has(".mid") && has(".png") && has(".json"), "{names:?}");
}

/// What the frame put on the clipboard.
fn copied(harness: &Harness<'_, TestWindow>) -> Option<String> {
    harness.output().platform_output.commands.iter().find_map(|command| match command {
        egui::OutputCommand::CopyText(text) => Some(text.clone()),
        _ => None,
    })
}

#[test]
fn a_kit_is_exported_for_other_samplers() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = window();
    harness.state().session.edit("one pad", |kit| {
        kit.doc.pads.iter_mut().skip(1).for_each(|p| p.slices.clear());
    });
    settle(&mut harness);
    for (entry, ending) in [
        ("Export Samples (WAV)", "wav"),
        ("Export SFZ instrument", "sfz"),
        ("Export SoundFont 2", "sf2"),
        ("Export Note names (MIDNAM)", "midnam"),
    ] {
        press(&mut harness, "Export the kit");
        press(&mut harness, entry);
        let folder = dir.path().join(ending);
        choose_file(&mut harness, &folder, "Export here");
        wait_until(&mut harness, entry, |d| d.session.job().is_none());
        assert_eq!(harness.state().session.error(), None, "{entry}");
        let names: Vec<_> =
            std::fs::read_dir(&folder).expect("a folder").flatten().map(|e| e.file_name()).collect();
        assert!(names.iter().any(|n| n.to_string_lossy().ends_with(ending)), "{entry}: {names:?}");
        harness.get_by_label_contains("Exported to ");
    }
}

#[test]
fn a_pad_is_exported_as_a_wav_file_whose_path_can_be_copied() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let file = dir.path().join("my kick.wav");
    let mut harness = window();
    press(&mut harness, "Pad menu");
    press(&mut harness, "Export as WAV file");
    choose_file(&mut harness, &file, "Save here");
    wait_until(&mut harness, "the file", |d| file.exists() && d.session.job().is_none());
    let read = hound::WavReader::open(&file).expect("a WAV file");
    assert!(read.duration() > 1000 && read.spec().sample_rate == 48_000);
    let button = harness.get_by_label("Copy the path of the file");
    button.click();
    harness.step();
    assert_eq!(copied(&harness), Some(file.display().to_string()));
    harness.get_by_label("Open the folder of the file").click();
    harness.step();
    let opened = harness.output().platform_output.commands.iter().any(|command| {
        let wanted = format!("file://{}", dir.path().display());
        matches!(command, egui::OutputCommand::OpenUrl(link) if link.url == wanted)
    });
    assert!(opened, "{:?}", harness.output().platform_output.commands);
}

#[test]
fn a_cancelled_export_leaves_no_files_and_no_changes() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let folder = dir.path().join("out");
    let mut harness = window();
    // much more work than the frames take that cancel it, on any machine
    harness.state().session.edit("clouds", |kit| {
        for pad in &mut kit.doc.pads {
            (pad.cloud.copies, pad.cloud.cloud_db, pad.cloud.spread_ms) = (48, 0.0, 1000.0);
            // four octaves down every copy lasts sixteen times as long
            let settings = &mut pad.layers[0].settings;
            (settings.pitch_st, settings.decay_ms) = (-48.0, 10_000.0);
            pad.layers.resize(4, pad.layers[0].clone());
        }
    });
    let before = harness.state().session.kit();
    press(&mut harness, "Export the kit");
    press(&mut harness, "Export Pads, groove and picture");
    choose_file(&mut harness, &folder, "Export here");
    press(&mut harness, "Cancel the work");
    wait_until(&mut harness, "the end", |d| d.session.job().is_none());
    assert!(!folder.exists(), "no partial export is left");
    assert!(Arc::ptr_eq(&before, &harness.state().session.kit()));
    assert_eq!(harness.state().session.error(), None, "cancelling is no error");
}

#[test]
fn the_fit_of_the_whole_kit_shapes_every_pad() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let recording = dir.path().join("knocks.wav");
    super::import::write_knocks(&recording);
    let mut harness = empty_window(1280.0, 800.0, 1.0);
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &recording, "Open file");
    wait_until(&mut harness, "the kit", |d| !d.session.kit().takes.is_empty());
    super::import::end_fitting(&mut harness);
    harness.get_by_label("Whole Kit fit").set_value_accesskit(0.25);
    harness.run_ok();
    wait_until(&mut harness, "the fit", |d| {
        (d.session.kit().doc.fit - 0.25).abs() < 1e-6 && d.session.job().is_none()
    });
    let kit = harness.state().session.kit();
    let cast: Vec<f32> = kit.doc.pads.iter().filter(|p| p.audition.is_some()).map(|p| p.shaped()).collect();
    assert!(!cast.is_empty() && cast.iter().all(|fit| (fit - 0.25).abs() < 1e-6), "{cast:?}");
}

/// The first seconds of the demo take as a file.
fn write_demo(path: &std::path::Path, seconds: usize) {
    let (take, _) = demo::borrowed_cello(1);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: take.sample_rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("created");
    for s in take.channels[0].iter().take(seconds * take.sample_rate as usize) {
        writer.write_sample((s * 8_388_607.0) as i32).expect("written");
    }
    writer.finalize().expect("finished");
}

#[test]
fn from_an_empty_window_to_a_saved_kit() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let (recording, saved) = (dir.path().join("cello.wav"), dir.path().join("mine.kitwright"));
    write_demo(&recording, 16);
    let mut harness = empty_window(900.0, 600.0, 1.0);
    press(&mut harness, "Open a recording");
    choose_file(&mut harness, &recording, "Open file");
    wait_until(&mut harness, "the kit", |d| !d.session.kit().takes.is_empty() && d.session.job().is_none());
    harness.get_by_label("Take 1: cello.wav");
    let kit = harness.state().session.kit();
    let filled = |kit: &Kit| kit.doc.pads.iter().filter(|p| !p.is_empty()).count();
    assert!(filled(&kit) >= 6, "{} pads", filled(&kit));
    let pad = kit.doc.pads.iter().position(|p| p.audition.as_ref().is_some_and(|a| !a.next_best.is_empty()));
    let pad = pad.expect("a pad with another hit to try");
    let now = |h: &Harness<'_, TestWindow>| h.state().session.kit().doc.pads[pad].clone();
    harness.state_mut().window.selection.pad = pad;
    settle(&mut harness);

    let first = now(&harness).audition.expect("cast");
    press(&mut harness, "Next best hit");
    let other = move |d: &TestWindow| {
        d.session.kit().doc.pads[pad]
            .audition
            .as_ref()
            .is_some_and(|a| (a.take, a.hit) != (first.take, first.hit))
    };
    wait_until(&mut harness, "another hit", other);

    press(&mut harness, &format!("Role of pad {}", pad + 1));
    press(&mut harness, "Role low tom");
    wait_until(&mut harness, "the role", |d| {
        d.session.kit().doc.pads[pad].role == kitwright_core::kit::Role::LowTom
    });

    harness.get_by_label(&format!("Pad {} Fit", pad + 1)).set_value_accesskit(0.25);
    harness.run_ok();
    wait_until(&mut harness, "the fit", |d| (d.session.kit().doc.pads[pad].fit - 0.25).abs() < 1e-6);

    // a hit from the take onto the pad, by hand
    let wanted = kit.doc.takes[0].hits.len() - 1;
    let hit = harness.get_by_label_contains(&format!("Hit {} of take 1", wanted + 1)).rect().center();
    let onto = harness.get_by_label_contains(&format!("Pad {}, low tom", pad + 1)).rect().center();
    drag(&mut harness, hit, onto);
    wait_until(&mut harness, "the dragged hit", |d| {
        d.session.kit().doc.pads[pad].audition.as_ref().is_some_and(|a| a.hit == wanted)
    });

    press(&mut harness, "Save the kit");
    choose_file(&mut harness, &saved, "Save here");
    wait_until(&mut harness, "the file", |d| saved.exists() && d.session.job().is_none());
    assert_eq!(harness.state().session.error(), None);
    let read = Kit::load(&saved, &Quiet).expect("a kit");
    assert_eq!(read.doc.pads, harness.state().session.kit().doc.pads);
}
