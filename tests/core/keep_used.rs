//! A kit without what nobody hears of it: smaller, and the same sound.

use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{KeyPart, KeyPartKind, Kit, Layer, Slice, TakeEntry},
    listen::{Description, Hit},
    progress::Quiet,
    session::{Job, Session},
    take::Take,
};
use std::{
    sync::Arc,
    time::{Duration, Instant},
};

const RATE: u32 = 48_000;
/// Frames from one hit to the next.
const GAP: usize = 24_000;
/// Frames of a hit.
const HIT: u64 = 6_000;

/// Decaying tones in noise, `hits` of them, with an offset of a quarter of full scale.
fn take(hits: usize, seed: u32) -> Take {
    let mut seed = seed;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let samples = (0..hits * GAP).map(|i| {
        let t = (i % GAP) as f32 / RATE as f32;
        let hz = 90.0 + 40.0 * (i / GAP) as f32;
        let tone = (std::f32::consts::TAU * hz * t).sin() * (-12.0 * t).exp();
        0.25 + 0.4 * tone + 0.05 * noise()
    });
    Take::from_samples("tones", RATE, vec![samples.collect()])
}

fn hit(number: usize) -> Hit {
    let start = (number * GAP) as u64;
    let description = Description { pitch_hz: Some(90.0), pitch_confidence: 0.9, ..Description::default() };
    Hit { start, end: start + GAP as u64, by_hand: false, description }
}

fn slice(take: usize, number: usize) -> Slice {
    let start = (number * GAP) as u64;
    Slice { take, start, end: start + HIT, gain_db: 0.0, velocities: [0.0, 1.0] }
}

/// A kit of three takes, the second of which nothing plays: four pads, one with a layer of its own, and a bass.
fn kit(hits: usize) -> Kit {
    let mut kit = Kit::default();
    for seed in 1..=3 {
        let take = take(hits, seed);
        let mut entry = TakeEntry::new(&take, (0..hits).map(hit).collect());
        entry.set_aside = vec![100, 20_000, 2 * GAP as u64 + 50];
        kit.doc.takes.push(entry);
        kit.takes.push(Arc::new(take));
    }
    for (pad, source) in [(0, (0, 2)), (1, (2, 5)), (2, (0, 3)), (3, (0, 0))] {
        kit.doc.pads[pad].slices = vec![slice(source.0, source.1)];
        kit.doc.pads[pad].audition = Some(
            serde_json::from_value(serde_json::json!({
                "take": source.0, "hit": source.1, "score": 0.5,
                "next_best": [[0, 3, 0.4], [1, 1, 0.3], [2, 4, 0.2]],
            }))
            .unwrap(),
        );
    }
    kit.doc.pads[1].layers = vec![Layer { slice: Some(slice(2, 1)), ..Layer::default() }, Layer::default()];
    kit.doc.pads[2].layers[0].settings.reverse = true;
    kit.doc.key_parts = vec![KeyPart::of_hit(KeyPartKind::ALL[0], &kit.takes[2], 2, &hit(6))];
    kit.doc.check(&kit.takes).expect("a valid kit");
    kit
}

/// Every pad twice, and a held key of the bass.
fn play(kit: &Kit) -> Vec<f32> {
    let mut engine = Engine::new(f64::from(RATE));
    engine.set_kit(Arc::new(PlayKit::new(Arc::new(kit.clone()), f64::from(RATE))));
    let mut sound = Vec::new();
    for block in 0..200_u64 {
        if block % 12 == 0 {
            engine.note_on([36, 37, 38, 39][(block / 12 % 4) as usize], 0.9);
        }
        if block == 3 {
            engine.note_on_channel(1, 45, 0.8);
        }
        engine.render(256);
        sound.extend_from_slice(engine.main()[0]);
    }
    sound
}

#[test]
fn it_sounds_the_same_to_the_bit_and_is_less_than_an_eighth() {
    let whole = kit(120);
    let used = whole.keep_used().unwrap();
    assert!(play(&whole) == play(&used));
    let size = |kit: &Kit| kit.to_bytes(&Quiet).unwrap().len();
    assert!(size(&whole) > 8_000_000, "{}", size(&whole));
    assert!(size(&used) < 1_000_000, "{}", size(&used));
    let again = Kit::from_bytes(&used.to_bytes(&Quiet).unwrap(), &Quiet).unwrap();
    assert_eq!(again.doc, used.doc);
    assert!(play(&again) == play(&whole), "saved and loaded as well");
    assert_eq!(again.keep_used().unwrap().doc, again.doc, "what is used is kept whole");
}

#[test]
fn hits_markers_and_loops_move_along_and_what_is_gone_is_forgotten() {
    let whole = kit(12);
    let used = whole.keep_used().unwrap();
    assert_eq!(used.takes.len(), 2, "the take that nothing plays is gone");
    let sound =
        |kit: &Kit, s: &Slice| kit.takes[s.take].channels[0][s.start as usize..s.end as usize].to_vec();
    for (before, after) in whole.doc.pads.iter().zip(&used.doc.pads) {
        let slices = |pad: &kitwright_core::kit::Pad| {
            let own = pad.layers.iter().filter_map(|l| l.slice);
            pad.slices.iter().copied().chain(own).collect::<Vec<_>>()
        };
        for (a, b) in slices(before).iter().zip(&slices(after)) {
            assert!(sound(&whole, a) == sound(&used, b));
        }
    }
    let audition = used.doc.pads[1].audition.as_ref().unwrap();
    let entry = &used.doc.takes[audition.take];
    let hit = &entry.hits[audition.hit];
    assert_eq!(hit.start, used.doc.pads[1].slices[0].start);
    assert_eq!(audition.next_best.len(), 1, "of the three, hits that nothing plays are gone");
    assert_eq!(used.doc.takes[0].hits.len(), 3);
    assert_eq!(used.doc.takes[0].set_aside.len(), 2, "a marker where nothing is kept is gone");
    let loops = |kit: &Kit| kit.doc.key_parts[0].sustain.map(|l| (l.end - l.start, l.fade));
    assert_eq!(loops(&used), loops(&whole));
    assert!(Kit::default().keep_used().is_err());
}

#[test]
fn it_is_one_step_that_undo_takes_back() {
    let session = Session::new();
    session.edit("a kit", |now| *now = kit(12));
    let before = session.kit();
    session.start(Job::KeepUsed);
    let end = Instant::now() + Duration::from_secs(300);
    while session.job().is_some() {
        assert!(Instant::now() < end, "the job never ends");
        std::thread::sleep(Duration::from_millis(2));
    }
    assert_eq!(session.error(), None);
    assert_eq!(session.kit().takes.len(), 2);
    assert!(session.note().is_some_and(|note| note.contains("undo")));
    assert_eq!(session.undo().as_deref(), Some("keep only what sounds"));
    assert_eq!(session.kit().doc, before.doc);
    assert!(Arc::ptr_eq(&session.kit().takes[1], &before.takes[1]));
}
