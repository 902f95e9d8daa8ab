//! Exports: the same samples at any block size, whole files or none, files that agree with each other.
//!
//! The kit is made by hand from the invented take, so that nothing here depends on casting.

use kitwright_core::{
    demo::borrowed_cello,
    engine::PlayKit,
    error::Error,
    export::{
        Action, Event, RenderOptions, Score, Summary, Tempo, groove_midi, kit_file, render, render_file,
        render_pad, write_folder,
    },
    kit::{Audition, KeyPart, Kit, Layer, Role, Slice, TakeEntry},
    listen::{Description, Hit},
    progress::{Flag, Progress, Quiet},
};
use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    sync::{
        Arc, OnceLock,
        atomic::{AtomicBool, AtomicU32, Ordering},
    },
};

/// Ten pads on hits of the invented take, the clap with a cloud.
fn kit() -> Arc<Kit> {
    static KIT: OnceLock<Arc<Kit>> = OnceLock::new();
    KIT.get_or_init(|| {
        let (take, starts) = borrowed_cello(1);
        let frame = |s: f64| (s * f64::from(take.sample_rate)).round() as u64;
        let hits = starts.iter().enumerate().map(|(i, &start)| Hit {
            start: frame(start),
            end: starts.get(i + 1).map_or(take.frames() as u64, |&next| frame(next)),
            by_hand: false,
            description: Description::default(),
        });
        let mut kit = Kit::default();
        kit.doc.name = "Borrowed cello".into();
        kit.doc.takes.push(TakeEntry::new(&take, hits.collect()));
        for (pad, hit) in
            [(0, 0), (1, 16), (2, 45), (3, 38), (5, 60), (8, 55), (6, 23), (11, 29), (15, 61), (13, 70)]
        {
            let hit_of = &kit.doc.takes[0].hits[hit];
            let slice =
                Slice { take: 0, start: hit_of.start, end: hit_of.end, gain_db: 0.0, velocities: [0.0, 1.0] };
            let pad = &mut kit.doc.pads[pad];
            pad.slices = vec![slice];
            pad.layers = vec![Layer::default()];
            pad.audition = Some(Audition { take: 0, hit, score: 0.5, ..Audition::default() });
        }
        kit.doc.pads[3].cloud.copies = 12;
        kit.takes.push(Arc::new(take));
        kit.doc.mend();
        Arc::new(kit)
    })
    .clone()
}

/// Only the first three pads of [`kit`], which are quick to write.
fn small_kit() -> Arc<Kit> {
    let mut kit = Kit::clone(&kit());
    kit.doc.pads[3..].iter_mut().for_each(|pad| pad.slices.clear());
    Arc::new(kit)
}

fn groove() -> Score {
    Score::parse(&groove_midi(&kit())).unwrap()
}

/// Main output and every pad's output, as bits.
fn samples(score: &Score, rate: u32, block: usize) -> Vec<u32> {
    let play = Arc::new(PlayKit::new(kit(), f64::from(rate)));
    let mut all = vec![Vec::new(); 34];
    render(&play, score, RenderOptions { rate, block }, &Quiet, &mut |engine, frames| {
        let outputs = std::iter::once(engine.main()).chain((0..16).map(|pad| engine.pad(pad)));
        for (to, from) in all.iter_mut().zip(outputs.flatten()) {
            to.extend(from[..frames].iter().map(|s| s.to_bits()));
        }
        Ok(())
    })
    .unwrap();
    all.concat()
}

fn read_wav(path: &Path) -> (hound::WavSpec, Vec<i32>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    (spec, reader.samples().map(Result::unwrap).collect())
}

/// Paths of all files below a folder, relative, with forward slashes.
fn files_below(folder: &Path) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(f) = folders.pop() {
        for entry in fs::read_dir(f).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(path.strip_prefix(folder).unwrap().to_string_lossy().replace('\\', "/"));
            }
        }
    }
    found
}

#[test]
fn the_samples_do_not_depend_on_the_block() {
    let score = groove();
    let want = samples(&score, 48_000, 8192);
    assert!(want.iter().any(|&s| f32::from_bits(s).abs() > 0.05), "the groove sounds");
    for block in [1, 17, 64, 512] {
        // assert_eq would print millions of numbers.
        assert!(samples(&score, 48_000, block) == want, "block {block}");
    }
}

#[test]
fn the_same_song_has_the_same_length_at_other_rates() {
    let score = groove();
    let seconds = |rate: u32| {
        let play = Arc::new(PlayKit::new(kit(), f64::from(rate)));
        let options = RenderOptions { rate, block: 512 };
        render(&play, &score, options, &Quiet, &mut |_, _| Ok(())).unwrap() as f64 / f64::from(rate)
    };
    // The end is searched in steps of 1024 frames, and tails end at slightly different thresholds.
    assert!((seconds(44_100) - seconds(96_000)).abs() < 0.2);
}

#[test]
fn a_folder_holds_what_its_summary_lists() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("somewhere/new/kit");
    let summary = write_folder(&kit(), &out, &Quiet).unwrap();
    let json: Summary = serde_json::from_slice(&fs::read(out.join("kit.json")).unwrap()).unwrap();
    assert_eq!(json, summary);
    assert_eq!(summary.pads.len(), 10);
    assert_eq!(summary.takes[0].hits, 94);
    let mut want: BTreeSet<String> = summary.pads.iter().map(|p| p.file.clone()).collect();
    for file in ["Borrowed cello.kitwright", "groove.wav", "groove.mid", "overview.png", "kit.json"] {
        want.insert(file.into());
    }
    assert_eq!(files_below(&out), want);
    assert!(want.contains("pads/36-kick.wav") && want.contains("pads/42-closed-hat.wav"));
    let around: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(around, ["somewhere"]);

    for pad in &summary.pads {
        let (spec, samples) = read_wav(&out.join(&pad.file));
        assert_eq!((spec.sample_rate, spec.bits_per_sample, spec.channels), (48_000, 24, 2));
        let peak = samples.iter().map(|s| s.abs()).max().unwrap();
        // Audible, and at most 0.1 dB over the ceiling of -1 dBTP.
        assert!(peak > 8_388_608 / 1000 && f64::from(peak) < 8_388_608.0 * 0.902, "{}: {peak}", pad.file);
    }
    let reloaded = Kit::load(out.join("Borrowed cello.kitwright"), &Quiet).unwrap();
    assert_eq!(reloaded.doc, kit().doc);
    assert!(reloaded.takes[0].channels == kit().takes[0].channels);
}

#[test]
fn the_groove_file_is_the_groove_midi_played_with_the_kit_file() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("kit");
    write_folder(&kit(), &out, &Quiet).unwrap();
    let score = Score::read(out.join("groove.mid")).unwrap();
    let reloaded = Arc::new(Kit::load(out.join("Borrowed cello.kitwright"), &Quiet).unwrap());
    let again = dir.path().join("again.wav");
    render_file(&reloaded, &score, RenderOptions::default(), &again, None, &Quiet).unwrap();
    assert!(fs::read(out.join("groove.wav")).unwrap() == fs::read(again).unwrap());
}

#[test]
fn other_files_stay_and_pads_of_the_previous_kit_are_removed() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(&small_kit(), dir.path(), &Quiet).unwrap();
    fs::write(dir.path().join("notes.txt"), "mine").unwrap();
    fs::write(dir.path().join("pads/my-own.wav"), "mine").unwrap();
    let mut fewer = Kit::clone(&small_kit());
    fewer.doc.pads[0].slices.clear();
    write_folder(&Arc::new(fewer), dir.path(), &Quiet).unwrap();
    let files = files_below(dir.path());
    assert!(!files.contains("pads/36-kick.wav") && files.contains("pads/37-rim.wav"));
    assert_eq!(fs::read_to_string(dir.path().join("notes.txt")).unwrap(), "mine");
    assert_eq!(fs::read_to_string(dir.path().join("pads/my-own.wav")).unwrap(), "mine");
}

#[test]
fn a_kit_json_made_by_others_cannot_have_files_removed() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("kit");
    write_folder(&small_kit(), &out, &Quiet).unwrap();
    let precious = dir.path().join("precious.wav");
    fs::write(&precious, "mine").unwrap();
    let mut json: serde_json::Value =
        serde_json::from_slice(&fs::read(out.join("kit.json")).unwrap()).unwrap();
    json["pads"][0]["file"] = "pads/../../precious.wav".into();
    json["pads"][1]["file"] = precious.to_str().unwrap().into();
    fs::write(out.join("kit.json"), json.to_string()).unwrap();
    write_folder(&small_kit(), &out, &Quiet).unwrap();
    assert!(precious.exists());
}

/// Asks to stop after some checks.
struct StopAfter(AtomicU32, AtomicBool);

impl Progress for StopAfter {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        if self.0.fetch_sub(1, Ordering::Relaxed) == 0 {
            self.1.store(true, Ordering::Relaxed);
        }
        self.1.load(Ordering::Relaxed)
    }
}

#[test]
fn a_cancelled_export_leaves_nothing() {
    for checks in [0, 1, 200, 1000] {
        let dir = tempfile::tempdir().unwrap();
        let stop = StopAfter(AtomicU32::new(checks), AtomicBool::new(false));
        let result = write_folder(&small_kit(), dir.path().join("kit"), &stop);
        assert_eq!(result, Err(Error::Cancelled), "after {checks} checks");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0, "after {checks} checks");
    }
    let dir = tempfile::tempdir().unwrap();
    let stop = Flag(AtomicBool::new(true));
    let out = dir.path().join("song.wav");
    let stems = dir.path().join("stems");
    let result = render_file(&small_kit(), &groove(), RenderOptions::default(), &out, Some(&stems), &stop);
    assert_eq!(result, Err(Error::Cancelled));
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn stems_are_the_pads_and_as_long_as_the_song() {
    let dir = tempfile::tempdir().unwrap();
    let (out, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
    render_file(&kit(), &groove(), RenderOptions::default(), &out, Some(&stems), &Quiet).unwrap();
    let length = read_wav(&out).1.len();
    let files = files_below(&stems);
    assert_eq!(files.len(), 10);
    for file in files {
        let (_, samples) = read_wav(&stems.join(&file));
        assert_eq!(samples.len(), length, "{file}");
        assert!(samples.iter().any(|&s| s.abs() > 1000), "{file} sounds");
    }
}

/// Largest difference between the song and the sum of the stems that are in it, steps of 24 bits.
fn left_over(kit: &Kit) -> i32 {
    let dir = tempfile::tempdir().unwrap();
    let (out, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
    let options = RenderOptions { rate: 44_100, block: 100 };
    let mut score = groove();
    let on = |seconds, key| Event { seconds, channel: 1, action: Action::On(key, 1.0) };
    score.events.splice(0..0, [on(0.0, 43), on(0.0, 50)]);
    let summary = render_file(&Arc::new(kit.clone()), &score, options, &out, Some(&stems), &Quiet).unwrap();
    assert_eq!(summary.stems.len(), 10 + kit.doc.key_parts.len());
    let mut rest = read_wav(&out).1;
    assert!(rest.iter().any(|s| s.abs() > 80_000), "the song sounds");
    for stem in summary.stems.iter().filter(|stem| stem.in_mix) {
        let (_, samples) = read_wav(&stems.join(&stem.file));
        rest.iter_mut().zip(samples).for_each(|(rest, s)| *rest -= s);
    }
    rest.iter().map(|s| s.abs()).max().unwrap()
}

#[test]
fn stems_add_up_to_the_mix_whatever_the_ceiling_does() {
    // each of up to eleven stems and the song are rounded by half a step at most
    let most = 6;
    assert!(left_over(&kit()) <= most);
    let mut loud = Kit::clone(&kit());
    loud.doc.trims.kit.level_db = 12.0;
    let limited = Arc::new(loud.clone());
    let play = Arc::new(PlayKit::new(limited, 48_000.0));
    let mut reduction_db = 0.0_f32;
    render(&play, &groove(), RenderOptions::default(), &Quiet, &mut |engine, _| {
        reduction_db = reduction_db
            .max(f32::from_bits(engine.meters().main_ceiling_db.load(std::sync::atomic::Ordering::Relaxed)));
        Ok(())
    })
    .unwrap();
    assert!(reduction_db > 3.0, "the ceiling works: {reduction_db} dB");
    assert!(left_over(&loud) <= most);
    let slice = loud.doc.pads[13].slices.first().copied();
    loud.doc.key_parts = vec![KeyPart { slice, root_hz: 200.0, ..KeyPart::default() }];
    assert!(left_over(&loud) <= most, "a key part is part of the mix");
    loud.doc.trims.pads[1].mute = true;
    loud.doc.trims.pads[3].pan = -0.8;
    assert!(left_over(&loud) <= most, "muted and moved pads");
    loud.doc.trims.pads[0].in_main = false;
    assert!(left_over(&loud) <= most, "a pad apart is no part of the mix");
    loud.doc.trims.kit.ceiling_on = false;
    loud.doc.trims.kit.level_db = -12.0;
    assert!(left_over(&loud) <= most, "without a ceiling");
}

#[test]
fn a_song_with_stems_has_the_same_bytes_as_without_and_is_measured() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a.wav"), dir.path().join("b.wav"));
    let stems = dir.path().join("stems");
    let options = RenderOptions::default();
    let plain = render_file(&small_kit(), &groove(), options, &a, None, &Quiet).unwrap();
    let with = render_file(&small_kit(), &groove(), options, &b, Some(&stems), &Quiet).unwrap();
    assert!(fs::read(&a).unwrap() == fs::read(&b).unwrap());
    assert_eq!((plain.loudness, plain.stems.len(), with.stems.len()), (with.loudness, 0, 3));
    let (lufs, peak) = (plain.loudness.lufs.unwrap(), plain.loudness.peak_dbtp.unwrap());
    assert!((-60.0..0.0).contains(&lufs) && (lufs..0.0).contains(&peak), "{lufs} LUFS, {peak} dBTP");
    let sample_peak = read_wav(&a).1.iter().map(|s| s.abs()).max().unwrap();
    let sample_peak_db = 20.0 * (f64::from(sample_peak) / 8_388_608.0).log10();
    assert!((-0.1..2.0).contains(&(peak - sample_peak_db)), "{peak} dBTP, {sample_peak_db} dBFS");
    for stem in &with.stems {
        assert!(stem.in_mix && stem.loudness.peak_dbtp.unwrap() > stem.loudness.lufs.unwrap(), "{stem:?}");
    }
}

#[test]
fn a_pad_sounds_alone_even_when_it_is_muted() {
    let plain = render_pad(&kit(), 0, 0.9, 48_000, &Quiet).unwrap();
    let mut muted = Kit::clone(&kit());
    muted.doc.trims.pads[0].mute = true;
    muted.doc.trims.pads[5].solo = true;
    let same = render_pad(&Arc::new(muted), 0, 0.9, 48_000, &Quiet).unwrap();
    assert!(plain == same && plain[0].iter().any(|&s| s.abs() > 0.01));
}

#[test]
fn a_key_that_is_never_released_ends() {
    let mut held = Kit::clone(&kit());
    held.doc.pads[0].settings.held = true;
    held.doc.pads[0].layers[0].settings.loop_on = true;
    held.doc.pads[0].layers[0].settings.sustain = 1.0;
    let events = vec![Event { seconds: 0.0, channel: 9, action: Action::On(36, 1.0) }];
    let tempi = vec![Tempo { seconds: 0.0, beats: 0.0, bpm: 120.0 }];
    let score = Score { events, tempi, seconds: 1.0 };
    let play = Arc::new(PlayKit::new(Arc::new(held), 48_000.0));
    let frames = render(&play, &score, RenderOptions::default(), &Quiet, &mut |_, _| Ok(())).unwrap();
    assert!((48_000..48_000 * 3).contains(&frames), "{frames} frames");
}

#[test]
fn rates_and_blocks_out_of_range_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    for (rate, block) in [(0, 512), (7_999, 512), (384_001, 512), (48_000, 0), (48_000, 1 << 20)] {
        let out = dir.path().join("x.wav");
        let result = render_file(&kit(), &groove(), RenderOptions { rate, block }, &out, None, &Quiet);
        assert!(matches!(result, Err(Error::Invalid(_))), "{rate} Hz, block {block}");
    }
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn any_name_becomes_a_file_name() {
    assert_eq!(kit_file("Borrowed cello"), "Borrowed cello.kitwright");
    assert_eq!(kit_file("a/b\\c:\n\"d\""), "a-b-c---d-.kitwright");
    for name in ["", "...", "  ", "\u{1f3bb}".repeat(200).as_str()] {
        let file = kit_file(name);
        assert!(file.len() < 200 && !file.starts_with('.'), "{file}");
    }
    let dir = tempfile::tempdir().unwrap();
    let mut odd = Kit::clone(&small_kit());
    odd.doc.name = "..\n\"\u{0}/\u{1f3bb}".into();
    write_folder(&Arc::new(odd), dir.path().join("kit"), &Quiet).unwrap();
    let json: Summary = serde_json::from_slice(&fs::read(dir.path().join("kit/kit.json")).unwrap()).unwrap();
    assert_eq!(json.name, "..\n\"\u{0}/\u{1f3bb}");
}

#[test]
fn a_picture_is_drawn_even_of_an_empty_kit() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("kit");
    let summary = write_folder(&Arc::default(), &out, &Quiet).unwrap();
    assert!(summary.pads.is_empty() && summary.roles_empty.len() == Role::ALL.len());
    let picture = tiny_skia::Pixmap::load_png(PathBuf::from(&out).join("overview.png")).unwrap();
    assert_eq!(picture.width(), 1600);
}
