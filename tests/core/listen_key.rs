//! Detection of a song's key from a recording of a loop, and tuning of pads to it.
//!
//! Oracles: music21 (PyPI) for the key of a distribution of pitch classes; cadences in every key, made here
//! from plucked tones, for the way from the recording to that distribution.

use kitwright_core::{
    cast::{CastOptions, make_kit, set_key},
    export::render_pad,
    kit::{Key, Kit, Mode, Role},
    listen::{DetectOptions, detect, detect_key, key_of, read_key},
    progress::Quiet,
    spectrum::hann_periodic,
    take::Take,
    units::{cents_to_ratio, hz_to_note, note_to_hz, ratio_to_cents, st_to_ratio},
};
use serde::Deserialize;
use std::sync::Arc;

#[derive(Deserialize)]
struct Case {
    lengths: [f64; 12],
    tonic: u8,
    mode: String,
    correlation: f64,
}

#[test]
fn distributions_of_pitch_classes_have_the_key_and_correlation_that_music21_finds() {
    let cases: Vec<Case> = serde_json::from_str(include_str!("../reference/keys.json")).unwrap();
    assert_eq!(cases.len(), 24);
    for case in cases {
        let found = key_of(&case.lengths).unwrap();
        let mode = if case.mode == "major" { Mode::Major } else { Mode::Minor };
        assert_eq!(found.key, Key { tonic: case.tonic, mode });
        assert!((found.correlation - case.correlation).abs() < 1e-6, "{}", found.correlation);
    }
}

/// Chords as notes above the tonic with their lengths in beats: full cadences, with a bass below.
const MAJOR: [(&[i32], f64); 5] = [
    (&[0, 4, 7], 2.0),
    (&[5, 9, 12], 2.0),
    (&[7, 11, 14], 1.0),
    (&[7, 11, 14, 17], 1.0),
    (&[0, 4, 7, 12], 2.0),
];
const MINOR: [(&[i32], f64); 5] =
    [(&[0, 3, 7], 2.0), (&[5, 8, 12], 2.0), (&[7, 10, 14], 1.0), (&[7, 11, 14], 1.0), (&[0, 3, 7, 12], 2.0)];

const RATE: u32 = 44_100;

/// A loop of plucked tones: eight harmonics, the higher ones weaker and shorter (common practice, no source).
fn cadence(key: Key, detuned_st: f64) -> Take {
    let chords = match key.mode {
        Mode::Major => &MAJOR,
        Mode::Minor => &MINOR,
    };
    let beat = 0.4 * f64::from(RATE);
    let mut samples = vec![0.0f32; (8.5 * beat) as usize];
    let mut at = 0.0;
    for (notes, beats) in chords {
        let bass = notes[0] - 12;
        for note in notes.iter().copied().chain([bass]) {
            let hz = note_to_hz(f64::from(48 + i32::from(key.tonic) + note) + detuned_st);
            for h in 1..=8 {
                let step = std::f64::consts::TAU * hz * f64::from(h) / f64::from(RATE);
                let fall = -1.5 * f64::from(h) / f64::from(RATE);
                for (i, s) in samples[at as usize..].iter_mut().take((beats * beat) as usize).enumerate() {
                    let i = i as f64;
                    *s += (0.1 / f64::from(h) * (step * i).sin() * (fall * i).exp()) as f32;
                }
            }
        }
        at += beats * beat;
    }
    // Hiss 50 dB below.
    let mut noise = 1u32;
    for s in &mut samples {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *s += (f64::from(noise >> 8) / f64::from(1 << 24) - 0.5) as f32 * 0.002;
    }
    Take::from_samples("loop", RATE, vec![samples])
}

#[test]
fn cadences_have_their_key_even_out_of_tune() {
    for tonic in 0..12 {
        for mode in [Mode::Major, Mode::Minor] {
            let key = Key { tonic, mode };
            let detuned = f64::from(tonic) * 0.07 - 0.4;
            let found = detect_key(&cadence(key, detuned), &Quiet).unwrap();
            assert_eq!(found.map(|f| f.key), Some(key), "{detuned} st off: {found:?}");
        }
    }
}

#[test]
fn sounds_without_a_key_have_none() {
    let mut noise = 7u32;
    let hiss: Vec<f32> = (0..RATE * 4)
        .map(|_| {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (noise >> 8) as f32 / (1 << 24) as f32 - 0.5
        })
        .collect();
    for (what, samples) in
        [("noise", hiss), ("silence", vec![0.0; 44_100]), ("a click", vec![1.0]), ("nothing", vec![])]
    {
        let found = detect_key(&Take::from_samples(what, RATE, vec![samples]), &Quiet).unwrap();
        assert_eq!(found, None, "{what}");
    }
}

/// One knock of a box, which has partials, is in no key; several tones are.
#[test]
fn a_single_knock_has_no_key() {
    let knock = |partials: &[f64]| {
        let samples: Vec<f32> = (0..3 * RATE)
            .map(|i| {
                let t = f64::from(i) / f64::from(RATE);
                let sum: f64 = partials.iter().map(|hz| (std::f64::consts::TAU * hz * t).sin()).sum();
                (0.1 * sum * (-14.0 * t).exp()) as f32
            })
            .collect();
        detect_key(&Take::from_samples("knock", RATE, vec![samples]), &Quiet).unwrap()
    };
    // the notes of G minor: without the length of a piece they would be a key
    let g_minor = [196.0, 233.08, 293.66, 349.23, 392.0, 466.16];
    assert_eq!(knock(&g_minor), None);
    assert_eq!(knock(&[181.0, 263.0, 415.0, 602.0]), None);
}

/// Drums and boxes have tones of their own, which end before notes do.
#[test]
fn short_tones_have_no_key_and_the_same_tones_that_ring_on_have() {
    let of = |fall: f64| {
        let step = RATE as usize / 2;
        let melody = [60, 64, 67, 65, 69, 62, 67, 71, 72, 60];
        let mut samples = vec![0.0f32; (melody.len() + 2) * step];
        for (i, note) in melody.into_iter().enumerate() {
            let hz = note_to_hz(f64::from(note));
            for (n, s) in samples[i * step..].iter_mut().enumerate() {
                let t = n as f64 / f64::from(RATE);
                *s += (0.2 * (std::f64::consts::TAU * hz * t).sin() * (-fall * t).exp()) as f32;
            }
        }
        detect_key(&Take::from_samples("loop", RATE, vec![samples]), &Quiet)
            .unwrap()
            .map(|f| f.key.to_string())
    };
    assert_eq!(of(7.0), None, "60 dB a second");
    assert_eq!(of(2.0).as_deref(), Some("C major"), "17 dB a second");
}

/// Sounds of the developer recordings one after the other, half a second apart and up to 12 dB softer, over a little noise.
#[cfg(feature = "test-recordings")]
fn sequence(sounds: &[&str], count: usize, seed: u32) -> Take {
    let read = |folder: &&str| -> Vec<Vec<f32>> {
        let mut files: Vec<_> = std::fs::read_dir(crate::data::recordings(folder))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        files.sort();
        files.iter().map(|file| Take::read(file, &Quiet).unwrap().channels[0].clone()).collect()
    };
    let sounds: Vec<Vec<f32>> = sounds.iter().flat_map(read).collect();
    let mut state = seed;
    let mut next = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as usize
    };
    let mut samples = vec![0.0f32; (count + 4) * RATE as usize];
    let mut at = 4410;
    for _ in 0..count {
        let sound = &sounds[next() % sounds.len()];
        let gain = 10f32.powf((next() % 120) as f32 / -200.0);
        samples[at..].iter_mut().zip(sound).for_each(|(s, x)| *s += gain * x);
        at += RATE as usize / 2 + next() % (RATE as usize / 2);
    }
    samples.truncate(at + RATE as usize);
    samples.iter_mut().for_each(|s| *s += ((next() & 0xffff) as f32 / 32_768.0 - 1.0) * 3e-4);
    Take::from_samples("sequence", RATE, vec![samples])
}

#[cfg(feature = "test-recordings")]
#[test]
fn knocks_and_nearly_all_drums_have_no_key_and_plucks_have() {
    let keys = |folders: &[&str]| {
        let keys =
            |seed: u32| [8, 15, 30].map(|count| detect_key(&sequence(folders, count, seed), &Quiet).unwrap());
        let found: Vec<_> = (1..5).flat_map(keys).collect();
        println!("{folders:?}: {:?}", found.iter().map(|f| f.map(|f| f.key.to_string())).collect::<Vec<_>>());
        found.into_iter().flatten().count()
    };
    let knocks = ["articulations/door", "articulations/footstep", "articulations/impact"];
    let drums = ["drums/kick", "drums/snare", "drums/tom", "drums/hat_closed", "drums/rim"];
    assert_eq!(keys(&knocks), 0);
    assert_eq!(keys(&["articulations/marching_tenors"]), 0);
    // toms of some kits ring on like notes
    let toms = [keys(&drums), keys(&["drums/tom"])];
    assert!(toms[0] <= 1 && toms[1] <= 2, "{toms:?} of 12 each");
    assert!(keys(&["articulations/nylon_guitar"]) >= 10);
    assert!(keys(&["articulations/jazz_guitar"]) >= 10);
}

#[cfg(feature = "test-recordings")]
#[test]
fn takes_of_guitars_and_of_tuned_drums_have_their_key() {
    let takes = [
        ("takes/d01_steel_guitar", Some("E minor")),
        ("takes/d02_electric_guitar", Some("B minor")),
        ("takes/d04_nylon_guitar", Some("G major")),
        ("takes/d06_tabla", Some("Bb major")),
        ("real/dr1_guitar_arpeggio", Some("D major")),
        ("takes/d08_marching_snare", None),
        ("takes/d09_guitar_noises", None),
    ];
    for (name, key) in takes {
        let take = Take::read(crate::data::recordings(&format!("{name}.flac")), &Quiet).unwrap();
        let found = detect_key(&take, &Quiet).unwrap().map(|f| f.key.to_string());
        assert_eq!(found.as_deref(), key, "{name}");
    }
}

/// One pluck holds a major chord in its partials; one chord belongs to several keys.
#[test]
fn one_note_and_one_chord_have_no_key_and_a_melody_has() {
    let of = |steps: &[&[i32]]| {
        let step = RATE as usize / 2;
        let mut samples = vec![0.0f32; steps.len() * step + 2 * RATE as usize];
        for (i, note) in steps.iter().enumerate().flat_map(|(i, chord)| chord.iter().map(move |n| (i, n))) {
            let hz = note_to_hz(f64::from(*note));
            for (n, s) in samples[i * step..].iter_mut().enumerate() {
                let t = n as f64 / f64::from(RATE);
                let tone: f64 = (1..8).map(|h| (std::f64::consts::TAU * hz * f64::from(h) * t).sin()).sum();
                *s += (0.02 * tone * (-3.0 * t).exp()) as f32;
            }
        }
        detect_key(&Take::from_samples("loop", RATE, vec![samples]), &Quiet)
            .unwrap()
            .map(|f| f.key.to_string())
    };
    let strum: &[i32] = &[52, 59, 64, 68];
    let pluck: &[i32] = &[47];
    assert_eq!(of(&[pluck]), None, "one pluck");
    assert_eq!(of(&[pluck; 8]), None, "one pluck, eight times");
    assert_eq!(of(&[strum]), None, "one strum");
    assert_eq!(of(&[strum; 8]), None, "one strum, eight times");
    assert_eq!(of(&[&[48], &[55], &[48], &[55]]), None, "two notes");
    let melody: Vec<&[i32]> = vec![&[60], &[62], &[64], &[65], &[67], &[69], &[71], &[72]];
    assert_eq!(of(&melody).as_deref(), Some("C major"));
}

#[test]
fn a_file_without_a_key_is_refused_in_these_words() {
    let file = tempfile::Builder::new().suffix(".wav").tempfile().unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(file.path(), spec).unwrap();
    let pluck = plucks(&[123.47]);
    pluck.channels[0].iter().for_each(|x| writer.write_sample((x * 32_767.0) as i16).unwrap());
    writer.finalize().unwrap();
    let said = read_key(file.path(), &Quiet).unwrap_err().to_string();
    assert!(said.contains("no key") && said.contains("name the key"), "{said}");
}

/// Decaying tones, as a pluck on a string that is out of tune.
fn plucks(tones_hz: &[f64]) -> Take {
    let mut samples = vec![0.0f32; RATE as usize / 10];
    for hz in tones_hz {
        samples.extend((0..RATE).map(|i| {
            let t = f64::from(i) / f64::from(RATE);
            let tone: f64 = (1..=4)
                .map(|h| (std::f64::consts::TAU * hz * f64::from(h) * t).sin() / f64::from(h * h))
                .sum();
            (0.4 * tone * (-3.0 * t).exp()) as f32
        }));
    }
    Take::from_samples("plucks", RATE, vec![samples])
}

/// A sound until 40 dB of its energy are gone; after that only filters ring.
fn audible(sound: &[f32]) -> &[f32] {
    let all: f64 = sound.iter().map(|s| f64::from(s * s)).sum();
    let mut past = 0.0;
    let end = sound.iter().position(|s| {
        past += f64::from(s * s);
        past >= 0.9999 * all
    });
    &sound[..end.unwrap_or(sound.len())]
}

/// Level at `hz` of a sound under a Hann window.
fn level(sound: &[f32], hz: f64) -> f64 {
    let step = std::f64::consts::TAU * hz / f64::from(RATE);
    let (x, y) = sound.iter().enumerate().fold((0.0, 0.0), |(x, y), (i, s)| {
        let (sin, cos) = (step * i as f64).sin_cos();
        let s = f64::from(*s) * hann_periodic(i, sound.len());
        (x + s * cos, y + s * sin)
    });
    x.hypot(y)
}

/// The strongest frequency between 35 and 1500 Hz, to half a cent.
fn strongest_hz(sound: &[f32]) -> f64 {
    let sound = audible(sound);
    let best = |around: f64, reach: i32, step: f64| {
        let at = (-reach..=reach).map(|i| around * cents_to_ratio(f64::from(i) * step));
        at.map(|hz| (hz, level(sound, hz))).max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.0, |(hz, _)| hz)
    };
    // Steps of six cents find every peak of a sound of less than a second.
    let near = best((35.0f64 * 1500.0).sqrt(), 542, 6.0);
    best(near, 12, 0.5)
}

/// Cents from the nearest note of a key to a frequency.
fn cents_from_key(hz: f64, key: Key) -> f64 {
    let (note, scale) = (hz_to_note(hz), key.scale());
    let apart = (0..128).filter(|n: &u8| scale.contains(&(n % 12))).map(|n| 100.0 * (note - f64::from(n)));
    apart.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(f64::MAX)
}

#[test]
fn toms_sound_on_a_note_of_the_key_within_five_cents() {
    let take = Arc::new(plucks(&[151.3, 221.9, 183.4]));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
    let roles = Some(vec![Role::LowTom, Role::HighTom]);
    let options = CastOptions { roles, fit: 0.5, ..CastOptions::default() };
    let mut kit = make_kit(&[(take, hits)], &options, &Quiet).unwrap();
    // The small variations would detune each trigger.
    kit.doc.trims.kit.vary = 0.0;
    let cents_off = |kit: &Kit| -> Vec<f64> {
        let kit = Arc::new(kit.clone());
        let sounding = kit.doc.pads.iter().enumerate().filter(|(_, p)| p.audition.is_some());
        sounding
            .map(|(pad, _)| {
                let sound = render_pad(&kit, pad, 0.85, RATE, &Quiet).unwrap();
                let note = hz_to_note(strongest_hz(&sound[0]));
                (note - note.round()) * 100.0
            })
            .collect()
    };
    let before = cents_off(&kit);
    assert_eq!(before.len(), 2);
    set_key(&mut kit, Some("E minor".parse().unwrap()));
    let tuned = cents_off(&kit);
    println!("off before and after, cents: {before:.2?}, {tuned:.2?}");
    assert!(before.iter().any(|c| c.abs() > 10.0), "nothing to tune: {before:?}");
    assert!(tuned.iter().all(|c| c.abs() < 5.0), "{tuned:.2?} cents off");
    let doc = kit.doc.clone();
    set_key(&mut kit, doc.key);
    assert_eq!(kit.doc, doc, "a tuned pad stays");
}

const PITCHED: [Role; 4] = [Role::Kick, Role::Rim, Role::LowTom, Role::HighTom];

/// A kit whose pads with a pitch are tuned, kick included.
fn tuned(take: &Arc<Take>, key: Key, fit: f32, effort: f32) -> Kit {
    let hits = detect(take, &DetectOptions::default(), &Quiet).unwrap();
    let options = CastOptions {
        roles: Some(PITCHED.to_vec()),
        fit,
        key: Some(key),
        tune_kick: true,
        effort,
        ..CastOptions::default()
    };
    let mut kit = make_kit(&[(take.clone(), hits)], &options, &Quiet).unwrap();
    // The small variations and the cloud would detune each trigger.
    kit.doc.trims.kit.vary = 0.0;
    kit.doc.pads.iter_mut().for_each(|p| p.cloud.copies = 0);
    kit
}

#[test]
fn kick_rim_and_toms_of_whole_kits_sound_on_notes_of_the_key_at_every_fit() {
    let plucked = [151.3, 221.9, 183.4, 131.7];
    let take = Arc::new(plucks(&plucked));
    let key: Key = "E minor".parse().unwrap();
    for fit in [0.0, 0.4, 1.0] {
        let kit = tuned(&take, key, fit, 0.1);
        for role in PITCHED {
            let pad = kit.doc.pads.iter().position(|p| p.role == role && !p.is_empty()).expect("a pad");
            let bell = kit.doc.pads[pad].tone.note_bell;
            let note = hz_to_note(f64::from(bell.hz));
            assert!((note - note.round()).abs() < 0.05, "{role} at fit {fit}: bell at note {note:.2}");
            assert!(key.scale().contains(&((note.round() as i32).rem_euclid(12) as u8)), "{role}: {note}");
            assert_eq!(bell.on, fit > 0.0, "{role} at fit {fit}: at fit 0 the bell is off");
            let sound = render_pad(&Arc::new(kit.clone()), pad, 0.85, RATE, &Quiet).unwrap();
            let cents = cents_from_key(strongest_hz(&sound[0]), key);
            println!("{role} at fit {fit}: note {note:.3}, measured {cents:+.1} cents from a note");
            assert!(cents.abs() < 5.0, "{role} at fit {fit}: {cents:+.1} cents from its note");
            // The plucked tone at its playback ratio is that note.
            let settings = &kit.doc.pads[pad].layers[0].settings;
            let ratio = st_to_ratio(f64::from(settings.pitch_st + settings.fine_ct / 100.0));
            let hit = kit.doc.pads[pad].audition.as_ref().expect("a hit").hit;
            // layers stand in octaves of each other
            let read = ratio_to_cents(plucked[hit] * ratio / f64::from(bell.hz));
            let read = (read + 600.0).rem_euclid(1200.0) - 600.0;
            println!("{role} at fit {fit}: read {read:+.1} cents from it");
            assert!(read.abs() < 5.0, "{role} at fit {fit}: read {read:+.1} cents from its note");
        }
    }
}

/// The measured pitch is that of the strongest partial of the whole pad.
#[cfg(feature = "test-recordings")]
#[test]
fn pads_of_recorded_guitars_with_a_sure_pitch_are_within_five_cents_of_a_note() {
    let key: Key = "A".parse().unwrap();
    let mut tuned_pads = 0;
    for name in
        ["d01_steel_guitar", "d02_electric_guitar", "d03_strums", "d04_nylon_guitar", "d09_guitar_noises"]
    {
        let file = crate::data::recordings(&format!("takes/{name}.flac"));
        let take = Take::read(file, &Quiet).unwrap();
        let frames = take.frames().min(12 * take.sample_rate as usize);
        let channels = take.channels.iter().map(|c| c[..frames].to_vec()).collect();
        // tuning comes after the search: a share of its trials is enough
        let kit = tuned(&Arc::new(Take::from_samples(name, take.sample_rate, channels)), key, 1.0, 0.1);
        for role in PITCHED {
            let pad = kit.doc.pads.iter().position(|p| p.role == role && !p.is_empty()).expect("a pad");
            let Some(audition) = &kit.doc.pads[pad].audition else { continue };
            let hit = &kit.doc.takes[0].hits[audition.hit].description;
            let bell_hz = f64::from(kit.doc.pads[pad].tone.note_bell.hz);
            let sound = render_pad(&Arc::new(kit.clone()), pad, 0.85, RATE, &Quiet).unwrap();
            let hz = strongest_hz(&sound[0]);
            let cents = cents_from_key(hz, key);
            let sure = hit.pitch_confidence;
            println!(
                "{name}, {role}: bell {bell_hz:.1} Hz, measured {hz:.1} Hz, sure {sure:.2}: {cents:+.1} cents"
            );
            // Hits without a certain pitch are not tuned (`cast::tune`).
            if sure >= 0.5 {
                assert!(cents.abs() < 5.0, "{name}, {role}: {cents:+.1} cents from a note");
                tuned_pads += 1;
            }
        }
    }
    assert!(tuned_pads >= 15, "{tuned_pads} pads with a sure pitch");
}
