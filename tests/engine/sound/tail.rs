//! Tails: what follows a hit that ends too soon.

use super::{RATE, level_db, plain, played, roughness};
use crate::support::*;
use kitwright_core::{
    kit::{Kit, Layer, LayerSettings, Slice},
    spectrum::{RealFft, hann},
    take::Take,
    units::power_to_db,
};
use std::sync::Arc;

/// Where tails begin, ms and frames after the slice's start.
const FROM_MS: f32 = 50.0;
const FROM: usize = 2400;

/// Noise that is twice as strong below about 2 kHz as above, at an even level.
fn coloured(frames: usize, seed: u64) -> Vec<f32> {
    let mut dice = Dice(seed + 1);
    let mut low = 0.0;
    let noise: Vec<f32> = (0..frames)
        .map(|_| {
            let white = dice.unit() - 0.5;
            low += 0.25 * (white - low);
            0.3 * (low + 0.3 * white)
        })
        .collect();
    // without a constant offset, which would be removed
    let mean = noise.iter().sum::<f32>() / frames as f32;
    noise.iter().map(|x| x - mean).collect()
}

/// A pad that plays 100 ms of a take with a tail, at full level for as long as a hold goes.
fn with_tail(samples: Vec<f32>) -> Kit {
    let mut kit = plain(samples);
    let pad = &mut kit.doc.pads[0];
    pad.slices[0].end = 4800;
    (pad.layers[0].settings.tail_ms, pad.layers[0].settings.decay_ms) = (FROM_MS, 1.0);
    kit
}

/// Mean power of thirds of an octave from 200 Hz up, dB, over Hann windows of 1024 samples.
fn thirds_db(x: &[f32]) -> Vec<f64> {
    let mut fft = RealFft::new(1024);
    let mut power = vec![0.0f64; fft.bins()];
    for part in x.chunks_exact(1024) {
        fft.input.iter_mut().zip(part).enumerate().for_each(|(i, (input, x))| *input = x * hann(i, 1024));
        power.iter_mut().zip(fft.power()).for_each(|(sum, p)| *sum += f64::from(p));
    }
    let count = (x.len() / 1024) as f64;
    let bin = |hz: f64| (hz * 1024.0 / RATE).round() as usize;
    let edges = (0..20).map(|i| 200.0 * 2f64.powf(f64::from(i) / 3.0));
    edges
        .map(|hz| power[bin(hz)..bin(hz * 1.26).max(bin(hz) + 1)].iter().sum::<f64>() / count)
        .map(power_to_db)
        .collect()
}

#[test]
fn a_tail_has_the_spectrum_and_the_level_of_the_hit() {
    // the mean of several hits: a stretch of 100 ms has a spectrum of its own
    let (mut of_hit, mut of_tail) = (vec![0.0; 20], vec![0.0; 20]);
    for seed in 0..8 {
        let samples = coloured(9600, seed);
        let made = played(&with_tail(samples.clone()), 1.0, vec![], 60_000);
        // takes lie on a grid of 24 bits
        let same = made.iter().zip(&samples).take(FROM).all(|(a, b)| (a - b).abs() < 1e-6);
        assert!(same, "seed {seed}: the hit itself comes first");
        for (i, (hit, tail)) in thirds_db(&samples[..4800]).iter().zip(thirds_db(&made[9600..])).enumerate() {
            of_hit[i] += hit / 8.0;
            of_tail[i] += tail / 8.0;
        }
        // 8 ms decide on the level: so short a stretch of noise has one of its own, too
        let [hit, tail] = [&samples[FROM - 384..FROM + 384], &made[9600..]].map(level_db);
        assert!((hit - tail).abs() < 1.5, "seed {seed}: {hit:.1} dB, then {tail:.1} dB");
    }
    let off: Vec<f64> = of_hit.iter().zip(&of_tail).map(|(a, b)| a - b).collect();
    assert!(off.iter().all(|db| db.abs() < 1.5), "{off:.1?}");
}

#[test]
fn a_tail_lasts_as_long_as_the_envelope_without_a_seam() {
    // lows only, in which a step would be heard and is measured
    let mut low = [0.0f32; 3];
    let mut dark = |x: f32| {
        let mut at = x;
        low.iter_mut().for_each(|state| {
            *state += 0.05 * (at - *state);
            at = *state;
        });
        6.0 * at
    };
    let mut kit = with_tail(coloured(9600, 1).into_iter().map(&mut dark).collect());
    kit.doc.pads[0].layers[0].settings.hold_ms = 4000.0;
    // the noise repeats after 131,072 frames (2.4 s at least, a power of two)
    let made = played(&kit, 1.0, vec![], 200_000);
    let mean = level_db(&made[9600..190_000]);
    for (i, part) in made[9600..190_000].chunks_exact(4800).enumerate() {
        assert!((level_db(part) - mean).abs() < 3.0, "after {} ms", 100 * i + 200);
    }
    let (usual, all) = (roughness(&made[9600..60_000]), roughness(&made[64..190_000]));
    assert!(all < 1.3 * usual, "a click of {all} in noise of {usual}");
    assert!(made[193_000..].iter().all(|&x| x == 0.0), "it ends with its envelope");
}

#[test]
fn a_tail_keeps_what_channels_have_in_common() {
    let left = coloured(9600, 3);
    let right: Vec<f32> = left.iter().map(|x| -0.5 * x).collect();
    let mut kit = bare_kit(Arc::new(Take::from_samples("take", RATE as u32, vec![left, right])), 1);
    kit.doc.pads[0].variation = still();
    kit.doc.pads[0].slices[0].end = 4800;
    kit.doc.pads[0].layers[0].settings =
        LayerSettings { hold_ms: 1000.0, velocity_level: 0.0, tail_ms: FROM_MS, ..LayerSettings::default() };
    let [left, right] = play(&prepared(&kit), RATE, &[on(0, NOTES[0], 1.0)], 40_000, &mut |_| 64).main;
    assert!(left[20_000..].iter().any(|x| x.abs() > 0.01));
    for (l, r) in left.iter().zip(&right).skip(9600) {
        assert!((-0.5 * l - r).abs() < 1e-5, "{l} and {r}");
    }
}

#[test]
fn a_hit_read_backwards_or_shorter_than_that_has_no_tail() {
    let played_with = |change: &dyn Fn(&mut LayerSettings)| {
        let mut kit = with_tail(coloured(9600, 4));
        change(&mut kit.doc.pads[0].layers[0].settings);
        played(&kit, 1.0, vec![], 20_000)
    };
    let without = played_with(&|s| s.tail_ms = 0.0);
    assert!(without[4800..].iter().all(|&x| x == 0.0));
    assert_eq!(played_with(&|s| s.tail_ms = 100.0), without, "it would begin where the hit ends");
    assert_eq!(played_with(&|s| s.reverse = true), played_with(&|s| (s.reverse, s.tail_ms) = (true, 0.0)));
    // a hit that is cut before its tail ends there
    let cut = played_with(&|s| (s.end_ms, s.tail_ms) = (40.0, 0.0));
    assert!(played_with(&|s| s.end_ms = 40.0) == cut);
}

#[test]
fn a_tail_has_no_part_of_a_take_s_constant_offset() {
    let samples: Vec<f32> = coloured(9600, 5).iter().map(|x| x + 0.2).collect();
    let made = played(&with_tail(samples), 1.0, vec![], 60_000);
    let mean = made[9600..].iter().sum::<f32>() / 50_400.0;
    assert!(mean.abs() < 1e-3, "{mean}");
}

#[test]
fn each_slice_of_a_pad_has_its_own_tail() {
    let samples = [coloured(9600, 6), coloured(9600, 6).iter().map(|x| 0.1 * x).collect()].concat();
    let mut kit = with_tail(samples);
    let pad = &mut kit.doc.pads[0];
    pad.slices[0].velocities = [0.5, 1.0];
    pad.slices.push(Slice { start: 9600, end: 14_400, velocities: [0.0, 0.49], ..pad.slices[0] });
    let [loud, soft] = [1.0, 0.3].map(|velocity| played(&kit, velocity, vec![], 40_000)[9600..].to_vec());
    assert!((level_db(&loud) - level_db(&soft) - 20.0).abs() < 0.1, "20 dB apart, as recorded");
    // a layer with a slice of its own
    let own = kit.doc.pads[0].slices[1];
    let settings = kit.doc.pads[0].layers[0].settings;
    kit.doc.pads[0].layers = vec![Layer { slice: Some(own), settings }];
    assert!(played(&kit, 1.0, vec![], 40_000)[9600..] == soft[..]);
}

/// A tail that sounds belongs to a pad that is equal in both kits, while another pad of the new one has got tails.
#[test]
fn a_tail_sounds_on_when_another_pad_changes() {
    let mut kit = with_tail(coloured(9600, 7));
    kit.doc.pads[1] = kit.doc.pads[0].clone();
    kit.doc.pads[1].note = NOTES[1];
    let mut other = kit.clone();
    kit.doc.pads[0].layers[0].settings.tail_ms = 0.0;
    let layer = other.doc.pads[0].layers[0].clone();
    other.doc.pads[0].layers.push(layer);
    let [kit, other] = [kit, other].map(|kit| prepared(&kit));
    let sound = |changed: bool| {
        let mut engine = kitwright_core::engine::Engine::new(RATE);
        engine.set_kit(kit.clone());
        engine.note_on(NOTES[1], 1.0);
        let mut sound = Vec::new();
        for block in 0..400 {
            if changed && block == 200 {
                engine.set_kit(other.clone());
            }
            engine.render(64);
            sound.extend_from_slice(&engine.main()[0][..64]);
        }
        sound
    };
    assert!(sound(true)[20_000..].iter().any(|x| x.abs() > 0.01));
    assert!(sound(true) == sound(false));
}

#[test]
fn a_tail_at_any_pitch_and_rate_is_finite_and_ends_with_its_envelope() {
    for rate in [8_000, 48_000, 384_000] {
        let frames = rate as usize / 5;
        let mut kit = bare_kit(Arc::new(Take::from_samples("take", rate, vec![coloured(frames, 8)])), 1);
        let pad = &mut kit.doc.pads[0];
        pad.variation = still();
        (pad.cloud.copies, pad.cloud.pitch_st, pad.cloud.reverse_chance) = (8, 12.0, 0.3);
        for pitch_st in [-48.0, 0.0, 48.0] {
            kit.doc.pads[0].layers[0].settings = LayerSettings {
                pitch_st,
                drop_st: pitch_st,
                hold_ms: 500.0,
                decay_ms: 20.0,
                tail_ms: FROM_MS,
                ..LayerSettings::default()
            };
            let made = played(&kit, 1.0, vec![], 48_000);
            assert!(made.iter().all(|x| x.is_finite() && x.abs() < 4.0), "{rate} Hz, {pitch_st} st");
            assert!(made[24_000..].iter().any(|&x| x != 0.0), "{rate} Hz, {pitch_st} st: half a second");
            assert!(made[30_000..].iter().all(|&x| x == 0.0), "{rate} Hz, {pitch_st} st: its end");
        }
    }
}

/// A document may ask for more tails than there is memory. Then their noise repeats sooner, or the pad has none at all:
/// strokes that alternate end alike.
#[test]
fn all_slices_of_a_pad_have_tails_or_none_has() {
    let strokes_with_tails = |slices: usize, pitch_st: f32| {
        let mut kit = with_tail(coloured(9600, 9));
        let both = vec![coloured(9600, 9), coloured(9600, 10)];
        kit.takes = vec![Arc::new(Take::from_samples("take", RATE as u32, both))];
        let pad = &mut kit.doc.pads[0];
        (pad.layers[0].settings.hold_ms, pad.layers[0].settings.pitch_st) = (150.0, pitch_st);
        pad.slices = (0..slices as u64).map(|i| Slice { start: i, end: 4800 + i, ..pad.slices[0] }).collect();
        // each stroke takes the next slice
        let strokes: Vec<_> = (0..slices as u64).map(|i| on(i * 9600, NOTES[0], 1.0)).collect();
        let made = play(&prepared(&kit), RATE, &strokes, slices * 9600, &mut |_| 64);
        made.main[0].chunks(9600).filter(|stroke| level_db(&stroke[5500..7000]) > -60.0).count()
    };
    // 8 million samples are allowed, a tail of 0.3 s has 38,000 in both channels
    assert_eq!(strokes_with_tails(120, 0.0), 120);
    // 1.2 s are read of each: 9 million
    assert_eq!(strokes_with_tails(60, 36.0), 60);
    assert_eq!(strokes_with_tails(300, 0.0), 0);
}

/// A layer stops where its setting "End" says, in the hit, in the noise that follows, and in its repetitions.
#[test]
fn an_end_stops_a_tail_wherever_it_lies() {
    let mut kit = with_tail(coloured(9600, 11));
    // stored are 70 ms and 131,072 frames of noise
    let turn_ms = 70.0 + 131_072.0 / 48.0;
    for end_ms in [30.0, 400.0, turn_ms - 5.0, turn_ms + 5.0, turn_ms + 30.0, 4000.0] {
        for pitch_st in [0.0, 12.0] {
            let settings = &mut kit.doc.pads[0].layers[0].settings;
            (settings.end_ms, settings.pitch_st) = (end_ms, pitch_st);
            let made = played(&kit, 1.0, vec![], 230_000);
            let end = (end_ms * 48.0 / if pitch_st > 0.0 { 2.0 } else { 1.0 }) as usize;
            // where a repetition would be too short to be faded out, it ends a little sooner
            let last = made.iter().rposition(|&x| x != 0.0).unwrap() + 1;
            assert!(
                (end.saturating_sub(800)..end + 2).contains(&last),
                "{end_ms} ms, {pitch_st} st: {last} instead of {end}"
            );
            let (usual, at_end) =
                (roughness(&made[64..900]), roughness(&made[last.saturating_sub(500)..last + 64]));
            assert!(at_end < 1.5 * usual, "{end_ms} ms, {pitch_st} st: {at_end} at the end, {usual} before");
        }
    }
}

/// The shortest noise repeats after 16,384 frames: as often as the envelope, made longer by the pad's length, needs it.
#[test]
fn a_tail_that_outlasts_its_noise_has_no_seam() {
    let mut kit = with_tail(coloured(9600, 12));
    kit.doc.pads[0].layers[0].settings.hold_ms = 300.0;
    kit.doc.trims.pads[0].length = 4.0;
    let mut engine = kitwright_core::engine::Engine::new(RATE);
    engine.set_kit(prepared(&kit));
    engine.set_trims(&kit.doc.trims);
    let made = perform(&mut engine, &[on(0, NOTES[0], 1.0)], 60_000, &mut |_| 64).main[0].clone();
    let mean = level_db(&made[4800..57_000]);
    for (i, part) in made[4800..57_000].chunks(2400).enumerate() {
        assert!((level_db(part) - mean).abs() < 3.0, "after {} ms", 100 + 50 * i);
    }
    assert!(made[30_000..34_000] == made[30_000 - 16_384..34_000 - 16_384], "the same noise again");
    let (usual, all) = (roughness(&made[5000..15_000]), roughness(&made[64..57_000]));
    assert!(all < 1.3 * usual, "a click of {all} in noise of {usual}");
}
