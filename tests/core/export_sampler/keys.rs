//! Key parts.

use super::{RATE, chunks, export, kit, sf2::zones, u16_at, u32_at, wav};
use kitwright_core::{
    engine::PlayKit,
    export::{Action, Event, RenderOptions, SamplerFormat, Score, render},
    kit::{KeyLoop, KeyPart, KeyPartSettings, Kit, Slice, TakeEntry},
    progress::Quiet,
    take::Take,
    units::note_to_hz,
};
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    sync::Arc,
};

/// [`kit`] with a bass on channel 2: a tone of 120 Hz that falls by 6 dB in a second, with a loop of fifty periods.
pub(super) fn kit_with_bass() -> Kit {
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
