//! A kit without what no pad plays: smaller, and the same sound.

use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{
        Draw, KeyPart, KeyPartKind, Kit, Layer, LayerSettings, Pad, Role, Slice, TakeEntry, Timing, Trims,
        Variation,
    },
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

/// Cuts the session's kit and waits for it.
fn keep_used(session: &Session) {
    session.start(Job::KeepUsed);
    let end = Instant::now() + Duration::from_secs(300);
    while session.job().is_some() {
        assert!(Instant::now() < end, "the job never ends");
        std::thread::sleep(Duration::from_millis(2));
    }
    assert_eq!(session.error(), None);
}

#[test]
fn keep_used_is_one_undo_step() {
    let session = Session::new();
    session.edit("a kit", |now| *now = kit(12));
    let before = session.kit();
    keep_used(&session);
    assert_eq!(session.kit().takes.len(), 2);
    assert!(session.note().is_some_and(|note| note.contains("undo")));
    assert_eq!(session.undo().as_deref(), Some("keep only what sounds"));
    assert_eq!(session.kit().doc, before.doc);
    assert!(Arc::ptr_eq(&session.kit().takes[1], &before.takes[1]));
}

/// Numbers that look random, the same each time.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f32 / (1 << 24) as f32
    }

    fn within(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * self.unit()
    }

    fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f32) as usize
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }
}

/// Long slices that short layers read in every way.
fn any_pad(dice: &mut Dice, note: u8) -> Pad {
    let any_slice = |dice: &mut Dice, velocities| Slice {
        take: 0,
        start: 4_000 + dice.below(200_000) as u64,
        end: 214_000 + dice.below(70_000) as u64,
        gain_db: 0.0,
        velocities,
    };
    // a tom is transposed by the keys of its neighbours
    let role = if dice.one_in(2) { Role::MiddleTom } else { Role::Percussion };
    let mut pad = Pad::empty(note, role);
    pad.slices = [[0.0, 0.5], [0.4, 1.0], [0.0, 1.0]].map(|v| any_slice(dice, v)).into();
    pad.settings.held = dice.one_in(4);
    let settings = |dice: &mut Dice| LayerSettings {
        start_ms: dice.within(0.0, 30.0),
        end_ms: if dice.one_in(2) { 60_000.0 } else { dice.within(50.0, 900.0) },
        tail_ms: match dice.below(6) {
            0 => dice.within(0.5, 30.0),
            1 => dice.within(1.0, 400.0),
            _ => 0.0,
        },
        reverse: dice.one_in(4),
        loop_on: dice.one_in(4),
        pitch_st: dice.within(-24.0, 12.0),
        drop_st: if dice.one_in(2) { 0.0 } else { dice.within(-12.0, 24.0) },
        drop_ms: dice.within(5.0, 200.0),
        attack_ms: dice.within(0.0, 20.0),
        hold_ms: dice.within(0.0, 30.0),
        decay_ms: dice.within(5.0, 120.0),
        sustain: if dice.one_in(4) { 0.5 } else { 0.0 },
        release_ms: dice.within(5.0, 100.0),
        velocity_pitch_st: dice.within(-6.0, 6.0),
        ..LayerSettings::default()
    };
    pad.layers = (0..1 + dice.below(3))
        .map(|_| {
            let own = dice.one_in(3).then(|| any_slice(dice, [0.0, 1.0]));
            Layer { slice: own, settings: settings(dice) }
        })
        .collect();
    pad.variation.start_ms = dice.within(0.0, 5.0);
    pad.variation.pitch_ct = dice.within(0.0, 100.0);
    let cloud = &mut pad.cloud;
    cloud.copies = if dice.one_in(2) { 0 } else { 6 };
    cloud.timing = if dice.one_in(3) { Timing::Bursts } else { Timing::Even };
    cloud.pitch_st = dice.within(0.0, 4.0);
    cloud.pitch_draw = if dice.one_in(2) { Draw::Gaussian } else { Draw::Uniform };
    cloud.pitch_steps = dice.one_in(3);
    cloud.reverse_chance = if dice.one_in(3) { 0.5 } else { 0.0 };
    cloud.window_ms = dice.within(0.0, 20.0);
    pad
}

/// Six seconds of a take, four pads that read it in every way, and trims.
fn any_kit(dice: &mut Dice) -> Kit {
    let take = take(12, dice.below(1000) as u32);
    let mut kit = Kit::default();
    kit.doc.takes = vec![TakeEntry::new(&take, (0..12).map(hit).collect())];
    kit.takes = vec![Arc::new(take)];
    kit.doc.general_midi = true;
    for pad in kit.doc.pads.iter_mut().filter(|pad| [36, 38, 47, 60].contains(&pad.note)) {
        *pad = any_pad(dice, pad.note);
    }
    for trims in &mut kit.doc.trims.pads {
        trims.pitch_st = dice.within(-7.0, 7.0);
        trims.start_ms = dice.within(0.0, 20.0);
        trims.attack_ms = dice.within(0.0, 10.0);
        trims.length = dice.within(0.4, 1.5);
        trims.copies = dice.within(0.0, 2.0);
        trims.scatter = dice.within(0.0, 2.0);
        trims.vary = dice.within(0.0, 2.0);
        trims.velocity = dice.within(0.0, 2.0);
    }
    kit.doc.trims.kit.pitch_st = dice.within(-3.0, 3.0);
    kit.doc.check(&kit.takes).expect("a valid kit");
    kit
}

/// Every pad and the keys of the toms, at velocities from softest to hardest, some of the keys held.
fn play_all(kit: &Kit, trims: &Trims, sample_rate: f64) -> Vec<f32> {
    let mut engine = Engine::new(sample_rate);
    engine.set_trims(trims);
    engine.set_kit(Arc::new(PlayKit::new(Arc::new(kit.clone()), sample_rate)));
    let notes = [36, 38, 41, 47, 60, 50];
    let mut sound = Vec::new();
    let mut render = |engine: &mut Engine, mut frames: usize| {
        while frames > 0 {
            let chunk = frames.min(Engine::MAX_CHUNK);
            engine.render(chunk);
            sound.extend_from_slice(&engine.main()[0][..chunk]);
            frames -= chunk;
        }
    };
    for stroke in 0..36 {
        let note = notes[stroke % notes.len()];
        engine.note_on(note, (stroke as f32 + 1.0) / 36.0);
        render(&mut engine, 1500 + 37 * stroke);
        if stroke % 4 != 3 {
            engine.note_off(note);
        }
    }
    render(&mut engine, 40_000);
    sound
}

/// The trims with one of them changed on every pad.
fn with(trims: &Trims, change: impl Fn(&mut kitwright_core::settings::PadTrims)) -> Trims {
    let mut trims = trims.clone();
    trims.pads.iter_mut().for_each(change);
    trims
}

#[test]
fn whatever_layers_read_sounds_the_same_also_half_as_long_again_and_seven_semitones_higher() {
    let mut dice = Dice(7);
    let mut shares = Vec::new();
    for case in 0..16 {
        let whole = any_kit(&mut dice);
        let used = whole.keep_used().unwrap();
        let rate = [44_100.0, 48_000.0, 96_000.0][case % 3];
        let trims = &whole.doc.trims;
        let longer = with(trims, |trims| trims.length *= 1.5);
        let higher = with(trims, |trims| trims.pitch_st += 7.0);
        for (what, trims) in [("as it is", trims), ("longer", &longer), ("higher", &higher)] {
            let sound = play_all(&whole, trims, rate);
            assert!(sound.iter().any(|x| x.abs() > 0.01), "kit {case} is silent");
            assert!(sound == play_all(&used, trims, rate), "kit {case}, {what}");
        }
        let again = used.keep_used().unwrap();
        assert!(Arc::ptr_eq(&again.takes[0], &used.takes[0]), "what is used is kept as it is");
        let (kept, all) = used.used_seconds(trims);
        shares.push(kept / all);
    }
    // what is kept must be less than everything, else nothing was tried
    let cut = shares.iter().filter(|&&share| share < 0.9).count();
    assert!(cut > 4, "{shares:.2?}");
}

/// One pad of two short layers, one of which reads backwards, on a slice of half a second.
fn short_kit() -> Kit {
    let mut kit = kit(12);
    let pad = &mut kit.doc.pads[0];
    pad.slices = vec![Slice { end: 2 * GAP as u64 - 2_000, ..slice(0, 1) }];
    let settings = LayerSettings { decay_ms: 20.0, ..LayerSettings::default() };
    let reversed = LayerSettings { reverse: true, ..settings };
    pad.layers = [settings, reversed].map(|settings| Layer { slice: None, settings }).into();
    pad.variation.start_ms = 0.0;
    kit.doc.pads[1..].iter_mut().for_each(|pad| *pad = Pad::empty(pad.note, pad.role));
    kit.doc.key_parts.clear();
    kit
}

#[test]
fn one_layer_reads_as_far_as_its_envelope_and_its_pitch_drop_take_it() {
    let plain = LayerSettings { decay_ms: 250.0, decay_curve: 0.0, ..LayerSettings::default() };
    let kinds = [
        plain,
        LayerSettings { pitch_st: -12.0, ..plain },
        LayerSettings { reverse: true, ..plain },
        LayerSettings { drop_st: 18.0, drop_ms: 60.0, ..plain },
        LayerSettings { pitch_st: 6.0, drop_st: -18.0, drop_ms: 100.0, ..plain },
    ];
    for (number, settings) in kinds.into_iter().enumerate() {
        let mut whole = short_kit();
        let pad = &mut whole.doc.pads[0];
        pad.slices = vec![Slice { end: 4 * GAP as u64, ..slice(0, 1) }];
        pad.layers = vec![Layer { slice: None, settings }];
        pad.variation = Variation { start_ms: 0.0, pitch_ct: 0.0, ..Variation::default() };
        let used = whole.keep_used().unwrap();
        let longer = with(&whole.doc.trims, |trims| trims.length *= 1.5);
        assert!(play_all(&whole, &longer, 48_000.0) == play_all(&used, &longer, 48_000.0), "layer {number}");
        let (kept, all) = used.used_seconds(&whole.doc.trims);
        assert!(kept < 0.7 * all, "layer {number}: {kept} s of {all} s");
    }
}

#[test]
fn what_is_set_longer_ends_in_a_fade_and_not_in_a_click() {
    let whole = short_kit();
    let used = whole.keep_used().unwrap();
    let longest = with(&whole.doc.trims, |trims| trims.length = 4.0);
    assert!(play_all(&whole, &longest, 48_000.0) != play_all(&used, &longest, 48_000.0));
    let (before, after) = (whole.doc.pads[0].slices[0], used.doc.pads[0].slices[0]);
    assert_eq!(after.end - after.start, before.end - before.start, "a slice keeps its length");
    let sound =
        |kit: &Kit, s: Slice| kit.takes[s.take].channels[0][s.start as usize..s.end as usize].to_vec();
    let (before, after) = (sound(&whole, before), sound(&used, after));
    let steepest = |sound: &[f32]| sound.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
    assert!(steepest(&after) <= steepest(&before), "{} {}", steepest(&after), steepest(&before));
    // in the middle there is the take's constant offset alone, which the engine removes
    let middle = &after[after.len() / 3..after.len() / 2];
    assert!(middle.iter().all(|&s| s == middle[0] && (s - used.takes[0].offset()[0]).abs() < 1e-6));
    assert!(
        before[..2_000] == after[..2_000] && before[before.len() - 2_000..] == after[after.len() - 2_000..]
    );
}

#[test]
fn the_trims_of_the_host_decide_what_is_kept_and_stay_as_they_were_saved() {
    let kit = short_kit();
    let longest = with(&kit.doc.trims, |trims| trims.length = 4.0);
    let used = kit.keep_used_with(&longest).unwrap();
    assert_eq!(used.doc.trims, kit.doc.trims);
    assert!(kit.used_seconds(&longest).0 > 2.0 * kit.used_seconds(&kit.doc.trims).0);
    assert!(play_all(&kit, &longest, 48_000.0) == play_all(&used, &longest, 48_000.0));
    let session = Session::new();
    session.edit("a kit", |now| *now = kit.clone());
    let host = longest.clone();
    session.read_trims_with(move || Some(host.clone()));
    keep_used(&session);
    assert_eq!(session.kit().doc, used.doc);
    assert!(session.kit().takes[0].channels == used.takes[0].channels);
    // what was kept already is nothing to undo
    keep_used(&session);
    assert!(session.note().is_some_and(|note| note.contains("nothing was removed")));
}
