//! SFZ, version 1.

use super::{export, kit, names_in, played};
use kitwright_core::{export::SamplerFormat, kit::note_names};
use std::{collections::BTreeMap, fs};

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
        assert_eq!(group.get("ampeg_release").copied(), looped.then_some("0.720"), "2.4 × 0.3 s");
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
