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
        assert_eq!(roles.keys().map(String::as_str).collect::<BTreeSet<_>>(), ROLES.into_iter().collect());
        assert!(roles.values().all(|score| (0.0..=1.0).contains(&number(score))), "{hit}");
    }
    let table = succeed(&[Path::new("hits"), &take, Path::new("--roles")]);
    assert!(table.lines().count() > 10 && table.contains("serves best as"), "{table}");
    let plain = succeed(&[Path::new("hits"), &take]);
    assert!(plain.lines().count() == table.lines().count() && !plain.contains("serves"), "{plain}");
    let list: Value =
        serde_json::from_str(&succeed(&[Path::new("hits"), &take, Path::new("--json")])).unwrap();
    assert!(list["hits"][0]["roles"].is_null());
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
}
