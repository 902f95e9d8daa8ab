//! `kitwright hits`.

use super::{ROLES, number, refuse, short_take, succeed};
use serde_json::Value;
use std::{collections::BTreeSet, path::Path};

#[test]
fn hits_are_listed_as_json_and_as_a_table() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let list: Value =
        serde_json::from_str(&succeed(&["hits", take.to_str().unwrap(), "--json", "--roles"])).unwrap();
    assert_eq!(list["sample_rate"], 48_000);
    let seconds = number(&list["seconds"]);
    assert_eq!(seconds, 14.0);
    let hits = list["hits"].as_array().unwrap();
    let (_, truth) = kitwright_core::demo::borrowed_cello(1);
    let truth: Vec<f64> = truth.into_iter().filter(|&t| t < seconds - 0.1).collect();
    assert!(truth.len() > 16);
    let found = |t: f64| hits.iter().any(|h| (number(&h["start"]) - t).abs() < 0.03);
    let missed = truth.iter().filter(|&&t| !found(t)).count();
    // The quality of detection is tested elsewhere; here the list must belong to this take.
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
        let scored = ROLES.into_iter().filter(|role| *role != "percussion");
        assert_eq!(roles.keys().map(String::as_str).collect::<BTreeSet<_>>(), scored.collect());
        assert!(roles.values().all(|score| (0.0..=1.0).contains(&number(score))), "{hit}");
    }
    let table = succeed(&[Path::new("hits"), &take, Path::new("--roles")]);
    assert!(table.lines().count() > 10 && table.contains("serves best as"), "{table}");
    // roles that share a score once, by words that "--roles" takes, and none that has no score
    for no in ["cymbal", "pedal hat", "percussion"] {
        assert!(!table.contains(no), "{no}: {table}");
    }
    assert!(table.contains("low to high tom 0.") || table.contains("crash or ride 0."), "{table}");
    assert_eq!(list["unsure_roles"], serde_json::json!(["rim", "open hat"]));
    let unsure = |line: &&str| line.contains("rim 0.") || line.contains("open hat 0.");
    assert!(table.lines().filter(unsure).all(|line| line.contains(" ?")), "{table}");
    let plain = succeed(&[Path::new("hits"), &take]);
    assert!(!plain.contains("serves") && !plain.contains('?'), "{plain}");
    let rows = |text: &str| text.lines().filter(|line| line.contains(" LUFS ")).count();
    assert!(rows(&plain) == hits.len() && rows(&table) == hits.len(), "{plain}");
    let list: Value =
        serde_json::from_str(&succeed(&[Path::new("hits"), &take, Path::new("--json")])).unwrap();
    assert!(list["hits"][0]["roles"].is_null() && list["unsure_roles"].is_null());
    assert!(list["faults"].is_null(), "nothing is amiss");
}

#[test]
fn faults_of_a_recording_are_listed_with_its_hits() {
    let dir = tempfile::tempdir().unwrap();
    let take = dir.path().join("loud.wav");
    let stroke = |i: usize| 3.0 * (-(i as f32) / 3000.0).exp() * (i as f32 / 20.0).sin();
    let clipped: Vec<f32> = (0..48_000).map(|i| stroke(i % 24_000).clamp(-0.8, 0.8)).collect();
    kitwright_core::export::write_wav(&take, 48_000, &[&clipped]).unwrap();
    let table = succeed(&[Path::new("hits"), &take]);
    assert!(table.lines().nth(1).unwrap().contains("clipped in"), "{table}");
    let list: Value =
        serde_json::from_str(&succeed(&[Path::new("hits"), &take, Path::new("--json")])).unwrap();
    let faults = list["faults"].as_array().unwrap();
    assert!(faults.iter().any(|fault| fault.as_str().unwrap().contains("clipped in")), "{faults:?}");
}

#[test]
fn sensitivity_adds_hits_and_a_gate_shortens_them() {
    let dir = tempfile::tempdir().unwrap();
    let take = short_take(dir.path());
    let hits = |options: &[&str]| -> (usize, f64) {
        let json = succeed(&[&["hits", take.to_str().unwrap(), "--json"], options].concat());
        let list: Value = serde_json::from_str(&json).unwrap();
        let hits = list["hits"].as_array().unwrap();
        (hits.len(), hits.iter().map(|h| number(&h["end"]) - number(&h["start"])).sum())
    };
    let (count, seconds) = hits(&[]);
    let gated = hits(&["--gate", "10"]);
    assert!(gated.0 == count && gated.1 < 0.5 * seconds, "{count} in {seconds} s, {gated:?}");
    let more = hits(&["--sensitivity", "1"]).0;
    assert!(more > count, "{more} hits, {count} before");
    let out = dir.path().join("kit");
    let out = out.to_str().unwrap();
    let few = ["--quick", "--roles", "kick", "--json", "--sensitivity", "1"];
    let kit = [&["kit", take.to_str().unwrap(), "--out", out][..], &few].concat();
    let summary: Value = serde_json::from_str(&succeed(&kit)).unwrap();
    assert_eq!(number(&summary["takes"][0]["hits"]), more as f64);
}

#[test]
fn silence_has_no_hits_and_no_kit() {
    let dir = tempfile::tempdir().unwrap();
    let silence = dir.path().join("silence.wav");
    kitwright_core::export::write_wav(&silence, 44_100, &[&[0.0; 44_100]]).unwrap();
    let list: Value = serde_json::from_str(&succeed(&["hits", silence.to_str().unwrap(), "--json"])).unwrap();
    assert_eq!(list["hits"].as_array().unwrap().len(), 0);
    let out = dir.path().join("kit");
    let sentence = refuse(&["kit", silence.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert!(sentence.contains("silence.wav") && !out.exists(), "{sentence}");
    let said = list["faults"][0].as_str().unwrap();
    assert!(said.starts_with("silent; ") && sentence.trim_end().ends_with(said), "{sentence}: {said}");
}
