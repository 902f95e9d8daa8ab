//! The command line end to end, as a user or another program calls it.

#[path = "cli/outputs.rs"]
mod outputs;

use serde_json::Value;
use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
    sync::OnceLock,
};
use tempfile::TempDir;

const ROLES: [&str; 10] =
    ["kick", "snare", "rim", "clap", "closed hat", "open hat", "shaker", "low tom", "high tom", "percussion"];

fn kitwright() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_kitwright"));
    command.stdin(Stdio::null());
    command
}

fn run<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> Output {
    kitwright().args(arguments).output().unwrap()
}

/// Standard output of a call that must succeed and say nothing else: no progress in a pipe.
fn succeed<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> String {
    let output = run(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    assert_eq!(errors, "", "nothing on standard error");
    String::from_utf8(output.stdout).unwrap()
}

/// The one sentence of a call that must be refused with exit code 2.
fn refuse<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> String {
    let output = run(arguments);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert_eq!(output.stdout, b"", "nothing on standard output");
    assert_eq!(errors.lines().count(), 1, "one sentence: {errors}");
    errors
}

/// The invented take and a kit made from it, written once for all tests.
struct Made {
    dir: TempDir,
    /// Standard output of `kitwright kit --json`.
    json: String,
}

impl Made {
    fn get() -> &'static Self {
        static MADE: OnceLock<Made> = OnceLock::new();
        MADE.get_or_init(|| {
            let dir = tempfile::tempdir().unwrap();
            let take = dir.path().join("take.wav");
            succeed(&[Path::new("demo-take"), &take]);
            let out = dir.path().join("kit");
            let arguments =
                ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--name", "Cello", "--json"];
            let json = succeed(&arguments);
            Self { dir, json }
        })
    }

    fn take(&self) -> PathBuf {
        self.dir.path().join("take.wav")
    }

    fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join("kit").join(name)
    }

    fn summary(&self) -> Value {
        serde_json::from_str(&self.json).unwrap()
    }
}

/// The first seconds of the invented take (16 hits and more), for what need not be long.
fn short_take(folder: &Path) -> PathBuf {
    let mut reader = hound::WavReader::open(Made::get().take()).unwrap();
    let path = folder.join("short.wav");
    let mut writer = hound::WavWriter::create(&path, reader.spec()).unwrap();
    for sample in reader.samples::<i32>().take(48_000 * 14) {
        writer.write_sample(sample.unwrap()).unwrap();
    }
    writer.finalize().unwrap();
    path
}

fn names_in(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect()
}

/// Every number of a JSON text is finite by its grammar; this looks for nulls where none may be.
fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

#[test]
fn alone_it_prints_a_short_help_with_an_example_per_task() {
    let text = succeed::<&str>(&[]);
    assert!(text.lines().count() <= 15, "{text}");
    for task in
        ["kitwright kit ", "kitwright hits ", "kitwright render ", "kitwright shift ", "kitwright window "]
    {
        assert!(text.contains(task), "{task}");
    }
    assert!(succeed(&["--help"]).contains("Usage"));
    assert!(succeed(&["kit", "--help"]).contains("--roles"));
    assert!(succeed(&["--version"]).contains(env!("CARGO_PKG_VERSION")));
}

#[test]
fn hits_are_listed_as_json_and_as_a_table() {
    let made = Made::get();
    let heard: Value =
        serde_json::from_str(&succeed(&["hits", made.take().to_str().unwrap(), "--json"])).unwrap();
    assert_eq!(heard["sample_rate"], 48_000);
    let seconds = number(&heard["seconds"]);
    assert!((60.0..90.0).contains(&seconds));
    let hits = heard["hits"].as_array().unwrap();
    let (_, truth) = kitwright_core::demo::borrowed_cello(1);
    let found = |t: f64| hits.iter().any(|h| (number(&h["start"]) - t).abs() < 0.03);
    let missed = truth.iter().filter(|&&t| !found(t)).count();
    // how well hits are heard is tested elsewhere; here the list must be that of this take
    assert!(missed * 10 <= truth.len(), "{missed} of {} missed", truth.len());
    let mut last = 0.0;
    for hit in hits {
        let (start, end) = (number(&hit["start"]), number(&hit["end"]));
        assert!(last <= start && start < end && end <= seconds + 1e-3, "{hit}");
        last = start;
        for level in ["peak_db", "loudness_lufs"] {
            assert!((-144.0..=20.0).contains(&number(&hit[level])), "{hit}");
        }
        assert!((0.0..=24_000.0).contains(&number(&hit["centroid_hz"])));
        assert!(hit["pitch_hz"].is_null() || number(&hit["pitch_hz"]) > 0.0);
        let roles = hit["roles"].as_object().unwrap();
        assert_eq!(roles.keys().map(String::as_str).collect::<BTreeSet<_>>(), ROLES.into_iter().collect());
        assert!(roles.values().all(|score| (0.0..=1.0).contains(&number(score))), "{hit}");
    }
    let dir = tempfile::tempdir().unwrap();
    let table = succeed(&[Path::new("hits"), &short_take(dir.path())]);
    assert!(table.lines().count() > 10 && table.contains("serves best as"), "{table}");
}

#[test]
fn more_hits_are_heard_and_hits_are_cut_off_on_demand() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let heard = |options: &[&str]| -> (usize, f64) {
        let told = succeed(&[&["hits", take.to_str().unwrap(), "--json"], options].concat());
        let told: Value = serde_json::from_str(&told).unwrap();
        let hits = told["hits"].as_array().unwrap();
        (hits.len(), hits.iter().map(|h| number(&h["end"]) - number(&h["start"])).sum())
    };
    let (count, seconds) = heard(&[]);
    let gated = heard(&["--gate", "10"]);
    assert!(gated.0 == count && gated.1 < 0.5 * seconds, "{count} in {seconds} s, {gated:?}");
    let more = heard(&["--sensitivity", "1"]).0;
    assert!(more > count, "{more} hits, {count} before");
    let out = dir.path().join("kit");
    let out = out.to_str().unwrap();
    let kit = ["kit", take.to_str().unwrap(), "--out", out, "--fit", "0", "--json", "--sensitivity", "1"];
    let summary: Value = serde_json::from_str(&succeed(&kit)).unwrap();
    assert_eq!(number(&summary["takes"][0]["hits"]), more as f64);
}

#[test]
fn silence_has_no_hits_and_no_kit() {
    let dir = tempfile::tempdir().unwrap();
    let silence = dir.path().join("silence.wav");
    kitwright_core::export::write_wav(&silence, 44_100, &[&[0.0; 44_100]]).unwrap();
    let heard: Value =
        serde_json::from_str(&succeed(&["hits", silence.to_str().unwrap(), "--json"])).unwrap();
    assert_eq!(heard["hits"].as_array().unwrap().len(), 0);
    let out = dir.path().join("kit");
    let sentence = refuse(&["kit", silence.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert!(sentence.contains("silence.wav") && !out.exists(), "{sentence}");
}

#[test]
fn a_kit_folder_is_what_the_contract_says() {
    let made = Made::get();
    let summary = made.summary();
    assert_eq!(summary, serde_json::from_slice::<Value>(&fs::read(made.file("kit.json")).unwrap()).unwrap());
    assert_eq!(summary["name"], "Cello");
    assert_eq!(summary["takes"][0]["file"], "take.wav");
    assert!(number(&summary["takes"][0]["hits"]) > 80.0);
    let seconds = number(&summary["takes"][0]["seconds"]);
    let pads = summary["pads"].as_array().unwrap();
    assert!(pads.len() >= 10, "{} pads", pads.len());
    let mut roles: BTreeSet<&str> =
        summary["roles_empty"].as_array().unwrap().iter().map(|r| r.as_str().unwrap()).collect();
    let mut files = BTreeSet::new();
    for pad in pads {
        let (note, role) = (number(&pad["note"]), pad["role"].as_str().unwrap());
        let file = pad["file"].as_str().unwrap();
        assert_eq!(file, format!("pads/{note:02}-{}.wav", role.replace(' ', "-")));
        assert!((0.0..=1.0).contains(&number(&pad["score"])) && (0.0..=1.0).contains(&number(&pad["fit"])));
        assert_eq!(pad["take"], 0);
        let (start, end) = (number(&pad["start"]), number(&pad["end"]));
        assert!(0.0 <= start && start < end && end <= seconds + 1e-3);
        assert!(pad["alternates"].is_u64());
        roles.insert(role);
        files.insert(file.trim_start_matches("pads/").to_owned());

        let mut wav = hound::WavReader::open(made.file(file)).unwrap();
        assert_eq!((wav.spec().sample_rate, wav.spec().bits_per_sample), (48_000, 24));
        let peak = wav.samples::<i32>().map(|s| s.unwrap().abs()).max().unwrap();
        assert!(peak > 80_000, "{file} sounds: peak {peak} of 8388608");
    }
    assert_eq!(roles, ROLES.into_iter().collect(), "every role is filled or said to be empty");
    assert_eq!(names_in(&made.file("pads")), files);
    let want = ["Cello.kitwright", "groove.mid", "groove.wav", "kit.json", "overview.png", "pads"];
    assert_eq!(names_in(&made.file("")), want.into_iter().map(str::to_owned).collect());
    let picture = tiny_skia::Pixmap::load_png(made.file("overview.png")).unwrap();
    assert!(picture.width() >= 1000 && picture.height() >= 600);

    let score = kitwright_core::export::Score::read(made.file("groove.mid")).unwrap();
    for pad in pads {
        let plays = |e: &kitwright_core::export::Event| matches!(e.action, kitwright_core::export::Action::On(note, _) if f64::from(note) == number(&pad["note"]));
        assert!(score.events.iter().any(plays), "the groove plays {}", pad["file"]);
    }
}

#[test]
fn the_same_in_gives_the_same_out_and_another_seed_or_fit_does_not() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let make = |name: &str, extra: &[&str]| {
        let out = dir.path().join(name);
        let fixed =
            ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--roles", "kick,rim,clap"];
        succeed(&[&fixed, extra].concat());
        let read = |file: &str| fs::read(out.join(file)).unwrap();
        ["short.kitwright", "groove.wav", "groove.mid", "overview.png", "kit.json"].map(read)
    };
    let first = make("a", &[]);
    assert!(first == make("b", &[]), "every file is the same");
    assert!(first[1] != make("c", &["--seed", "2"])[1], "another seed, another groove");
    assert!(first[1] != make("d", &["--fit", "0"])[1], "another fit, another groove");
}

#[test]
fn only_the_roles_asked_for_are_filled() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("kit");
    let take = short_take(dir.path());
    let text = succeed(&[
        "kit",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--roles",
        "kick,closed-hat",
        "--key",
        "A minor",
    ]);
    assert!(text.contains("kick") && text.contains("closed hat") && text.contains("groove.wav"), "{text}");
    assert_eq!(names_in(&out.join("pads")), ["36-kick.wav", "42-closed-hat.wav"].map(str::to_owned).into());
}

#[test]
fn rendering_does_not_depend_on_the_block() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let (kit, midi) = (made.file("Cello.kitwright"), made.file("groove.mid"));
    let render = |block: &str| {
        let out = dir.path().join(format!("{block}.wav"));
        let files = [kit.to_str().unwrap(), midi.to_str().unwrap(), out.to_str().unwrap()];
        succeed(&["render", files[0], files[1], "--out", files[2], "--block", block]);
        fs::read(out).unwrap()
    };
    let want = fs::read(made.file("groove.wav")).unwrap();
    for block in ["1", "17", "64", "512", "8192"] {
        assert!(render(block) == want, "block {block}");
    }
}

#[test]
fn stems_rates_and_seeds_are_obeyed() {
    let made = Made::get();
    let dir = tempfile::tempdir().unwrap();
    let (kit, midi) = (made.file("Cello.kitwright"), made.file("groove.mid"));
    let (out, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
    let fixed = ["render", kit.to_str().unwrap(), midi.to_str().unwrap(), "--out", out.to_str().unwrap()];
    succeed(&[&fixed[..], &["--rate", "44100", "--stems", stems.to_str().unwrap(), "--seed", "7"]].concat());
    let main = hound::WavReader::open(&out).unwrap();
    assert_eq!((main.spec().sample_rate, main.spec().bits_per_sample), (44_100, 24));
    let pads = made.summary()["pads"].as_array().unwrap().len();
    assert_eq!(names_in(&stems).len(), pads);
    for stem in names_in(&stems) {
        assert_eq!(hound::WavReader::open(stems.join(&stem)).unwrap().duration(), main.duration(), "{stem}");
    }
    let with_seed_7 = fs::read(&out).unwrap();
    succeed(&[&fixed[..], &["--rate", "44100"]].concat());
    assert!(fs::read(&out).unwrap() != with_seed_7, "another seed draws other variations");
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
    // half a second of 220 Hz, give or take the one at the edges
    assert!((109..=111).contains(&crossings), "{crossings}");
    refuse(&["shift", take.to_str().unwrap(), "--semitones", "99", "-o", low.to_str().unwrap()]);
}

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
        let more = ["--roles".as_ref(), "kick".as_ref(), "--json".as_ref()];
        let summary: Value = serde_json::from_str(&succeed(&[&words[..], &more].concat())).unwrap();
        assert!(summary["takes"][0]["file"].as_str().unwrap().ends_with(".wav"));
        fs::write(&take, "no sound").unwrap();
        refuse(&["hits".as_ref(), take.as_os_str()]);
    }
}

#[test]
fn other_files_in_the_folder_stay() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let out = dir.path().join("kit");
    fs::create_dir_all(out.join("pads")).unwrap();
    fs::write(out.join("lyrics.txt"), "mine").unwrap();
    let make = |roles: &str| {
        succeed(&["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--roles", roles]);
        names_in(&out.join("pads"))
    };
    assert_eq!(make("rim"), ["37-rim.wav".to_owned()].into());
    assert_eq!(make("kick"), ["36-kick.wav".to_owned()].into());
    assert_eq!(fs::read_to_string(out.join("lyrics.txt")).unwrap(), "mine");
}

/// Ends a call with Ctrl-C after a while; what is left in the folder afterwards.
#[cfg(unix)]
fn interrupt(arguments: &[&str], after_ms: u64) -> std::process::ExitStatus {
    let mut child = kitwright().args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    std::thread::sleep(std::time::Duration::from_millis(after_ms));
    Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    child.wait().unwrap()
}

#[cfg(unix)]
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
    // an hour of music: interrupted while the file is being written
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
#[cfg(unix)]
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

fn write_mono(path: &Path, rate: u32, samples: impl Iterator<Item = f64>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    samples.for_each(|s| writer.write_sample((s * 32_767.0) as i16).unwrap());
    writer.finalize().unwrap();
}

#[test]
fn a_kit_is_tuned_to_the_key_heard_in_a_song_or_told_when_there_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let [song, hiss] = ["song.wav", "hiss.wav"].map(|name| dir.path().join(name));
    // G major: the chords of its tonic, its dominant and its tonic
    let chords = [[98.0, 196.0, 246.9, 293.7], [146.8, 293.7, 370.0, 440.0], [98.0, 392.0, 493.9, 587.3]];
    let tone = |hz: f64, i: u32| (std::f64::consts::TAU * hz * f64::from(i) / 22_050.0).sin() * 0.1;
    let chord = |c: [f64; 4]| (0..22_050).map(move |i| c.iter().map(|&hz| tone(hz, i)).sum());
    write_mono(&song, 22_050, chords.into_iter().flat_map(chord));
    let mut noise = 1u32;
    let hissing = (0..44_100).map(|_| {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(noise >> 8) / f64::from(1 << 24) - 0.5
    });
    write_mono(&hiss, 22_050, hissing);

    let out = dir.path().join("kit");
    let words = |song: &Path| {
        let song = song.to_str().unwrap().to_owned();
        let [take, out] = [&take, &out].map(|p| p.to_str().unwrap().to_owned());
        let text = ["kit", &take, "--out", &out, "--roles", "low tom", "--key-from", &song];
        text.map(str::to_owned)
    };
    let sentence = refuse(&words(&hiss));
    assert!(sentence.contains("hiss.wav") && sentence.contains("key"), "{sentence}");
    assert!(!out.exists());
    let text = succeed(&words(&song));
    assert!(text.contains("G major"), "{text}");
}
