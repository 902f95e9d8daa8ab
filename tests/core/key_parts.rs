//! Key parts of fresh kits: a bass and chords where the take has tones, none where it has none; old kits stay as they
//! were.

use kitwright_core::{
    kit::{KeyPartKind, Kit, Slice, TakeEntry},
    listen::{DetectOptions, Hit, detect},
    progress::Quiet,
    session::{Job, Session},
    take::Take,
    units::ratio_to_cents,
};
use std::{
    f64::consts::TAU,
    sync::Arc,
    time::{Duration, Instant},
};

const RATE: u32 = 44_100;

/// Plucks of these fundamentals, one a second, each after a knock of noise.
fn plucks(hz: &[f64]) -> Take {
    let mut seed = 1_u64;
    let mut noise = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as f64 / 2f64.powi(31) - 0.5
    };
    let mut samples: Vec<f32> = (0..RATE as usize / 2).map(|_| (1e-4 * noise()) as f32).collect();
    for &hz in hz {
        samples.extend((0..RATE).map(|i| {
            let t = f64::from(i) / f64::from(RATE);
            let tone: f64 = (1..=8).map(|n| (TAU * f64::from(n) * hz * t).sin() / f64::from(n * n)).sum();
            (0.4 * tone * (-4.0 * t).exp() + 0.3 * noise() * (-200.0 * t).exp() + 1e-4 * noise()) as f32
        }));
    }
    Take::from_samples("plucks", RATE, vec![samples])
}

fn kit_of(take: Take) -> Kit {
    let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, hits));
    kit.takes.push(Arc::new(take));
    kit
}

#[test]
fn a_fresh_kit_of_tones_has_a_low_bass_and_chords_on_channels_of_their_own() {
    let mut kit = kit_of(plucks(&[220.0, 110.0, 165.0]));
    kit.doc.key_parts = kit.usual_key_parts();
    let names: Vec<&str> = kit.doc.key_parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, KeyPartKind::ALL.map(KeyPartKind::word));
    let channels: Vec<u8> = kit.doc.key_parts.iter().map(|p| p.settings.channel).collect();
    assert_eq!(channels, [2, 3]);
    let cents = ratio_to_cents(f64::from(kit.doc.key_parts[0].root_hz) / 110.0);
    assert!(cents.abs() < 2.0, "{cents} cents");
    for part in &kit.doc.key_parts {
        assert!(part.sustain.is_some_and(|l| l.fits(&part.slice.unwrap())), "{part:?}");
    }
    kit.doc.check(&kit.takes).unwrap();
}

#[test]
fn knocks_and_noise_make_no_key_part() {
    let mut seed = 7_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let samples = (0..RATE as usize * 3)
        .map(|i| noise() * (0.0001 + 0.6 * (-((i % (RATE as usize / 2)) as f32) / 900.0).exp()))
        .collect();
    let kit = kit_of(Take::from_samples("knocks", RATE, vec![samples]));
    assert!(kit.doc.takes[0].hits.len() >= 5);
    assert_eq!(kit.usual_key_parts(), []);
    assert_eq!(Kit::default().usual_key_parts(), []);
}

#[test]
fn kits_without_key_parts_are_written_as_before_there_were_any() {
    let kit = kit_of(plucks(&[110.0]));
    let json = serde_json::to_string(&kit.doc).unwrap();
    assert!(!json.contains("key_parts"));
    let read: kitwright_core::kit::Document = serde_json::from_str(&json).unwrap();
    assert_eq!(read, kit.doc);
}

fn settle(session: &Session) {
    // a guard against hanging, not a measure
    let end = Instant::now() + Duration::from_secs(300);
    while session.job().is_some() {
        assert!(Instant::now() < end, "the job never ends");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn a_take_that_a_key_part_plays_is_not_removed_and_the_others_are_counted_anew() {
    let session = Session::new();
    session.edit("takes", |kit| {
        *kit = kit_of(plucks(&[110.0]));
        let second = plucks(&[220.0]);
        kit.doc.takes.push(TakeEntry::new(&second, Vec::new()));
        kit.takes.push(Arc::new(second));
        kit.doc.key_parts = kit.usual_key_parts();
        for slice in kit.doc.key_parts.iter_mut().filter_map(|p| p.slice.as_mut()) {
            *slice = Slice { take: 1, ..*slice };
        }
    });
    assert_eq!(session.error(), None);
    session.start(Job::RemoveTake(1));
    settle(&session);
    let error = session.error().unwrap().to_string();
    assert!(error.contains("bass") && error.contains("take 2"), "{error}");
    session.start(Job::RemoveTake(0));
    settle(&session);
    assert_eq!(session.kit().doc.key_parts[0].slice.unwrap().take, 0);
}

#[test]
fn a_take_is_shifted_by_an_octave_with_its_timing_into_one_more_take() {
    let session = Session::new();
    session.edit("takes", |kit| *kit = kit_of(plucks(&[110.0, 165.0])));
    session.start(Job::ShiftTake { take: 0, semitones: -12.0 });
    settle(&session);
    assert_eq!(session.error(), None);
    let kit = session.kit();
    assert_eq!((kit.takes.len(), kit.takes[1].frames()), (2, kit.takes[0].frames()));
    assert_eq!(kit.takes[1].name, "plucks -12 st");
    let [before, after] = [0, 1].map(|take| &kit.doc.takes[take].hits);
    let places = |hits: &[Hit]| hits.iter().map(|h| (h.start, h.end)).collect::<Vec<_>>();
    assert_eq!(places(before), places(after));
    let hz = after.iter().filter_map(|h| h.description.pitch_hz).next().expect("a pitch");
    assert!(ratio_to_cents(f64::from(hz) / 55.0).abs() < 20.0, "{hz} Hz");
    session.start(Job::ShiftTake { take: 7, semitones: 12.0 });
    settle(&session);
    assert!(session.error().is_some());
}
