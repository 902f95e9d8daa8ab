//! `kitwright kit`: the folder that it writes.

use super::{Made, ROLES, names_in, number, refuse, short_take, succeed};
use kitwright_core::{kit::Kit, progress::Quiet};
use serde_json::Value;
use std::{collections::BTreeSet, fs, path::Path};

#[test]
fn a_kit_folder_holds_what_kit_json_lists() {
    let made = Made::get();
    let summary = made.summary();
    assert_eq!(summary, serde_json::from_slice::<Value>(&fs::read(made.file("kit.json")).unwrap()).unwrap());
    assert_eq!(summary["name"], "Cello");
    assert_eq!(summary["takes"][0]["file"], "take.wav");
    assert!(number(&summary["takes"][0]["hits"]) > 80.0);
    let seconds = number(&summary["takes"][0]["seconds"]);
    let pads = summary["pads"].as_array().unwrap();
    assert_eq!(pads.len(), 16, "pads");
    let mut roles: BTreeSet<&str> =
        summary["roles_empty"].as_array().unwrap().iter().map(|r| r.as_str().unwrap()).collect();
    let mut files = BTreeSet::new();
    for pad in pads {
        let (note, role) = (number(&pad["note"]), pad["role"].as_str().unwrap());
        let file = pad["file"].as_str().unwrap();
        assert_eq!(file, format!("pads/{note:02}-{}.wav", role.replace(' ', "-")));
        for measure in ["score", "fit"] {
            let share = &pad[measure];
            let percussion = pad["role"] == "percussion";
            assert!(if percussion { share.is_null() } else { (0.0..=1.0).contains(&number(share)) }, "{pad}");
        }
        assert_eq!(pad["take"], 0);
        let (start, end) = (number(&pad["start"]), number(&pad["end"]));
        assert!(0.0 <= start && start < end && end <= seconds + 1e-3);
        assert!(pad["alternates"].is_u64());
        roles.insert(role);
        files.insert(file.trim_start_matches("pads/").to_owned());

        let mut wav = hound::WavReader::open(made.file(file)).unwrap();
        assert_eq!((wav.spec().sample_rate, wav.spec().bits_per_sample), (48_000, 24));
        let peak = wav.samples::<i32>().map(|s| s.unwrap().abs()).max().unwrap();
        assert!(peak > 80_000, "{file} is silent: peak {peak} of 8388608");
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
fn percussion_has_neither_score_nor_fit_in_the_kit_file_and_still_knows_other_hits() {
    let kit = Kit::load(Made::get().file("Cello.kitwright"), &Quiet).unwrap();
    let document = serde_json::to_value(&kit.doc).unwrap();
    for pad in document["pads"].as_array().unwrap() {
        let (percussion, audition) = (pad["role"] == "percussion", &pad["audition"]);
        assert_eq!(pad["fit"].is_null(), percussion, "{pad}");
        assert_eq!(pad["tidied"].is_number(), percussion, "{pad}");
        assert_eq!(audition["score"].is_null(), percussion, "{audition}");
        let others = audition["next_best"].as_array().unwrap();
        assert!(!others.is_empty(), "{audition}");
        assert_eq!(others.iter().all(|other| number(&other[2]) == 0.0), percussion, "{audition}");
    }
}

#[test]
fn the_same_take_gives_the_same_files_and_another_seed_or_fit_other_ones() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let make = |name: &str, extra: &[&str]| {
        let out = dir.path().join(name);
        let fixed =
            ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--roles", "kick,high-tom"];
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
fn a_kit_leans_towards_the_choices_that_a_window_has_learned_where_it_is_told_to() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let file = dir.path().join("preference.json");
    let clap = |name: &str, extra: &[&str]| {
        let out = dir.path().join(name);
        let fixed = ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quick", "--json"];
        let roles = ["--roles", "clap"];
        let summary: Value = serde_json::from_str(&succeed(&[&fixed[..], &roles, extra].concat())).unwrap();
        number(&summary["pads"][0]["start"])
    };
    let plain = clap("plain", &[]);
    let with = ["--preference", file.to_str().unwrap()];
    // told by hand: it counts although the window's switch is off
    let lean = r#"{"on": false, "roles": {"clap": {"choices": 16, "brighter_octaves": -3}}}"#;
    fs::write(&file, lean).unwrap();
    assert!(clap("leaning", &with) != plain, "another hit of the take");
    fs::write(&file, "{}").unwrap();
    assert_eq!(clap("empty", &with), plain);
    let out = dir.path().join("refused");
    let words = ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap()];
    for (text, word) in [(Some("no JSON"), "holds no choices"), (None, "is not there")] {
        match text {
            Some(text) => fs::write(&file, text).unwrap(),
            None => fs::remove_file(&file).unwrap(),
        }
        let said = refuse(&[&words[..], &with].concat());
        assert!(said.contains("preference.json") && said.contains(word), "{said}");
    }
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
    assert!(text.contains("key:      A minor"), "{text}");
    assert!(!text.contains("no hit for"), "roles that were not asked for lack nothing: {text}");
    assert_eq!(names_in(&out.join("pads")), ["36-kick.wav", "42-closed-hat.wav"].map(str::to_owned).into());
}

#[test]
fn a_kit_of_one_knock_is_whole_and_says_what_its_pads_share() {
    let dir = tempfile::tempdir().unwrap();
    let take = dir.path().join("knock.wav");
    let knock = |i: f64| (-i / 3000.0).exp() * (i / 20.0).sin() * (1.0 - (-i / 20.0).exp());
    write_mono(
        &take,
        48_000,
        (0..36_000).map(|i| 0.8 * knock(f64::from(i) - 4800.0) * f64::from(u8::from(i > 4800))),
    );
    let out = dir.path().join("kit");
    let text = succeed(&[Path::new("kit"), &take, Path::new("--out"), &out, Path::new("--quick")]);
    for said in [
        "knock.wav: 1 hit in 0.8 s",
        "40 snare: the same sound as 38, from one hit",
        "60 percussion: the same sound as 56, from one hit",
        "too few hits for all pads, so that some share one: 36 kick and 37, 38,",
        "made by the recipes alone",
    ] {
        assert!(text.contains(said), "{said:?} in\n{text}");
    }
    assert!(!text.contains("no hit for") && !text.contains("as is"), "{text}");
    assert!(!text.contains("nothing in this recording"), "the recipe alone says nothing of it: {text}");
    let rim = text.lines().find(|line| line.starts_with("  37  rim")).unwrap();
    assert!(rim.contains(" ? "), "{rim}");
    let kit: Value = serde_json::from_str(&fs::read_to_string(out.join("kit.json")).unwrap()).unwrap();
    for pad in kit["pads"].as_array().unwrap() {
        let unsure = pad["role"] == "rim" || pad["role"] == "open hat";
        assert_eq!(pad["unsure"].is_string(), unsure, "{pad}");
    }
}

#[test]
fn a_pad_with_a_target_says_how_near_it_came_instead_of_a_score() {
    let dir = tempfile::tempdir().unwrap();
    let (take, sound) = (short_take(dir.path()), dir.path().join("mine.wav"));
    let noise = |i: u32| f64::from(i.wrapping_mul(2_654_435_761) >> 8) / f64::from(1 << 24) - 0.5;
    write_mono(&sound, 48_000, (0..12_000).map(|i| noise(i) * (-f64::from(i) / 2000.0).exp()));
    let out = dir.path().join("kit");
    let target = format!("closed hat={}", sound.display());
    let text = succeed(&[
        "kit",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--roles",
        "closed hat",
        "--target",
        &target,
    ]);
    assert!(text.lines().any(|line| line.starts_with("  42  closed hat  target ")), "{text}");
    assert!(
        text.contains("42 closed hat: ") && text.contains(" dB from mine.wav, by the recipe alone "),
        "{text}"
    );
    let kit: Value = serde_json::from_str(&fs::read_to_string(out.join("kit.json")).unwrap()).unwrap();
    let told = &kit["pads"][0]["target"];
    assert_eq!(told["sound"], "mine.wav");
    let (now, recipe) = (number(&told["distance_db"]), number(&told["distance_by_recipe_db"]));
    assert!(now < recipe, "fitting came nearer: {now} dB, by the recipe {recipe} dB");
    assert!(told["not_fitted"].is_null());

    let quick = ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--roles", "closed hat"];
    let text = succeed(&[&quick[..], &["--target", &target, "--quick"]].concat());
    assert!(text.contains("mine.wav, nothing was fitted to it"), "{text}");
    assert!(!text.contains("by the recipe alone"), "{text}");
}

#[test]
fn other_files_in_the_folder_stay() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let out = dir.path().join("kit");
    fs::create_dir_all(out.join("pads")).unwrap();
    fs::write(out.join("lyrics.txt"), "mine").unwrap();
    let make = |roles: &str| {
        let words =
            ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap(), "--quick", "--roles", roles];
        succeed(&words);
        names_in(&out.join("pads"))
    };
    assert_eq!(make("rim"), ["37-rim.wav".to_owned()].into());
    assert_eq!(make("kick"), ["36-kick.wav".to_owned()].into());
    assert_eq!(fs::read_to_string(out.join("lyrics.txt")).unwrap(), "mine");
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
fn a_kit_is_tuned_to_the_key_of_a_song_and_a_song_without_key_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let [song, hiss] = ["song.wav", "hiss.wav"].map(|name| dir.path().join(name));
    // G major: tonic, dominant, tonic.
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

#[test]
fn hits_can_be_given_to_roles_and_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let take = take.to_str().unwrap();
    let list: Value = serde_json::from_str(&succeed(&["hits", take, "--json"])).unwrap();
    let start = |hit: usize| number(&list["hits"][hit]["start"]);
    let out = dir.path().join("kit");
    let fixed =
        ["kit", take, "--out", out.to_str().unwrap(), "--roles", "kick,snare,rim", "--quick", "--json"];
    let starts = |extra: &[&str]| -> Vec<(String, f64)> {
        let json = succeed(&[&fixed, extra].concat());
        let kit: Value = serde_json::from_str(&json).unwrap();
        let pads = kit["pads"].as_array().unwrap();
        pads.iter().map(|p| (p["role"].as_str().unwrap().to_owned(), number(&p["start"]))).collect()
    };
    let moment = format!("rim={}s", start(4) + 0.01);
    let with = starts(&["--cast", &format!("kick=hit3,{moment}")]);
    let of = |pads: &[(String, f64)], role: &str| pads.iter().find(|p| p.0 == role).unwrap().1;
    assert!((of(&with, "kick") - start(2)).abs() < 1e-5, "{with:?}");
    assert!((of(&with, "rim") - start(4)).abs() < 1e-5, "{with:?}");
    // what is left out is nowhere, whatever it would serve
    let plain = starts(&[]);
    let left_out: Vec<String> = plain.iter().map(|(_, at)| format!("{at}s")).collect();
    let without = starts(&["--not", &left_out.join(",")]);
    assert!(
        without.iter().all(|(_, at)| plain.iter().all(|(_, taken)| (at - taken).abs() > 1e-5)),
        "{without:?}"
    );
    for wrong in ["kick=hit9999", "kick=900s", "kick=2:hit1"] {
        let sentence = refuse(&[&fixed[..], &["--cast", wrong]].concat());
        assert!(sentence.contains("there is no"), "{sentence}");
    }
}

#[test]
fn a_quick_kit_fills_sixteen_pads_and_says_what_tuning_moved() {
    let kit = Made::get().summary();
    assert_eq!(kit["key"], "A minor");
    assert_eq!(kit["pads"].as_array().unwrap().len(), 16, "{kit}");
    let told = |pad: &Value| pad["tuned"]["cents"].as_f64().is_some_and(|cents| cents.abs() < 2400.0);
    assert!(kit["pads"].as_array().unwrap().iter().any(told), "what tuning moved is said: {kit}");
}

#[test]
fn a_kit_is_cut_down_to_what_it_plays_and_renders_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let (kit, small) = (Made::get().file("Cello.kitwright"), dir.path().join("small.kitwright"));
    let text = succeed(&[Path::new("keep-used"), &kit, Path::new("--out"), &small]);
    assert!(text.contains("kept"), "{text}");
    let size = |path: &Path| fs::metadata(path).unwrap().len();
    assert!(size(&small) < size(&kit) / 3, "{} of {} bytes", size(&small), size(&kit));
    let render = |kit: &Path, out: &str| {
        let out = dir.path().join(out);
        let midi = Made::get().file("groove.mid");
        succeed(&[Path::new("render"), kit, &midi, Path::new("--out"), &out]);
        fs::read(out).unwrap()
    };
    assert!(render(&kit, "whole.wav") == render(&small, "small.wav"));
    assert!(
        refuse(&[Path::new("keep-used"), &dir.path().join("none.kitwright"), Path::new("-o"), &small])
            .contains("none")
    );
}
