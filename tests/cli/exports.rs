//! `kitwright export` and what it refuses.

use super::{Made, names_in, refuse, short_take, succeed};
use std::fs;

#[test]
fn a_kit_is_exported_in_every_format() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("kit");
    let take = short_take(dir.path());
    let roles = ["--quick", "--roles", "kick,closed-hat"];
    succeed(
        &[&["kit", take.to_str().unwrap(), "--name", "Cello", "--out", folder.to_str().unwrap()][..], &roles]
            .concat(),
    );
    let kit = folder.join("Cello.kitwright");
    for (format, expected) in
        [("wav", "36-kick-v4-a1.wav"), ("sfz", "Cello.sfz"), ("sf2", "Cello.sf2"), ("midnam", "Cello.midnam")]
    {
        let out = dir.path().join(format);
        let text = succeed(&[
            "export",
            kit.to_str().unwrap(),
            "--as",
            format,
            "-o",
            out.to_str().unwrap(),
            "--rate",
            "8000",
        ]);
        assert!(out.join(expected).is_file(), "{expected}");
        assert!(text.contains("2 pads") && text.lines().count() == 1, "{text}");
    }
    assert_eq!(names_in(&dir.path().join("wav")), names_in(&dir.path().join("sfz/samples")));
}

#[test]
fn bad_exports_get_one_sentence_and_leave_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let kit = dir.path().join("Cello.midnam");
    fs::copy(Made::get().file("Cello.kitwright"), &kit).unwrap();
    let file = dir.path().join("a-file");
    fs::write(&file, "mine").unwrap();
    let before = (names_in(dir.path()), fs::read(&kit).unwrap());
    let (kit_name, out) = (kit.to_str().unwrap(), dir.path().join("out"));
    let out = out.to_str().unwrap();
    for (words, said) in [
        (vec![kit_name, "--as", "mp3", "-o", out], "mp3"),
        (vec![kit_name, "-o", out], "--as"),
        (vec![kit_name, "--as", "sfz"], "--out"),
        (vec![kit_name, "--as", "wav", "-o", out, "--velocities", "3"], "4 to 32"),
        (vec![kit_name, "--as", "wav", "-o", out, "--rate", "1"], "rate"),
        (vec![kit_name, "--as", "wav", "-o", file.to_str().unwrap()], "a-file"),
        (vec![file.to_str().unwrap(), "--as", "wav", "-o", out], "a-file"),
        // the kit itself has the name that the document of names would get
        (vec![kit_name, "--as", "midnam", "-o", dir.path().to_str().unwrap()], "read"),
    ] {
        let text = refuse(&[&["export"], &words[..]].concat());
        assert!(text.contains(said), "{said}: {text}");
    }
    assert_eq!((names_in(dir.path()), fs::read(&kit).unwrap()), before);
}
