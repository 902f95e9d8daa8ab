//! Bad files and bad requests get one sentence.

use super::{Made, names_in, refuse, short_take, succeed};
use serde_json::Value;
use std::fs;

#[test]
fn bad_takes_get_one_sentence_that_names_them() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    fs::write(path("empty.wav"), b"").unwrap();
    fs::write(path("letter.wav"), "Dear drummer, this is a letter.".repeat(100)).unwrap();
    fs::write(path("letter.txt"), "Dear drummer").unwrap();
    fs::create_dir(path("folder.wav")).unwrap();
    let whole = fs::read(Made::get().take()).unwrap();
    fs::write(path("cut.wav"), &whole[..whole.len() / 3]).unwrap();
    fs::write(path("header.wav"), &whole[..44]).unwrap();
    let before = names_in(dir.path());
    let bad = ["empty.wav", "letter.wav", "letter.txt", "folder.wav", "cut.wav", "header.wav", "absent.wav"];
    for name in bad {
        let take = path(name);
        let sentence = refuse(&["hits", take.to_str().unwrap()]);
        assert!(sentence.contains(name), "{sentence}");
        let sentence = refuse(&["kit", take.to_str().unwrap(), "--out", path("kit").to_str().unwrap()]);
        assert!(sentence.contains(name), "{sentence}");
    }
    assert_eq!(names_in(dir.path()), before, "nothing is left behind");
}

#[test]
fn a_missing_file_is_told_without_the_system_s_number() {
    for words in
        [["render", "none.kitwright", "none.mid", "--out", "none.wav"], ["hits", "none.wav", "", "", ""]]
    {
        let words: Vec<&str> = words.into_iter().filter(|word| !word.is_empty()).collect();
        let sentence = refuse(&words);
        assert!(sentence.contains("none.") && !sentence.contains("os error"), "{sentence}");
    }
}

#[test]
fn bad_requests_get_one_sentence() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let take = made.take();
    let take = take.to_str().unwrap();
    let kit = made.file("Cello.kitwright");
    let (kit, midi) = (kit.to_str().unwrap(), made.file("groove.mid"));
    let midi = midi.to_str().unwrap();
    let file = dir.path().join("a-file");
    fs::write(&file, "mine").unwrap();
    let file = file.to_str().unwrap();
    let out = dir.path().join("out");
    let out = out.to_str().unwrap();
    let broken = dir.path().join("broken.kitwright");
    let whole = fs::read(kit).unwrap();
    fs::write(&broken, &whole[..whole.len() / 2]).unwrap();
    let broken = broken.to_str().unwrap();
    let before = names_in(dir.path());
    let requests: &[(&[&str], &str)] = &[
        (&["frobnicate"], "frobnicate"),
        (&["hits"], "TAKE"),
        (&["hits", take, "--loud"], "--loud"),
        (&["hits", take, "--sensitivity", "2"], "sensitivity"),
        (&["hits", take, "--gate", "0"], "gate"),
        (&["kit", take, "--out", out, "--gate", "61"], "gate"),
        (&["kit", take], "--out"),
        (&["kit", take, "--out", file], "a-file"),
        (&["kit", take, "--out", out, "--fit", "1.5"], "1.5"),
        (&["kit", take, "--out", out, "--fit", "NaN"], "NaN"),
        (&["kit", take, "--out", out, "--roles", "kick,banjo"], "banjo"),
        (&["kit", take, "--out", out, "--roles", ""], "role"),
        (&["kit", take, "--out", out, "--key", "H dur"], "H dur"),
        (&["kit", take, "--out", out, "--seed", "-1"], "-1"),
        (&["kit", take, "no-such-take.wav", "--out", out], "no-such-take.wav"),
        (&["render", midi, kit, "--out", out], "Cello.kitwright"),
        (&["render", kit, take, "--out", out], "take.wav"),
        (&["render", "absent.kitwright", midi, "--out", out], "absent.kitwright"),
        (&["render", broken, midi, "--out", out], "broken.kitwright"),
        (&["render", kit, "absent.mid", "--out", out], "absent.mid"),
        (&["render", kit, midi, "--out", out, "--rate", "100"], "100"),
        (&["render", kit, midi, "--out", out, "--block", "0"], "block"),
        (&["render", kit, midi, "--out", "/no/such/folder/x.wav"], "/no/such/folder"),
        (&["demo-take", "/no/such/folder/x.wav"], "/no/such/folder"),
    ];
    for (arguments, word) in requests {
        let sentence = refuse(arguments);
        assert!(sentence.contains(word), "{arguments:?}: {sentence}");
    }
    assert_eq!(names_in(dir.path()), before, "nothing is left behind");
    assert_eq!(fs::read_to_string(file).unwrap(), "mine");
}

#[cfg(not(feature = "standalone"))]
#[test]
fn without_its_feature_the_window_says_how_to_get_it() {
    assert!(refuse(&["window"]).contains("standalone"));
}

#[cfg(unix)]
#[test]
fn strange_file_names_give_valid_json_and_one_line() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().unwrap();
    let plain = short_take(dir.path());
    for name in
        [&b"a \"take\"\nof two\tlines.wav"[..], "c\u{ea}llo \u{1f3bb}.wav".as_bytes(), b"latin\xe9.wav"]
    {
        let take = dir.path().join(std::ffi::OsStr::from_bytes(name));
        fs::copy(&plain, &take).unwrap();
        let out = dir.path().join("kit");
        let words = ["kit".as_ref(), take.as_os_str(), "--out".as_ref(), out.as_os_str()];
        let more = ["--quick".as_ref(), "--roles".as_ref(), "kick".as_ref(), "--json".as_ref()];
        let summary: Value = serde_json::from_str(&succeed(&[&words[..], &more].concat())).unwrap();
        assert!(summary["takes"][0]["file"].as_str().unwrap().ends_with(".wav"));
        fs::write(&take, "no sound").unwrap();
        refuse(&["hits".as_ref(), take.as_os_str()]);
    }
}
