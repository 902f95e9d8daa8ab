//! Kits for other samplers, read back by small readers of their formats.

use kitwright_core::{
    engine::PlayKit,
    error::Error,
    export::{
        Action, Event, RenderOptions, SampleOptions, SamplerFormat, Score, export_sampler, render,
        sampler_files,
    },
    kit::{KeyLoop, KeyPart, KeyPartSettings, Kit, Layer, Slice, TakeEntry, Variation, note_names},
    progress::{Flag, Quiet},
    take::Take,
    units::note_to_hz,
};
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::Path,
    sync::{Arc, atomic::AtomicBool},
};

const RATE: u32 = 48_000;
const HIT: u64 = 4800;

/// A rim with three hits, a snare whose hits change with the velocity, two hats that choke each other, a pad that is held,
/// and eleven pads that are silent.
fn kit() -> Kit {
    let mut seed = 1_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let channels = (0..2).map(|_| {
        let hit = |h: u64, noise: &mut dyn FnMut() -> f32| -> Vec<f32> {
            let sample = |i: u64| {
                let t = i as f32 / RATE as f32;
                let tone = (std::f32::consts::TAU * 200.0 * (h + 1) as f32 * t).sin();
                (-t * 40.0).exp() * (0.3 * tone + 0.1 * noise())
            };
            (0..HIT).map(sample).collect()
        };
        (0..10).flat_map(|h| hit(h, &mut noise)).collect()
    });
    let take = Take::from_samples("tones", RATE, channels.collect());
    let mut kit = Kit::default();
    kit.doc.name = "Tones & <noise>".into();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    let slice = |hit: u64, velocities| Slice {
        take: 0,
        start: hit * HIT,
        end: (hit + 1) * HIT,
        gain_db: 0.0,
        velocities,
    };
    let whole = [0.0, 1.0];
    let pads = [
        (1, vec![slice(0, whole), slice(1, whole), slice(2, whole)]),
        (2, vec![slice(3, [0.0, 0.4]), slice(4, [0.41, 1.0]), slice(5, [0.41, 1.0])]),
        (5, vec![slice(6, whole)]),
        (8, vec![slice(7, whole)]),
        (13, vec![slice(9, whole)]),
    ];
    for (pad, slices) in pads {
        let pad = &mut kit.doc.pads[pad];
        (pad.slices, pad.layers) = (slices, vec![Layer::default()]);
        pad.layers[0].settings.velocity_level = 0.6;
        pad.variation =
            Variation { start_ms: 0.0, pitch_ct: 0.0, level_db: 0.0, cut_oct: 0.0, ..Variation::default() };
    }
    for hat in [5, 8] {
        kit.doc.pads[hat].settings.choke_group = 1;
        kit.doc.pads[hat].variation = Variation::default();
    }
    kit.doc.pads[8].settings.pan = 0.7;
    let held = &mut kit.doc.pads[13];
    held.settings.held = true;
    let settings = &mut held.layers[0].settings;
    (settings.loop_on, settings.loop_ms, settings.sustain, settings.release_ms) = (true, 50.0, 0.5, 300.0);
    kit.takes.push(Arc::new(take));
    kit
}

fn export(kit: &Kit, format: SamplerFormat, dir: &Path) -> usize {
    export_sampler(&Arc::new(kit.clone()), format, &SampleOptions::default(), dir, &Quiet)
        .expect("exported")
        .samples
}

/// Strokes of one key at one velocity, two seconds apart, as the plugin plays them: left and right of each.
fn played(kit: &Kit, key: u8, velocity: u8, count: usize) -> Vec<[Vec<f32>; 2]> {
    let events = (0..count).flat_map(|i| {
        let at = |seconds: f64, action| Event { seconds: 2.0 * i as f64 + seconds, channel: 9, action };
        [at(0.0, Action::On(key, f32::from(velocity) / 127.0)), at(0.5, Action::Off(key))]
    });
    let score =
        Score { events: events.collect(), seconds: 2.0 * count as f64, ..Score::stroke(key, 1.0, 0.5) };
    let play = Arc::new(PlayKit::new(Arc::new(kit.clone()), f64::from(RATE)));
    let mut all = [Vec::new(), Vec::new()];
    render(&play, &score, RenderOptions::default(), &Quiet, &mut |engine, n| {
        for (to, from) in all.iter_mut().zip(engine.main()) {
            to.extend_from_slice(&from[..n]);
        }
        Ok(())
    })
    .expect("played");
    let frames = 2 * RATE as usize;
    (0..count).map(|i| all.each_ref().map(|channel| channel[i * frames..(i + 1) * frames].to_vec())).collect()
}

fn wav(path: &Path) -> [Vec<f32>; 2] {
    let mut reader = hound::WavReader::open(path).expect("a WAV file");
    assert_eq!(
        (reader.spec().sample_rate, reader.spec().bits_per_sample, reader.spec().channels),
        (RATE, 24, 2)
    );
    let samples: Vec<f32> =
        reader.samples::<i32>().map(|s| s.expect("a sample") as f32 / 8_388_608.0).collect();
    [0, 1].map(|channel| samples.iter().skip(channel).step_by(2).copied().collect())
}

/// Chunks of a RIFF file, those of lists among them as "LIST name".
fn chunks(bytes: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    assert_eq!(u32::from_le_bytes(bytes[4..8].try_into().expect("four bytes")) as usize, bytes.len() - 8);
    let mut at = 12;
    while at + 8 <= bytes.len() {
        let name = String::from_utf8_lossy(&bytes[at..at + 4]).into_owned();
        let size = u32::from_le_bytes(bytes[at + 4..at + 8].try_into().expect("four bytes")) as usize;
        let content = bytes[at + 8..at + 8 + size].to_vec();
        if name == "LIST" {
            let kind = String::from_utf8_lossy(&content[..4]).into_owned();
            let mut inner = 4;
            while inner + 8 <= content.len() {
                let name = String::from_utf8_lossy(&content[inner..inner + 4]).into_owned();
                let size = u32::from_le_bytes(content[inner + 4..inner + 8].try_into().expect("four bytes"));
                let end = inner + 8 + size as usize;
                found.insert(format!("{kind} {name}"), content[inner + 8..end].to_vec());
                inner = end + end % 2;
            }
        }
        found.insert(name, content);
        at += 8 + size + size % 2;
    }
    assert_eq!(at, bytes.len(), "the last chunk ends with the file");
    found
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

fn names_in(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).expect("a folder");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
}

#[test]
fn samples_are_the_strokes_that_the_plugin_plays_in_turn() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    let count = export(&kit, SamplerFormat::Wav, dir.path());
    assert_eq!(names_in(dir.path()).len(), count);
    // note, name, velocity of the step, its number, alternates
    for (key, stem, velocity, step, alternates) in [
        (37, "37-rim", 127, 4, 3),
        (37, "37-rim", 32, 1, 3),
        (38, "38-snare", 127, 5, 2),
        (38, "38-snare", 51, 2, 1),
        (42, "42-closed-hat", 96, 3, 4),
        (46, "46-open-hat", 64, 2, 4),
    ] {
        for (turn, stroke) in played(&kit, key, velocity, alternates).iter().enumerate() {
            let name = format!("{stem}-v{step}-a{}.wav", turn + 1);
            for (sample, engine) in wav(&dir.path().join(&name)).iter().zip(stroke) {
                let (here, silent) = engine.split_at(sample.len());
                assert!(sample.iter().any(|s| s.abs() > 0.001), "{name} sounds");
                // half a step of 24 bits
                assert!(sample.iter().zip(here).all(|(a, b)| (a - b).abs() <= 6.0e-8), "{name}");
                assert!(silent.iter().all(|s| s.abs() < 1e-6), "{name} is whole");
            }
        }
        assert!(!dir.path().join(format!("{stem}-v{step}-a{}.wav", alternates + 1)).exists());
    }
    assert!(
        names_in(dir.path()).iter().all(|name| !name.starts_with("36")),
        "pads without a sound are left out"
    );
}

#[test]
fn wav_files_say_key_velocities_name_and_loop() {
    let dir = tempfile::tempdir().unwrap();
    export(&kit(), SamplerFormat::Wav, dir.path());
    let rim = chunks(&fs::read(dir.path().join("37-rim-v2-a3.wav")).unwrap());
    assert_eq!(rim["inst"], [37, 0, 0, 37, 37, 33, 64]);
    assert_eq!(
        (u32_at(&rim["smpl"], 8), u32_at(&rim["smpl"], 12), u32_at(&rim["smpl"], 28)),
        (20_833, 37, 0)
    );
    assert_eq!((u32_at(&rim["cue "], 0), &rim["cue "][12..16]), (1, &b"data"[..]));
    assert_eq!(u32_at(&rim["adtl labl"], 0), u32_at(&rim["cue "], 4), "the label is that of the point");
    assert_eq!(&rim["adtl labl"][4..], b"37-rim, velocities 33 to 64, alternate 3 of 3\0");
    let held = chunks(&fs::read(dir.path().join("56-percussion-v4-a1.wav")).unwrap());
    let smpl = &held["smpl"];
    let (start, end) = (u32_at(smpl, 44) as usize, u32_at(smpl, 48) as usize);
    assert_eq!((u32_at(smpl, 28), smpl.len()), (1, 60));
    let [left, _] = wav(&dir.path().join("56-percussion-v4-a1.wav"));
    assert!(start < end && end + 1 == left.len());
    assert!((left[end] - left[start - 1]).abs() < 1e-6, "what follows the end is what follows the start");
    assert!(left[start..].iter().any(|s| s.abs() > 0.001), "the loop sounds");
}

#[test]
fn an_sfz_plays_every_velocity_of_every_key_in_turn() {
    let dir = tempfile::tempdir().unwrap();
    let mut kit = kit();
    kit.doc.general_midi = true;
    let count = export(&kit, SamplerFormat::Sfz, dir.path());
    let text = fs::read_to_string(dir.path().join("Tones & -noise-.sfz")).unwrap();
    assert_eq!(names_in(&dir.path().join("samples")).len(), count);
    let (mut group, mut heard) = (BTreeMap::new(), BTreeMap::<(u8, u8), Vec<String>>::new());
    for line in text.lines().filter(|line| line.starts_with('<')) {
        let words = line.split(' ').filter_map(|word| word.split_once('='));
        let words: BTreeMap<&str, &str> = words.collect();
        if line.starts_with("<group>") {
            group = words;
            continue;
        }
        let number = |name: &str| words.get(name).map_or(1, |n| n.parse::<u8>().unwrap());
        assert!(dir.path().join(words["sample"]).is_file(), "{line}");
        let key = group["key"].parse().unwrap();
        for velocity in number("lovel")..=number("hivel") {
            let turns = heard.entry((key, velocity)).or_default();
            assert_eq!(usize::from(number("seq_position")), turns.len() + 1, "{line}");
            turns.push(words["sample"].to_owned());
        }
        assert_eq!(words.get(format!("amp_velcurve_{}", words["hivel"]).as_str()), Some(&"1.00000"));
        let hat = line.contains("hat");
        assert_eq!(
            (group.get("group"), group.get("off_by")),
            if hat { (Some(&"1"), Some(&"1")) } else { (None, None) }
        );
        let looped = line.contains("56-percussion");
        assert_eq!(words.get("loop_mode").copied(), looped.then_some("loop_continuous"), "{line}");
        assert_eq!(group["loop_mode"], if looped { "no_loop" } else { "one_shot" });
        assert_eq!(group.get("ampeg_release").copied(), looped.then_some("0.3"));
    }
    for (key, _) in note_names(&kit.doc) {
        assert!((1..=127).all(|velocity| heard.contains_key(&(key, velocity))), "key {key}");
    }
    assert_eq!(heard[&(37, 100)].len(), 3);
    assert_eq!(heard[&(38, 30)].len(), 1);
    assert_eq!(heard[&(40, 30)], heard[&(38, 30)], "a key without a pad is answered by the nearest drum");
}

#[test]
fn an_sfz_follows_the_levels_of_the_engine_between_its_samples() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    export(&kit, SamplerFormat::Sfz, dir.path());
    let text = fs::read_to_string(dir.path().join("Tones & -noise-.sfz")).unwrap();
    let energy = |s: &[Vec<f32>; 2]| s.iter().flatten().map(|s| f64::from(*s).powi(2)).sum::<f64>();
    for (velocity, recorded, sample) in
        [(110, 127, "37-rim-v4-a1"), (45, 64, "37-rim-v2-a1"), (12, 32, "37-rim-v1-a1")]
    {
        let line = text.lines().find(|line| line.contains(sample)).unwrap();
        let mut points: Vec<(f64, f64)> = line
            .split(' ')
            .filter_map(|word| word.strip_prefix("amp_velcurve_")?.split_once('='))
            .map(|(v, gain)| (v.parse().unwrap(), gain.parse().unwrap()))
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let above = points.iter().position(|p| p.0 >= f64::from(velocity)).unwrap();
        let ((v0, g0), (v1, g1)) = (points[above - 1], points[above]);
        let curve_db = 20.0 * (g0 + (g1 - g0) * (f64::from(velocity) - v0) / (v1 - v0)).log10();
        let [engine, loud] = [velocity, recorded].map(|v| energy(&played(&kit, 37, v, 1)[0]));
        let engine_db = 10.0 * (engine / loud).log10();
        assert!(
            (curve_db - engine_db).abs() < 0.3,
            "velocity {velocity}: {curve_db:.2} for {engine_db:.2} dB"
        );
    }
}

/// Zones of a SoundFont: generators and the amount of the modulator from velocity to attenuation.
fn zones(pdta: &BTreeMap<String, Vec<u8>>) -> Vec<(BTreeMap<u16, u16>, Option<u16>)> {
    let bags: Vec<[usize; 2]> = pdta["pdta ibag"]
        .chunks_exact(4)
        .map(|bag| [usize::from(u16_at(bag, 0)), usize::from(u16_at(bag, 2))])
        .collect();
    let zone = |pair: &[[usize; 2]]| {
        let generators = pdta["pdta igen"][4 * pair[0][0]..4 * pair[1][0]].chunks_exact(4);
        let modulators = pdta["pdta imod"][10 * pair[0][1]..10 * pair[1][1]].chunks_exact(10);
        let amount =
            modulators.filter(|m| u16_at(m, 0) == 0x0502 && u16_at(m, 2) == 48).map(|m| u16_at(m, 4)).next();
        (generators.map(|g| (u16_at(g, 0), u16_at(g, 2))).collect(), amount)
    };
    bags.windows(2).map(zone).collect()
}

#[test]
fn a_soundfont_plays_every_velocity_at_the_engines_level() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    let count = export(&kit, SamplerFormat::Sf2, dir.path());
    let file = chunks(&fs::read(dir.path().join("Tones & -noise-.sf2")).unwrap());
    assert_eq!((&file["INFO ifil"][..], u16_at(&file["pdta phdr"], 22)), (&[2, 0, 4, 0][..], 128));
    let samples: Vec<&[u8]> = file["pdta shdr"].chunks_exact(46).collect();
    assert_eq!(samples.len(), 2 * count + 1, "left and right of each stroke, and the end");
    let data: Vec<f64> = file["sdta smpl"]
        .chunks_exact(2)
        .map(|s| f64::from(i16::from_le_bytes([s[0], s[1]])) / 32_768.0)
        .collect();
    let zones = zones(&file);
    let of = |key: u16, velocity: u8| {
        let fits = |zone: &&(BTreeMap<u16, u16>, Option<u16>)| {
            let [low, high] = zone.0.get(&44).map_or([0, 0], |range| range.to_le_bytes());
            zone.0.get(&43) == Some(&(key | key << 8)) && (low..=high).contains(&velocity)
        };
        zones.iter().filter(fits).collect::<Vec<_>>()
    };
    for (key, velocity, turn, alternates) in
        [(37, 127, 2, 3), (37, 100, 0, 3), (37, 40, 0, 3), (38, 30, 0, 1), (46, 96, 3, 4)]
    {
        let found = of(key, velocity);
        assert_eq!(found.len(), 2, "left and right of key {key} at {velocity}");
        let mut energy = 0.0;
        for (zone, amount) in found {
            let header = samples[usize::from(zone[&53])];
            let sound = &data[u32_at(header, 20) as usize..u32_at(header, 24) as usize];
            let attenuation_cb =
                f64::from(amount.unwrap()) / 960.0 * 400.0 * (127.0 / f64::from(velocity)).log10();
            energy += sound.iter().map(|s| s * s).sum::<f64>() * 10f64.powf(-attenuation_cb / 100.0);
            assert_eq!(zone[&58], key);
        }
        let strokes = played(&kit, key as u8, velocity, alternates);
        let engine: f64 = strokes[turn].iter().flatten().map(|s| f64::from(*s).powi(2)).sum();
        let off_db = 10.0 * (energy / engine).log10();
        assert!(off_db.abs() < 0.3, "key {key} at {velocity}: {off_db:.2} dB");
    }
    for key in note_names(&kit.doc).iter().map(|(key, _)| u16::from(*key)) {
        assert!((1..=127).all(|velocity| of(key, velocity).len() == 2), "key {key}");
    }
    let hats: Vec<_> = [42, 46].iter().flat_map(|&key| of(key, 99)).map(|zone| zone.0.get(&57)).collect();
    assert_eq!(hats, [Some(&1); 4]);
    let held = of(56, 127)[0];
    let header = samples[usize::from(held.0[&53])];
    assert_eq!(
        (held.0[&54], u32_at(header, 32) - u32_at(header, 28)),
        (1, RATE),
        "it is looped for a second"
    );
}

#[test]
fn names_of_notes_are_escaped_and_stand_once_for_each_key() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    assert_eq!(export(&kit, SamplerFormat::Midnam, dir.path()), 0);
    let text = fs::read_to_string(dir.path().join("Tones & -noise-.midnam")).unwrap();
    assert!(text.contains("<Model>Tones &amp; &lt;noise&gt;</Model>"), "{text}");
    let notes: Vec<&str> = text.lines().map(str::trim).filter(|line| line.starts_with("<Note ")).collect();
    assert_eq!(notes[0], "<Note Number=\"37\" Name=\"2 rim\"/>");
    assert_eq!(notes.len(), note_names(&kit.doc).len());
    let (mut open, tags) = (Vec::new(), text.split('<').skip(3));
    for tag in tags.map(|tag| tag.split('>').next().unwrap()) {
        match tag.strip_prefix('/') {
            Some(name) => assert_eq!(open.pop(), Some(name.to_owned())),
            None if tag.ends_with('/') => {}
            None => open.push(tag.split(' ').next().unwrap().to_owned()),
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn samples_without_tone_leave_the_chain_out() {
    let mut toned = kit();
    toned.doc.pads[1].tone.saturation.on = true;
    toned.doc.pads[1].tone.saturation.drive_db = 30.0;
    toned.doc.trims.pads[1].tilt_db = 6.0;
    let dir = tempfile::tempdir().unwrap();
    let sample = |kit: &Kit, name: &str, tone: bool| {
        let options = SampleOptions { tone, ..SampleOptions::default() };
        export_sampler(&Arc::new(kit.clone()), SamplerFormat::Wav, &options, &dir.path().join(name), &Quiet)
            .unwrap();
        fs::read(dir.path().join(name).join("37-rim-v4-a1.wav")).unwrap()
    };
    let without = sample(&toned, "without", false);
    assert!(without == sample(&kit(), "plain", false), "nothing of the chain is left");
    assert!(without != sample(&toned, "with", true));
}

#[test]
fn mutes_solos_and_the_kits_level_do_not_silence_an_export() {
    let dir = tempfile::tempdir().unwrap();
    let mut kit = kit();
    kit.doc.trims.pads[1].mute = true;
    kit.doc.trims.pads[2].solo = true;
    kit.doc.trims.kit.level_db = -6.0;
    export(&kit, SamplerFormat::Wav, dir.path());
    let peak = |kit: &Kit| {
        let stroke = &played(kit, 37, 127, 1)[0];
        stroke[0].iter().fold(0.0f32, |peak, s| peak.max(s.abs()))
    };
    (kit.doc.trims.pads[1].mute, kit.doc.trims.pads[2].solo) = (false, false);
    let [left, _] = wav(&dir.path().join("37-rim-v4-a1.wav"));
    let exported = left.iter().fold(0.0f32, |peak, s| peak.max(s.abs()));
    assert!((exported / peak(&kit) - 1.0).abs() < 1e-3, "as loud as the plugin with the kit's level");
}

#[test]
fn what_will_be_written_is_known_before() {
    let kit = kit_with_bass();
    for format in SamplerFormat::ALL {
        let dir = tempfile::tempdir().unwrap();
        export(&kit, format, dir.path());
        for file in sampler_files(&kit, format, &SampleOptions::default()).unwrap() {
            assert!(dir.path().join(&file).is_file(), "{}", file.display());
            fs::remove_file(dir.path().join(file)).unwrap();
        }
        let left: Vec<String> = names_in(dir.path()).into_iter().filter(|name| name != "samples").collect();
        assert!(left.is_empty(), "{left:?}");
    }
}

#[test]
fn a_cancelled_or_refused_export_leaves_nothing_and_other_files_stay() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let stop = Flag(AtomicBool::new(true));
    for format in [SamplerFormat::Wav, SamplerFormat::Sfz, SamplerFormat::Sf2] {
        let result = export_sampler(&Arc::new(kit()), format, &SampleOptions::default(), &out, &stop);
        assert_eq!(result, Err(Error::Cancelled));
    }
    let refuse = |kit: &Kit, options: SampleOptions| {
        let result = export_sampler(&Arc::new(kit.clone()), SamplerFormat::Midnam, &options, &out, &Quiet);
        result.unwrap_err().to_string()
    };
    assert!(refuse(&Kit::default(), SampleOptions::default()).contains("no pad"));
    for (rate, velocities) in [(7999, 4), (RATE, 3), (RATE, 33)] {
        refuse(&kit(), SampleOptions { rate, velocities, ..SampleOptions::default() });
    }
    assert!(names_in(dir.path()).is_empty());
    fs::create_dir(&out).unwrap();
    fs::write(out.join("mine.txt"), "mine").unwrap();
    export(&kit(), SamplerFormat::Midnam, &out);
    export(&kit(), SamplerFormat::Midnam, &out);
    assert_eq!(names_in(&out).len(), 2);
}

#[test]
fn the_same_kit_gives_the_same_files() {
    let dir = tempfile::tempdir().unwrap();
    for format in [SamplerFormat::Sfz, SamplerFormat::Sf2] {
        let [a, b] = ["a", "b"].map(|name| {
            export(&kit(), format, &dir.path().join(name));
            fs::read(dir.path().join(name).join(format!("Tones & -noise-.{}", format.word()))).unwrap()
        });
        assert!(a == b, "{format:?}");
    }
}

/// [`kit`] with a bass on channel 2: a tone of 120 Hz that falls by 6 dB in a second, with a loop of fifty periods.
fn kit_with_bass() -> Kit {
    let mut kit = kit();
    let tone = |i: u32| {
        let t = i as f32 / RATE as f32;
        0.4 * (-0.7 * t).exp() * (std::f32::consts::TAU * 120.0 * t).sin()
    };
    let take = Take::from_samples("bass", RATE, vec![(0..RATE).map(tone).collect()]);
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    let slice = Slice { take: 1, start: 0, end: u64::from(RATE), gain_db: 0.0, velocities: [0.0, 1.0] };
    kit.doc.key_parts.push(KeyPart {
        name: "bass".into(),
        slice: Some(slice),
        root_hz: 120.0,
        sustain: Some(KeyLoop { start: 20_000, end: 40_000, fade: 2000 }),
        settings: KeyPartSettings {
            low_key: 20,
            high_key: 60,
            mono: true,
            decay_ms: 200.0,
            sustain: 0.8,
            release_ms: 250.0,
            ..KeyPartSettings::default()
        },
    });
    kit.takes.push(Arc::new(take));
    kit
}

/// A key of the bass, held for so many frames.
fn bass(kit: &Kit, key: u8, velocity: f32, frames: usize) -> Vec<f32> {
    let seconds = frames as f64 / f64::from(RATE);
    let event = |seconds, action| Event { seconds, channel: 1, action };
    let events = vec![event(0.0, Action::On(key, velocity)), event(seconds, Action::Off(key))];
    let score = Score { events, ..Score::stroke(key, 1.0, seconds) };
    let play = Arc::new(PlayKit::new(Arc::new(kit.clone()), f64::from(RATE)));
    let mut sound = Vec::new();
    render(&play, &score, RenderOptions::default(), &Quiet, &mut |engine, n| {
        sound.extend_from_slice(&engine.key_part(0)[0][..n]);
        Ok(())
    })
    .expect("played");
    sound.truncate(frames);
    sound
}

#[test]
fn key_parts_are_sampled_over_the_keyboard_with_loops_that_go_on_as_the_engine_does() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit_with_bass();
    export(&kit, SamplerFormat::Sfz, dir.path());
    let text = fs::read_to_string(dir.path().join("Tones & -noise- keys-1.sfz")).unwrap();
    assert!(text.contains("bass, channel 2") && text.contains("ampeg_release=0.600"), "{text}");
    assert!(text.contains("group=100 off_by=100"), "one key at a time");
    let mut next = 20;
    for line in text.lines().filter(|line| line.starts_with("<region>")) {
        let words: BTreeMap<&str, &str> = line.split(' ').filter_map(|word| word.split_once('=')).collect();
        let number = |name: &str| words[name].parse::<usize>().unwrap();
        assert_eq!(number("lokey"), next, "{line}");
        next = number("hikey") + 1;
        let root = number("pitch_keycenter") as u8;
        let [sample, _] = wav(&dir.path().join(words["sample"]));
        let (start, end) = (number("loop_start"), number("loop_end") + 1);
        assert_eq!(end, sample.len());
        let frames = 3 * RATE as usize;
        let looped = |i: usize| if i < end { sample[i] } else { sample[start + (i - end) % (end - start)] };
        let engine = bass(&kit, root, 1.0, frames);
        let (mut energy, mut apart) = (0.0, 0.0);
        for (i, e) in engine.iter().enumerate() {
            energy += f64::from(*e).powi(2);
            apart += (f64::from(*e) - f64::from(looped(i))).powi(2);
        }
        // a loop is of whole frames: its period is off by half a frame at most each time
        let apart_db = 10.0 * (apart / energy).log10();
        assert!(energy > 1.0 && apart_db < -25.0, "key {root}: {apart_db:.1} dB apart");
    }
    assert_eq!(next, 61);
    let curve: BTreeMap<u8, f64> = text
        .lines()
        .find(|line| line.starts_with("<region>"))
        .unwrap()
        .split(' ')
        .filter_map(|word| word.strip_prefix("amp_velcurve_")?.split_once('='))
        .map(|(velocity, gain)| (velocity.parse().unwrap(), gain.parse().unwrap()))
        .collect();
    let (&velocity, &gain) = curve.range(40..80).next().unwrap();
    let strength = |velocity: f32| {
        bass(&kit, 36, velocity, 24_000).iter().map(|s| f64::from(*s).powi(2)).sum::<f64>().sqrt()
    };
    let engine = strength(f32::from(velocity) / 127.0) / strength(1.0);
    assert!((gain / engine - 1.0).abs() < 0.02, "velocity {velocity}: {gain} for {engine}");
}

#[test]
fn a_soundfont_has_a_preset_for_each_key_part_whose_samples_loop_in_tune() {
    let dir = tempfile::tempdir().unwrap();
    let count = export(&kit_with_bass(), SamplerFormat::Sf2, dir.path());
    let file = chunks(&fs::read(dir.path().join("Tones & -noise-.sf2")).unwrap());
    let presets: Vec<(u16, u16, u16)> =
        file["pdta phdr"].chunks_exact(38).map(|p| (u16_at(p, 20), u16_at(p, 22), u16_at(p, 24))).collect();
    assert_eq!(presets, [(0, 128, 0), (0, 0, 1), (0, 0, 2)], "drums, bass, the end");
    let samples: Vec<&[u8]> = file["pdta shdr"].chunks_exact(46).collect();
    assert_eq!(samples.len(), 2 * count + 1, "left and right of each stroke and key, and the end");
    let first = usize::from(u16_at(&file["pdta inst"][22..], 20));
    let zones = zones(&file);
    let (own, keys) = zones[first..zones.len()].split_first().unwrap();
    assert_eq!((own.0[&56], own.0.contains_key(&43)), (100, false), "the zone that holds for all keys");
    let mut played = BTreeSet::new();
    for (zone, amount) in keys {
        let [low, high] = zone[&43].to_le_bytes();
        played.extend(low..=high);
        let header = samples[usize::from(zone[&53])];
        let (root, looped) = (f64::from(zone[&58]), u32_at(header, 32) - u32_at(header, 28));
        assert_eq!((zone[&54], amount.is_some()), (1, true));
        assert!((f64::from(low) - 3.0..=f64::from(high) + 3.0).contains(&root) || low == 20 || high == 60);
        let periods = f64::from(looped) * note_to_hz(root) / f64::from(RATE);
        assert!((periods - periods.round()).abs() < 0.02, "key {root}: {periods} periods");
    }
    assert_eq!(played, (20..=60).collect(), "every key of the part");
}

#[test]
fn channels_of_key_parts_have_no_names_of_drums() {
    let dir = tempfile::tempdir().unwrap();
    export(&kit_with_bass(), SamplerFormat::Midnam, dir.path());
    let text = fs::read_to_string(dir.path().join("Tones & -noise-.midnam")).unwrap();
    let channels: Vec<&str> = text.lines().filter(|line| line.contains("<ChannelNameSetAssign ")).collect();
    assert_eq!(channels.len(), 15);
    assert!(channels.iter().all(|line| !line.contains("\"2\"")));
}
