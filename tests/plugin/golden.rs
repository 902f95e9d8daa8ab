//! Kits of every document version and states of every program version, from 0.1.0 on, are read by this one:
//! `tests/golden` holds one of each, never rewritten.
//!
//! With `KITWRIGHT_WRITE_GOLDEN` set, what the present version lacks there is written; a file that is there stays as it is.
//! The sum of a new file's bytes goes into [`FILES`].

use crate::support::{
    host::{Host, Run, note},
    kit::clap_state,
    peak,
};
use kitwright_core::{
    kit::{KeyPart, KeyPartKind, Kit, Slice, TakeEntry},
    listen::{Description, Hit},
    progress::Quiet,
    take::Take,
};
use std::{
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};

/// The files and the sums of their bytes (FNV-1a, 64 bits).
const FILES: [(&str, u64); 3] = [
    ("kit-1.kitwright", 0xdb8a_fbcd_e441_59fd),
    ("state-0.1.0.clap-state", 0x196e_9bfc_3980_2970),
    ("state-0.1.0.vst3-state", 0x66cd_93af_dea9_ae54),
];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden")
}

/// G. Fowler, L. C. Noll, K.-P. Vo: FNV-1a with 64 bits.
fn sum(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |sum, &byte| (sum ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3))
}

/// A kit with one of everything that a document of version 1 holds: four tones, a bass, words and marks of the hand.
fn kit_1() -> Kit {
    const HIT: u64 = 6_000;
    let channels = vec![
        (0..4 * HIT)
            .map(|i| {
                let (hit, t) = (i / HIT, (i % HIT) as f32 / 48_000.0);
                let hz = 110.0 * (1 + hit) as f32;
                (std::f32::consts::TAU * hz * t).sin() * 0.5 * (-15.0 * t).exp()
            })
            .collect(),
    ];
    let take = Take::from_samples("tones", 48_000, channels);
    let description = Description { pitch_hz: Some(110.0), pitch_confidence: 0.9, ..Description::default() };
    let hit =
        |n| Hit { start: n * HIT, end: (n + 1) * HIT, by_hand: n == 3, description: description.clone() };
    let mut kit = Kit::default();
    kit.doc.name = "Golden 1".into();
    kit.doc.key = "A minor".parse().ok();
    kit.doc.general_midi = true;
    let mut entry = TakeEntry::new(&take, (0..4).map(hit).collect());
    entry.set_aside = vec![100];
    for (n, pad) in kit.doc.pads.iter_mut().take(4).enumerate() {
        let start = n as u64 * HIT;
        pad.slices = vec![Slice { take: 0, start, end: start + HIT, gain_db: -1.5, velocities: [0.0, 1.0] }];
        pad.fit = 0.5;
    }
    kit.doc.pads[0].change_by_hand(|pad| pad.settings.level_db = -3.0);
    kit.doc.pads[1].locked = true;
    kit.doc.pads[1].target =
        serde_json::from_value(serde_json::json!({ "name": "a drum", "measures": [1.0, 2.0] })).ok();
    kit.doc.pads[2].audition = serde_json::from_value(serde_json::json!({
        "take": 0, "hit": 2, "score": 0.75, "next_best": [[0, 3, 0.5]], "moves": ["an octave down"],
    }))
    .ok();
    kit.doc.pads[3].cloud.copies = 8;
    kit.doc.trims.pads[2].level_db = -6.0;
    kit.doc.key_parts = vec![KeyPart::of_hit(KeyPartKind::ALL[0], &take, 0, &entry.hits[0])];
    kit.doc.takes.push(entry);
    kit.takes.push(Arc::new(take));
    kit.doc.check(&kit.takes).expect("a valid kit");
    kit
}

#[test]
fn kits_and_states_of_every_version_are_read_and_play() {
    let write = |name: &str, bytes: &[u8]| {
        if std::env::var_os("KITWRIGHT_WRITE_GOLDEN").is_some() && !folder().join(name).exists() {
            fs::create_dir_all(folder()).unwrap();
            fs::write(folder().join(name), bytes).unwrap();
            println!("written: {name}, {:#x}", sum(bytes));
        }
    };
    write(FILES[0].0, &kit_1().to_bytes(&Quiet).unwrap());
    write(FILES[1].0, &Host::with_state(&clap_state(&kit_1())).save());
    write(FILES[2].0, &Host::with_state(&clap_state(&kit_1())).save()[8..]);
    let there: Vec<_> = fs::read_dir(folder()).unwrap().collect();
    assert_eq!(there.len(), FILES.len(), "each file is named with its sum");
    for (name, expected) in FILES {
        let bytes = fs::read(folder().join(name)).unwrap();
        assert_eq!(sum(&bytes), expected, "{name} was changed");
        let state = match name.rsplit('.').next() {
            Some("kitwright") => clap_state(&Kit::from_bytes(&bytes, &Quiet).expect(name)),
            Some("clap-state") => bytes,
            _ => [&(bytes.len() as u64).to_le_bytes(), &*bytes].concat(),
        };
        let mut host = Host::new();
        assert!(host.load(&state), "{name}");
        for key in [36, 37, 38, 39] {
            let sound = host.play(&Run::new(12_000, &note(0, key, 1.0)));
            assert!(peak(&sound[0][0]) > 0.02, "{name}: key {key} is silent");
        }
        let names = host.note_names();
        assert!(names.iter().any(|(key, name)| *key == 36 && name == "1 kick"), "{name}: {names:?}");
        assert!(host.load(&Host::with_state(&state).save()), "{name}: saved anew");
    }
}

#[test]
fn the_document_of_version_1_is_read_field_by_field() {
    let kit = Kit::load(folder().join("kit-1.kitwright"), &Quiet).unwrap();
    let expected = kit_1();
    assert_eq!(kit.doc, expected.doc);
    assert!(kit.takes[0].channels == expected.takes[0].channels);
}
