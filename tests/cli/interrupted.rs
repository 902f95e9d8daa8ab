//! Ctrl-C during a call.

use super::{Made, kitwright, names_in};
use std::{
    collections::BTreeSet,
    fs,
    io::{BufRead, BufReader},
    process::{Command, Stdio},
};

/// Interrupts a call as Ctrl-C does, after `after_ms`.
fn interrupt(arguments: &[&str], after_ms: u64) -> std::process::ExitStatus {
    let mut child = kitwright().args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    std::thread::sleep(std::time::Duration::from_millis(after_ms));
    Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    child.wait().unwrap()
}

#[test]
fn ctrl_c_leaves_nothing_half_written() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let take = made.take();
    let out = dir.path().join("kit");
    for after_ms in [60, 400, 1500] {
        let status = interrupt(&["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap()], after_ms);
        assert_ne!(status.code(), Some(0), "the kit takes longer than {after_ms} ms");
        assert_eq!(names_in(dir.path()), BTreeSet::new(), "after {after_ms} ms");
    }
    // An hour of music: interrupted while the file is written.
    let midi = dir.path().join("hour.mid");
    fs::write(&midi, hour_of_music()).unwrap();
    let wav = dir.path().join("hour.wav");
    let kit = made.file("Cello.kitwright");
    let files = [kit.to_str().unwrap(), midi.to_str().unwrap(), wav.to_str().unwrap()];
    let status = interrupt(&["render", files[0], files[1], "--out", files[2]], 2500);
    assert_eq!(status.code(), Some(130));
    assert_eq!(names_in(dir.path()), ["hour.mid".to_owned()].into());
}

/// A MIDI file whose last event falls after an hour.
fn hour_of_music() -> Vec<u8> {
    use midly::{num::*, *};
    let note = |delta, key| TrackEvent {
        delta: u28::new(delta),
        kind: TrackEventKind::Midi {
            channel: u4::new(9),
            message: MidiMessage::NoteOn { key: u7::new(key), vel: u7::new(100) },
        },
    };
    let track = vec![note(0, 36), note(7200 * 480, 38)];
    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::new(480)));
    let mut bytes = Vec::new();
    Smf { header, tracks: vec![track] }.write_std(&mut bytes).unwrap();
    bytes
}

#[test]
fn each_starter_kit_is_told_once_it_is_made() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().to_str().unwrap();
    let arguments = ["library", "--folder", folder, "starters", "--quick"];
    let mut child =
        kitwright().args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut told = BufReader::new(child.stdout.take().unwrap()).lines();
    let first = told.next().expect("a line").unwrap();
    Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130));
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(errors, "kitwright: cancelled; unfinished work was not kept\n");
    let made: Vec<String> = std::iter::once(first).chain(told.map(Result::unwrap)).collect();
    let kits = names_in(dir.path()).into_iter().filter(|name| name.ends_with(".kitwright"));
    assert_eq!(kits.count(), made.len(), "{made:?}");
    assert!(made.iter().all(|line| line.starts_with("made: ")), "{made:?}");
}
