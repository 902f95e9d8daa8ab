//! `kitwright render` and `kitwright shift`.

use super::{Made, names_in, number, refuse, run, succeed};
use std::{fs, path::Path};

#[test]
fn rendering_does_not_depend_on_the_block() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let kit = made.file("Cello.kitwright");
    let render = |song: &Path, block: &str| {
        let out = dir.path().join(format!("{block}.wav"));
        let files = [kit.to_str().unwrap(), song.to_str().unwrap(), out.to_str().unwrap()];
        succeed(&["render", files[0], files[1], "--out", files[2], "--block", block]);
        fs::read(out).unwrap()
    };
    let want = fs::read(made.file("groove.wav")).unwrap();
    for block in ["17", "64", "512", "8192"] {
        assert!(render(&made.file("groove.mid"), block) == want, "block {block}");
    }
    // every pad within a quarter of a second: blocks of one frame take twenty times as long
    let notes: Vec<u8> =
        made.summary()["pads"].as_array().unwrap().iter().map(|pad| number(&pad["note"]) as u8).collect();
    let song = dir.path().join("short.mid");
    fs::write(&song, midi(9, &notes, 3)).unwrap();
    assert!(render(&song, "1") == render(&song, "512"), "block 1");
}

#[test]
fn stems_rate_and_seed_take_effect() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let (kit, midi) = (made.file("Cello.kitwright"), made.file("groove.mid"));
    let (out, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
    let fixed = ["render", kit.to_str().unwrap(), midi.to_str().unwrap(), "--out", out.to_str().unwrap()];
    let said = succeed(
        &[&fixed[..], &["--rate", "44100", "--stems", stems.to_str().unwrap(), "--seed", "7"]].concat(),
    );
    let measured = |line: &str| line.contains(" LUFS, true peak ") && line.ends_with(" dBTP");
    assert!(measured(said.lines().next().unwrap()), "{said}");
    for stem in names_in(&stems) {
        let line = said
            .lines()
            .find(|line| line.trim_start().starts_with(&stem))
            .unwrap_or_else(|| panic!("{said}"));
        // the groove plays no key part
        assert!(if stem.starts_with("keys") { line.ends_with("silent") } else { measured(line) }, "{line}");
    }
    let main = hound::WavReader::open(&out).unwrap();
    assert_eq!((main.spec().sample_rate, main.spec().bits_per_sample), (44_100, 24));
    let pads = made.summary()["pads"].as_array().unwrap().len();
    // the cello's bass and chords have stems as well
    let parts = names_in(&stems).iter().filter(|name| name.starts_with("keys-")).count();
    assert_eq!((names_in(&stems).len() - parts, parts), (pads, 2));
    for stem in names_in(&stems) {
        assert_eq!(hound::WavReader::open(stems.join(&stem)).unwrap().duration(), main.duration(), "{stem}");
    }
    let with_seed_7 = fs::read(&out).unwrap();
    succeed(&[&fixed[..], &["--rate", "44100"]].concat());
    assert!(fs::read(&out).unwrap() != with_seed_7, "another seed draws other variations");
}

/// A MIDI file of one track: notes on a channel (from 0), one after the other, each as long as so many ticks (up to
/// 127). 96 ticks per beat at 120 beats per minute: half a second is 96 ticks.
fn midi(channel: u8, keys: &[u8], ticks: u8) -> Vec<u8> {
    let mut track = Vec::new();
    for &key in keys {
        track.extend([0, 0x90 | channel, key, 100, ticks, 0x80 | channel, key, 0]);
    }
    track.extend([0, 0xff, 0x2f, 0]);
    let mut bytes = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk".to_vec();
    bytes.extend((track.len() as u32).to_be_bytes());
    bytes.extend(track);
    bytes
}

#[test]
fn the_bass_plays_on_its_own_channel_and_the_pads_on_all_others() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let kit = made.file("Cello.kitwright");
    let render = |name: &str, channel: u8, keys: &[u8]| {
        let (song, out) = (dir.path().join(name), dir.path().join(format!("{name}.wav")));
        fs::write(&song, midi(channel, keys, 96)).unwrap();
        let files = [kit.to_str().unwrap(), song.to_str().unwrap(), out.to_str().unwrap()];
        let said = succeed(&["render", files[0], files[1], "--out", files[2]]);
        (fs::read(out).unwrap(), said)
    };
    // keys that no pad has
    let (bass, said) = render("bass", 1, &[20, 22]);
    assert!(!said.contains("no pad"), "{said}");
    let mut wav = hound::WavReader::new(&bass[..]).unwrap();
    let peak = wav.samples::<i32>().map(|s| s.unwrap().abs()).max().unwrap();
    assert!(peak > 1 << 18, "{peak}");
    assert!(render("kick", 9, &[36, 38]).0 == render("same", 0, &[36, 38]).0);
    assert!(render("kick", 9, &[36, 38]).0 != render("low", 1, &[36, 38]).0);
    assert!(render("none", 9, &[20, 22]).1.contains("no pad"));
}

#[test]
fn a_take_is_shifted_an_octave_down_with_its_timing() {
    let dir = tempfile::tempdir().unwrap();
    let sine = |hz: f64| -> Vec<f32> {
        (0..48_000).map(|i| (0.5 * (i as f64 * hz * std::f64::consts::TAU / 48_000.0).sin()) as f32).collect()
    };
    let (take, low) = (dir.path().join("sine.wav"), dir.path().join("low.wav"));
    kitwright_core::export::write_wav(&take, 48_000, &[&sine(440.0)]).unwrap();
    let output = run(&["shift", take.to_str().unwrap(), "--semitones", "-12", "-o", low.to_str().unwrap()]);
    assert!(output.status.success());
    let mut wav = hound::WavReader::open(&low).unwrap();
    assert_eq!((wav.spec().sample_rate, wav.duration()), (48_000, 48_000));
    let middle: Vec<i32> = wav.samples::<i32>().map(Result::unwrap).skip(12_000).take(24_000).collect();
    let crossings = middle.windows(2).filter(|w| w[0] < 0 && w[1] >= 0).count();
    // Half a second of 220 Hz, one crossing more or less at the edges.
    assert!((109..=111).contains(&crossings), "{crossings}");
    refuse(&["shift", take.to_str().unwrap(), "--semitones", "99", "-o", low.to_str().unwrap()]);
}
