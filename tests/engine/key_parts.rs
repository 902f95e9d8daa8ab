//! Key parts: in tune, sustained without a seam, on their own channels, the same bits for all chunks.

use crate::support::*;
use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{KeyPart, KeyPartKind, Kit, TakeEntry},
    listen::{Description, Hit},
    take::Take,
    units::{note_to_hz, ratio_to_cents},
};
use nice_assert_no_alloc::assert_no_alloc;
use std::{f64::consts::TAU, sync::Arc};

const RATE: f64 = 48_000.0;
/// Channels of the fresh parts, from 0: bass, chords.
const BASS: u8 = 1;
const CHORDS: u8 = 2;

/// A plucked string: slightly stretched partials (the stiffness of a guitar's wound string) that decay the faster the
/// higher they are, after a burst of noise; another phase on each channel.
fn string(hz: f64, rate: u32, channels: usize, seconds: f64) -> Arc<Take> {
    let mut dice = Dice(5);
    let frames = (seconds * f64::from(rate)) as usize;
    let noise: Vec<f64> = (0..frames).map(|_| f64::from(dice.unit()) - 0.5).collect();
    let channel = |c: usize| {
        (0..frames)
            .map(|i| {
                let t = i as f64 / f64::from(rate);
                let partial = |n: i32| {
                    let n = f64::from(n);
                    let stretched = n * hz * (1.0 + 5e-5 * n * n).sqrt();
                    (TAU * stretched * t + n * (1 + c) as f64).sin() / n * (-6.9 * t * n.sqrt() / 2.5).exp()
                };
                (0.2 * (1..=10).map(partial).sum::<f64>() + 0.4 * noise[i] * (-t / 0.006).exp()) as f32
            })
            .collect()
    };
    Arc::new(Take::from_samples("string", rate, (0..channels).map(channel).collect()))
}

/// A kit of one string whose fundamental was read `off` cents wrong, with its two parts.
fn string_kit(hz: f64, off: f64, rate: u32, channels: usize) -> Kit {
    let take = string(hz, rate, channels, 1.5);
    let read = hz * (off / 1200.0).exp2();
    let description =
        Description { pitch_hz: Some(read as f32), pitch_confidence: 0.9, ..Description::default() };
    let hit = Hit { start: 0, end: take.frames() as u64, by_hand: false, description };
    let mut kit = Kit::default();
    kit.doc.key_parts = KeyPartKind::ALL.iter().map(|&kind| KeyPart::of_hit(kind, &take, 0, &hit)).collect();
    kit.doc.takes = vec![TakeEntry::new(&take, vec![hit])];
    kit.takes = vec![take];
    kit.doc.check(&kit.takes).expect("a valid kit");
    kit
}

/// The same with neither cuts, slow attack nor fall, for measuring.
fn plain_kit(hz: f64, off: f64, rate: u32, channels: usize) -> Kit {
    let mut kit = string_kit(hz, off, rate, channels);
    for part in &mut kit.doc.key_parts {
        let s = &mut part.settings;
        (s.low_cut_hz, s.high_cut_hz, s.attack_ms, s.sustain, s.glide_ms) = (20.0, 20_000.0, 0.0, 1.0, 0.0);
        (s.release_ms, s.start_ms) = (50.0, 0.0);
    }
    kit
}

fn key(at: u64, channel: u8, key: u8, length: u64) -> [Event; 2] {
    let on = Event { at, act: Act::OnChannel(channel, key, 0.8) };
    [on, Event { at: at + length, act: Act::OffChannel(channel, key) }]
}

fn sorted(events: impl IntoIterator<Item = [Event; 2]>) -> Vec<Event> {
    let mut events: Vec<Event> = events.into_iter().flatten().collect();
    events.sort_by_key(|e| e.at);
    events
}

fn play_keys(kit: &Kit, events: &[Event], n: usize) -> Sound {
    play(&prepared(kit), RATE, events, n, &mut |_| 256)
}

/// Magnitude of a Hann-windowed sound at one frequency.
fn magnitude(x: &[f32], hz: f64) -> f64 {
    let n = x.len() as f64;
    let (mut re, mut im) = (0.0, 0.0);
    for (i, &v) in x.iter().enumerate() {
        let window = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n).cos();
        let (s, c) = (TAU * hz * i as f64 / RATE).sin_cos();
        re += f64::from(v) * window * c;
        im += f64::from(v) * window * s;
    }
    re.hypot(im)
}

/// The frequency of the spectrum's peak within 60 cents of `near`: of the fundamental, found without any of the
/// project's own measurements.
fn peak_hz(x: &[f32], near: f64) -> f64 {
    let around = |middle: f64, step: f64| {
        let all = (-30..=30).map(|i| middle * (f64::from(i) * step / 1200.0).exp2());
        all.max_by(|&a, &b| magnitude(x, a).total_cmp(&magnitude(x, b))).unwrap()
    };
    around(around(near, 2.0), 0.1)
}

#[test]
fn every_key_of_four_octaves_is_in_tune_within_5_cents_and_stays_so_while_held() {
    // G2; the fundamental was read 12 cents too high
    let kit = plain_kit(98.0, 12.0, 44_100, 1);
    for note in (31..=79).step_by(6) {
        let sound = play_keys(&kit, &sorted([key(0, CHORDS, note, 400_000)]), 6 * 48_000);
        let expected = note_to_hz(f64::from(note));
        for (what, from) in [("at first", 4800), ("held", 4 * 48_000)] {
            let hz = peak_hz(&sound.main[0][from..from + 48_000], expected);
            let cents = ratio_to_cents(hz / expected);
            // the attack is the string's own: a stretched string sounds a cent or two beside its loop
            assert!(cents.abs() < 5.0, "key {note} {what}: {cents:+.2} cents");
        }
    }
}

#[test]
fn a_held_key_sustains_at_even_level_and_without_a_seam() {
    for channels in [1, 2] {
        let kit = plain_kit(110.0, 0.0, 48_000, channels);
        let sound = play_keys(&kit, &sorted([key(0, CHORDS, 50, 400_000)]), 7 * 48_000);
        for x in &sound.main {
            let levels: Vec<f64> = x[2 * 48_000..].chunks_exact(4800).map(rms).collect();
            let (least, most) = levels.iter().fold((f64::MAX, 0.0_f64), |(a, b), &l| (a.min(l), b.max(l)));
            assert!(least > 0.01, "{least}");
            assert!(most / least < 1.26, "varies by {:.1} dB", 20.0 * (most / least).log10());
            // a click is a step that the sound itself does not make
            let step = |x: &[f32]| x.windows(2).fold(0.0_f32, |m, w| m.max((w[1] - w[0]).abs()));
            let (own, sustained) = (step(&x[4800..24_000]), step(&x[2 * 48_000..]));
            assert!(sustained <= own, "steps of {sustained} where the hit itself has {own}");
        }
    }
}

#[test]
fn a_released_key_ends_in_exact_silence() {
    let kit = string_kit(110.0, 0.0, 48_000, 1);
    let mut engine = Engine::new(RATE);
    engine.set_kit(prepared(&kit));
    perform(&mut engine, &sorted([key(0, CHORDS, 60, 20_000)]), 20_000, &mut |_| 128);
    assert!(!engine.is_silent());
    let tail =
        perform(&mut engine, &[Event { at: 0, act: Act::OffChannel(CHORDS, 60) }], 96_000, &mut |_| 128);
    assert!(peak(&tail) > 0.005, "it is released, not cut");
    assert!(engine.is_silent());
    assert_eq!(tail.main[0][90_000..].iter().fold(0.0_f32, |p, x| p.max(x.abs())), 0.0);
}

/// Chords, a gliding bass, drums, and kits that change both how the parts play and what they play.
fn performance() -> Vec<Event> {
    let mut dice = Dice(3);
    let mut events = Vec::new();
    for i in 0..40 {
        let at = i * 900 + dice.below(500);
        events.extend(key(at, CHORDS, 48 + dice.below(24) as u8, 300 + dice.below(6000)));
        events.extend(key(at + 100, BASS, 30 + dice.below(14) as u8, 300 + dice.below(2500)));
        events.extend(key(at + 50, 9, 36, 200));
    }
    let mut changed = string_kit(110.0, 0.0, 44_100, 2);
    let s = &mut changed.doc.key_parts[1].settings;
    (s.high_cut_hz, s.level_db, s.pan, s.fine_ct) = (900.0, -9.0, 0.4, 30.0);
    events.push(Event { at: 9001, act: Act::Kit(Arc::new(PlayKit::new(Arc::new(changed), RATE))) });
    events.push(Event { at: 20_011, act: Act::Kit(full_kit(2)) });
    events.push(Event { at: 24_500, act: Act::Kit(prepared(&string_kit(147.0, 0.0, 48_000, 1))) });
    events.push(Event { at: 33_333, act: Act::AllOff });
    events.sort_by_key(|e| e.at);
    events
}

#[test]
fn the_parts_do_not_depend_on_chunks() {
    let kit = prepared(&string_kit(110.0, 0.0, 44_100, 2));
    let events = performance();
    let whole = play(&kit, RATE, &events, 48_000, &mut |_| 8192);
    assert!(peak(&whole) > 0.02);
    let mut dice = Dice(9);
    for size in [1_u64, 17, 64, 256] {
        let other = play(&kit, RATE, &events, 48_000, &mut |_| size);
        assert_same(&whole, &other, &format!("chunks of {size}"));
    }
    let other = play(&kit, RATE, &events, 48_000, &mut |_| 1 + dice.below(700));
    assert_same(&whole, &other, "random chunks");
}

#[test]
fn playing_the_parts_neither_allocates_nor_frees() {
    let kit = prepared(&string_kit(110.0, 0.0, 44_100, 2));
    let events = performance();
    let mut engine = Engine::new(RATE);
    engine.set_kit(kit);
    let mut at = 0;
    for event in &events {
        let retired = assert_no_alloc(|| {
            while at < event.at {
                let frames = (event.at - at).min(256);
                engine.render(frames as usize);
                at += frames;
            }
            act(&mut engine, &event.act);
            engine.retired()
        });
        drop(retired);
    }
}

#[test]
fn pads_play_as_before_on_every_other_channel_and_beside_parts_that_are_off() {
    let without = kit_document(1);
    let mut with = without.clone();
    let strings = string_kit(110.0, 0.0, 48_000, 1);
    with.doc.key_parts = strings.doc.key_parts.clone();
    for slice in with.doc.key_parts.iter_mut().filter_map(|p| p.slice.as_mut()) {
        slice.take = with.takes.len();
    }
    with.doc.takes.extend(strings.doc.takes.clone());
    with.takes.extend(strings.takes.clone());
    let drums = |channel: u8| sorted((0..12).map(|i| key(i * 2500, channel, NOTES[i as usize % 6], 900)));
    let expected = play_keys(&without, &drums(9), 40_000);
    for channel in [0, 3, 9, 15] {
        assert_same(&expected, &play_keys(&with, &drums(channel), 40_000), &format!("channel {channel}"));
    }
    assert_ne!(
        expected.main,
        play_keys(&with, &drums(BASS), 40_000).main,
        "the bass's channel plays the bass"
    );
    with.doc.key_parts.iter_mut().for_each(|part| part.settings.on = false);
    assert_same(&expected, &play_keys(&with, &drums(BASS), 40_000), "parts that are off");
    // a range of keys: the others play pads
    with.doc.key_parts[0].settings.on = true;
    with.doc.key_parts[0].settings.low_key = 60;
    assert_same(&expected, &play_keys(&with, &drums(BASS), 40_000), "keys outside of the range");
}

#[test]
fn mono_glides_to_a_second_key_and_back_without_a_new_attack() {
    let mut kit = plain_kit(110.0, 0.0, 48_000, 1);
    kit.doc.key_parts[0].settings.glide_ms = 400.0;
    let events = sorted([key(0, BASS, 45, 240_000), key(96_000, BASS, 57, 48_000)]);
    let sound = play_keys(&kit, &events, 5 * 48_000);
    let x = &sound.main[0];
    let hz = |from: usize, near: f64| peak_hz(&x[from..from + 9600], near);
    let near = |a: f64, b: f64| assert!(ratio_to_cents(a / b).abs() < 15.0, "{a} Hz, not {b}");
    near(hz(80_000, 110.0), 110.0);
    // half of the way, half of the interval: 96,000 + 9,600 frames is the middle of the window
    near(hz(100_800, 155.6), 155.6);
    near(hz(120_000, 220.0), 220.0);
    near(hz(180_000, 110.0), 110.0);
    let energy: Vec<f64> = x[96_000..].chunks_exact(4800).take(10).map(rms).collect();
    assert!(energy.iter().all(|&e| e > 0.5 * energy[0] && e < 2.0 * energy[0]), "no attack: {energy:?}");
    // without a glide a second key starts anew
    kit.doc.key_parts[0].settings.glide_ms = 0.0;
    let anew = play_keys(&kit, &events, 5 * 48_000);
    assert!(rms(&anew.main[0][96_200..97_600]) > 1.5 * rms(&x[96_200..97_600]));
}

#[test]
fn as_many_keys_sound_as_there_are_voices() {
    let mut kit = plain_kit(110.0, 0.0, 48_000, 1);
    let chord: Vec<u8> = (0..9).map(|i| 50 + 2 * i).collect();
    let events = sorted(chord.iter().enumerate().map(|(i, &k)| key(i as u64 * 480, CHORDS, k, 400_000)));
    let heard = |kit: &Kit| {
        let sound = play_keys(kit, &events, 4 * 48_000);
        let x = &sound.main[0][2 * 48_000..];
        chord.iter().filter(|&&k| magnitude(x, note_to_hz(f64::from(k))) > 20.0).copied().collect::<Vec<u8>>()
    };
    // the first key gave its voice to the ninth
    assert_eq!(heard(&kit), chord[1..]);
    kit.doc.key_parts[1].settings.voices = 3;
    assert_eq!(heard(&kit), chord[6..]);
}

#[test]
fn cuts_and_a_slow_attack_shape_the_part() {
    let mut kit = plain_kit(110.0, 0.0, 48_000, 1);
    let events = sorted([key(0, CHORDS, 45, 400_000)]);
    let plain = play_keys(&kit, &events, 96_000);
    let s = &mut kit.doc.key_parts[1].settings;
    (s.attack_ms, s.high_cut_hz, s.low_cut_hz) = (1000.0, 300.0, 200.0);
    let shaped = play_keys(&kit, &events, 96_000);
    let ratio = |hz: f64| magnitude(&shaped.main[0][60_000..], hz) / magnitude(&plain.main[0][60_000..], hz);
    // two second-order Butterworth filters at the fundamental and the sixth partial
    let low = |x: f64| 1.0 / (1.0 + x.powi(4)).sqrt();
    for hz in [110.0, 661.0] {
        let expected = low(hz / 300.0) * low(200.0 / hz);
        assert!((ratio(hz) / expected - 1.0).abs() < 0.1, "{hz} Hz: {:.3} of {expected:.3}", ratio(hz));
    }
    let early = rms(&shaped.main[0][..4800]) / rms(&plain.main[0][..4800]);
    assert!(early < 0.1, "{early}");
}

#[test]
fn a_part_without_a_loop_ends_with_its_hit() {
    let mut kit = plain_kit(110.0, 0.0, 48_000, 1);
    kit.doc.key_parts[1].settings.loop_on = false;
    let sound = play_keys(&kit, &sorted([key(0, CHORDS, 57, 400_000)]), 3 * 48_000);
    let end = 36_000; // 1.5 s an octave up
    let x = &sound.main[0];
    assert!(rms(&x[end - 4800..end - 200]) > 0.001);
    assert!(x[end + 512..].iter().all(|&y| y == 0.0));
    let jump = x[end - 300..end + 10].windows(2).fold(0.0_f32, |m, w| m.max((w[1] - w[0]).abs()));
    assert!(jump < 0.02, "{jump}");
}

#[test]
fn a_kit_that_changes_how_a_part_sounds_does_not_stop_it_and_a_soloed_pad_silences_it() {
    let kit = plain_kit(110.0, 0.0, 48_000, 1);
    let mut softer = kit.clone();
    softer.doc.key_parts[1].settings.level_db = -6.0;
    let mut events = sorted([key(0, CHORDS, 57, 400_000)]);
    events.insert(1, Event { at: 72_000, act: Act::Kit(prepared(&softer)) });
    let plain = play_keys(&kit, &sorted([key(0, CHORDS, 57, 400_000)]), 120_000);
    let changed = play_keys(&kit, &events, 120_000);
    let gain = 10_f32.powf(-0.3);
    for (a, b) in plain.main[0][73_000..].iter().zip(&changed.main[0][73_000..]) {
        assert!((a * gain - b).abs() < 1e-4, "{a} {b}");
    }
    let mut engine = Engine::new(RATE);
    engine.set_kit(prepared(&kit));
    let mut trims = kitwright_core::kit::Trims::default();
    trims.pads[3].solo = true;
    let mut events = sorted([key(0, CHORDS, 57, 400_000)]);
    events.insert(1, Event { at: 4800, act: Act::Trims(Box::new(trims)) });
    let sound = perform(&mut engine, &events, 9600, &mut |_| 256);
    assert!(rms(&sound.main[0][..4800]) > 0.01);
    assert_eq!(sound.main[0][6000..].iter().fold(0.0_f32, |p, x| p.max(x.abs())), 0.0);
}

#[test]
fn a_held_key_of_a_take_with_an_offset_sounds_as_without() {
    let plain = plain_kit(110.0, 0.0, 48_000, 2);
    let mut lifted = plain.clone();
    let channels = plain.takes[0].channels.iter().map(|c| c.iter().map(|x| x + 0.4).collect()).collect();
    lifted.takes[0] = Arc::new(Take::from_samples("string", 48_000, channels));
    let events = sorted([key(0, BASS, 45, 90_000)]);
    let [plain, lifted] = [plain, lifted].map(|kit| play_keys(&kit, &events, 90_000));
    for (a, b) in plain.main.iter().zip(&lifted.main) {
        let most = a[4800..].iter().zip(&b[4800..]).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        // the offset of a take is its mean, to which the sound itself adds a little
        assert!(most < 0.005, "{most}");
        assert!(a[60_000..].iter().any(|x| x.abs() > 0.01), "the key sounds");
    }
}
