//! Outputs never overwrite inputs, special files or one another.

use super::{Made, names_in, refuse, run, short_take};
use std::{
    fs,
    path::{Path, PathBuf},
};

/// A folder with copies of the made kit and groove; returns it with both files.
pub(super) fn kit_and_song() -> (tempfile::TempDir, PathBuf, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let (kit, song) = (dir.path().join("k.kitwright"), dir.path().join("one.mid"));
    fs::copy(Made::get().file("Cello.kitwright"), &kit).unwrap();
    fs::copy(Made::get().file("groove.mid"), &song).unwrap();
    (dir, kit, song)
}

fn render(kit: &Path, song: &Path, out: &Path, more: &[&Path]) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> =
        ["render".as_ref(), kit, song, "--out".as_ref(), out].map(Path::to_owned).to_vec();
    all.extend(more.iter().map(|&path| path.to_owned()));
    all
}

/// Every file below a folder with its bytes.
pub(super) fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut all = Vec::new();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        match entry.file_type().unwrap().is_dir() {
            true => all.extend(contents(&entry.path())),
            false => all.push((entry.path(), fs::read(entry.path()).unwrap())),
        }
    }
    all.sort();
    all
}

#[test]
fn a_render_never_overwrites_its_kit_or_its_song() {
    let (dir, kit, song) = kit_and_song();
    let hard = dir.path().join("hard.wav");
    fs::hard_link(&kit, &hard).unwrap();
    let mut outs = vec![kit.clone(), song.clone(), dir.path().join("./one.mid")];
    #[cfg(unix)]
    {
        let link = dir.path().join("link.wav");
        std::os::unix::fs::symlink(&song, &link).unwrap();
        outs.extend([link, hard]);
    }
    let before = contents(dir.path());
    for out in outs {
        let text = refuse(&render(&kit, &song, &out, &[]));
        assert!(text.contains(&out.display().to_string()) && text.contains("read"), "{text}");
        assert_eq!(contents(dir.path()), before, "{}", out.display());
    }
}

#[test]
fn a_shift_never_overwrites_its_take() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let before = contents(dir.path());
    let out = dir.path().join("./").join(take.file_name().unwrap());
    refuse(&[
        "shift".as_ref(),
        take.as_os_str(),
        "--semitones".as_ref(),
        "-2".as_ref(),
        "-o".as_ref(),
        out.as_ref(),
    ]);
    assert_eq!(contents(dir.path()), before);
}

#[test]
fn a_kit_never_overwrites_a_recording_it_reads() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("kit");
    fs::create_dir_all(folder.join("pads")).unwrap();
    let take = short_take(dir.path());
    for name in ["groove.wav", "pads/36-kick.wav"] {
        let inside = folder.join(name);
        fs::rename(&take, &inside).unwrap();
        let before = contents(dir.path());
        let text = refuse(&["kit".as_ref(), inside.as_os_str(), "--out".as_ref(), folder.as_ref()]);
        assert!(text.contains(name), "{text}");
        assert_eq!(contents(dir.path()), before);
        fs::rename(&inside, &take).unwrap();
    }
}

#[test]
fn stems_and_song_never_overwrite_each_other() {
    let (dir, kit, song) = kit_and_song();
    let at = |name: &str| dir.path().join(name);
    fs::create_dir(at("stems")).unwrap();
    let before = (contents(dir.path()), names_in(dir.path()));
    let stem = fs::read_dir(Made::get().file("pads")).unwrap().next().unwrap().unwrap().file_name();
    for (out, stems) in [
        (at("song"), at("song")),
        (at("song"), at("song/stems")),
        (at("song"), at("./song")),
        (at("stems").join(&stem), at("stems")),
    ] {
        refuse(&render(&kit, &song, &out, &["--stems".as_ref(), &stems]));
        assert_eq!((contents(dir.path()), names_in(dir.path())), before, "{}", stems.display());
    }
    assert!(run(&render(&kit, &song, &at("song.wav"), &["--stems".as_ref(), &at("stems")])).status.success());
}

#[test]
fn a_song_that_no_file_can_hold_is_refused_before_it_is_rendered() {
    let (dir, kit, song) = kit_and_song();
    // Two events, 2^28 - 1 ticks of half a second apart: more than four years.
    let midi =
        b"MThd\0\0\0\x06\0\0\0\x01\0\x01MTrk\0\0\0\x0f\0\x99\x24\x64\xff\xff\xff\x7f\x99\x24\x64\0\xff\x2f\0";
    fs::write(&song, midi).unwrap();
    let before = contents(dir.path());
    let text = refuse(&render(&kit, &song, &dir.path().join("song.wav"), &[]));
    assert!(text.contains("at most"), "{text}");
    assert_eq!(contents(dir.path()), before);
}

#[cfg(unix)]
#[test]
fn devices_and_pipes_are_refused_by_every_command() {
    let (dir, kit, song) = kit_and_song();
    let take = short_take(dir.path());
    let pipe = dir.path().join("pipe.wav");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let words = |all: &[&std::ffi::OsStr]| all.iter().map(PathBuf::from).collect::<Vec<_>>();
    for out in [&pipe, Path::new("/dev/null")] {
        let calls = [
            render(&kit, &song, out, &[]),
            words(&[
                "shift".as_ref(),
                take.as_ref(),
                "--semitones".as_ref(),
                "0".as_ref(),
                "-o".as_ref(),
                out.as_ref(),
            ]),
            words(&["demo-take".as_ref(), out.as_ref()]),
            words(&["kit".as_ref(), take.as_ref(), "--out".as_ref(), out.as_ref()]),
        ];
        for call in calls {
            let text = refuse(&call);
            assert!(text.contains("device or a pipe") || text.contains("is a file"), "{text}");
        }
    }
}

#[cfg(unix)]
#[test]
fn a_limit_on_the_size_of_files_gets_a_sentence_and_leaves_nothing() {
    let (dir, kit, song) = kit_and_song();
    let before = contents(dir.path());
    let output = std::process::Command::new("sh")
        .args(["-c", "ulimit -f 100 && exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_kitwright")])
        .args(render(&kit, &song, &dir.path().join("song.wav"), &[]))
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(text.contains("may not be that large") && text.lines().count() == 1, "{text}");
    assert_eq!(contents(dir.path()), before);
}

#[cfg(unix)]
#[test]
fn names_never_send_control_codes_to_the_terminal() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let strange = dir.path().join("a\u{1b}[2Jb\nc.wav");
    fs::rename(take, &strange).unwrap();
    let low = dir.path().join("low\u{1b}[31m\n.wav");
    for call in [
        vec![Path::new("hits"), &strange],
        vec![Path::new("shift"), &strange, "--semitones".as_ref(), "0".as_ref(), "-o".as_ref(), &low],
    ] {
        let output = run(&call);
        assert!(output.status.success());
        let text = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        assert!(!text.contains('\u{1b}') && !text.contains("b\nc"), "{text:?}");
    }
}
