//! How a layer plays its slice: loop, direction, pitch, envelope.

use super::{RATE, plain, played, roughness, sine, steady};
use crate::support::*;
use kitwright_core::{
    kit::{Channels, Kit, LayerSettings, Trims},
    take::Take,
    units::{db_to_gain, st_to_ratio},
};
use std::{f64::consts::TAU, sync::Arc};

#[test]
fn a_held_slice_loops_with_its_crossfade() {
    // The loop is no whole number of periods: without the crossfade there would be a step.
    let samples = sine(143.7, 20_000);
    let mut kit = plain(samples.clone());
    kit.doc.pads[0].settings.held = true;
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.loop_on, s.loop_ms, s.fade_ms) = (true, 60.0, 20.0);
    let (end, length, fade) = (20_000, 2880, 960);
    let made = played(&kit, 1.0, vec![], 60_000);
    let mut at = 0;
    for (i, &y) in made.iter().enumerate() {
        let left = end - at;
        // The last 20 ms before the turn, straight from what lies there to what lies one length before.
        let share = if left < fade { 1.0 - left as f32 / fade as f32 } else { 0.0 };
        let wanted = samples[at] + share * (samples[at - if left < fade { length } else { 0 }] - samples[at]);
        assert!((y - wanted).abs() < 1e-6, "frame {i}: {y}, {wanted}");
        at = if at + 1 == end { end - length } else { at + 1 };
    }
    let off = Event { at: 50_000, act: Act::Off(NOTES[0]) };
    let ended = played(&kit, 1.0, vec![off], 60_000);
    // 50 ms of release.
    assert_eq!(ended[..50_000], made[..50_000]);
    assert!(ended[52_300..52_390].iter().any(|&x| x != 0.0) && ended[52_401..].iter().all(|&x| x == 0.0));
}

/// A slice of 2 ms of silence and a tone that is there at once: what starts before the tone or with it keeps each bit,
/// what starts within it, or in a take that sounds already, fades in for 0.5 ms. Without that it steps, which clicks.
#[test]
fn a_start_within_a_sound_fades_in() {
    let tone = |i: usize| 0.5 * (i as f32 * 0.2 + 1.0).sin();
    let after_silence: Vec<f32> = (0..9_600).map(|i| if i < 4_896 { 0.0 } else { tone(i) }).collect();
    let ringing: Vec<f32> = (0..9_600).map(tone).collect();
    for (samples, start_ms, fades) in [
        (&after_silence, 0.0, false),
        (&after_silence, 1.0, false),
        (&after_silence, 2.0, false),
        (&after_silence, 2.1, true),
        (&after_silence, 2.4, true),
        (&after_silence, 5.0, true),
        (&ringing, 0.0, true),
        (&ringing, 0.3, true),
    ] {
        let mut kit = plain(samples.clone());
        kit.doc.pads[0].slices[0].start = 4_800;
        kit.doc.pads[0].layers[0].settings.start_ms = start_ms;
        let made = played(&kit, 1.0, vec![], 400);
        let from = 4_800 + (start_ms * 48.0).round() as usize;
        for (i, made) in made.iter().enumerate() {
            let share = if fades { ((i as f32 + 0.5) / 24.0).min(1.0) } else { 1.0 };
            let wanted = share * samples[from + i];
            assert!((made - wanted).abs() < 0.02, "{start_ms} ms, frame {i}: {made}, {wanted}");
        }
    }
}

#[test]
fn a_reversed_slice_has_the_same_bits_backwards() {
    let samples = noise_take(48_000, 1, 3).channels[0].clone();
    let mut kit = plain(samples.clone());
    kit.doc.pads[0].layers[0].settings.reverse = true;
    let made = played(&kit, 1.0, vec![], samples.len() + 10);
    let n = samples.len();
    // Half a millisecond of fade in, since it begins in the middle of a sound, and 2 ms of fade out.
    for i in 24..n - 96 {
        assert_eq!(made[i].to_bits(), samples[n - 1 - i].to_bits(), "frame {i}");
    }
    assert!(made[n..].iter().all(|&x| x == 0.0));
}

#[test]
fn a_low_velocity_lowers_the_pitch_by_its_share() {
    let mut kit = plain(sine(440.0, 40_000));
    kit.doc.pads[0].layers[0].settings.velocity_pitch_st = 12.0;
    for (velocity, st) in [(1.0_f32, 0.0), (0.75, -3.0), (0.5, -6.0), (0.25, -9.0)] {
        let hz = crossings_hz(&played(&kit, velocity, vec![], 24_000), RATE);
        let wanted = 440.0 * st_to_ratio(st);
        assert!((hz / wanted - 1.0).abs() < 1e-3, "velocity {velocity}: {hz} Hz, {wanted} Hz");
    }
    // Semitones and cents of the layer.
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.pitch_st, s.fine_ct) = (7.0, 50.0);
    let hz = crossings_hz(&played(&kit, 1.0, vec![], 12_000), RATE);
    assert!((hz / (440.0 * st_to_ratio(7.5)) - 1.0).abs() < 1e-3, "{hz}");
}

/// The drop falls as `drop_st * exp(-t / drop_ms)` semitones; the tone's phase is the sum of it.
#[test]
fn a_pitch_drop_follows_its_formula_without_zipper_noise() {
    let (hz, drop_st, drop_ms) = (100.0, 24.0, 40.0);
    let mut kit = plain(sine(hz, 40_000));
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.drop_st, s.drop_ms) = (drop_st as f32, drop_ms as f32);
    let made = played(&kit, 1.0, vec![], 20_000);
    // Whole periods from one rising zero to the next, each against the law in its middle.
    let rising: Vec<f64> = (1..made.len())
        .filter(|&i| made[i - 1] < 0.0 && made[i] >= 0.0)
        .map(|i| i as f64 - f64::from(made[i] / (made[i] - made[i - 1])))
        .collect();
    for w in rising.windows(2).take(20) {
        let middle = (w[0] + w[1]) / 2.0 / RATE * 1000.0;
        let law = hz * st_to_ratio(drop_st * (-middle / drop_ms).exp());
        let made = RATE / (w[1] - w[0]);
        assert!((made / law - 1.0).abs() < 0.01, "at {middle:.1} ms: {made:.1} Hz, {law:.1} Hz");
    }
    // Apart from the take's own start.
    let rough = roughness(&made[200..]);
    println!("fourth difference of the drop: {rough:.2e}");
    assert!(rough < own_roughness(hz * 4.0), "{rough:e}");
}

/// Roughness of a sine at a quarter of full scale plus that of the reader's noise while it glides (-105 dB).
fn own_roughness(hz: f64) -> f32 {
    (0.25 * (2.0 * (TAU * hz / RATE / 2.0).sin()).powi(4)) as f32 + 16.0 * 0.25 * db_to_gain(-105.0_f32)
}

#[test]
fn a_pitch_trim_glides_without_zipper_noise() {
    let kit = plain(sine(100.0, 48_000));
    let mut trims = Trims::default();
    trims.pads[0].pitch_st = 12.0;
    let up = Event { at: 10_007, act: Act::Trims(Box::new(trims)) };
    let made = played(&kit, 1.0, vec![up], 24_000);
    let after = crossings_hz(&made[12_000..], RATE);
    assert!((after / 200.0 - 1.0).abs() < 2e-3, "{after} Hz");
    let rough = roughness(&made[..23_000]);
    println!("fourth difference of the glide: {rough:.2e}");
    assert!(rough < own_roughness(200.0), "{rough:e}");
}

/// A steady level shows the envelope itself.
#[test]
fn the_envelope_has_its_stated_times_and_curves() {
    let mut kit = steady(0.5, 96_000);
    kit.doc.pads[0].settings.held = true;
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.attack_ms, s.hold_ms, s.decay_ms, s.sustain, s.release_ms) = (10.0, 20.0, 50.0, 0.4, 30.0);
    (s.attack_curve, s.decay_curve, s.release_curve) = (-0.5, 0.7, 1.0);
    let off = || vec![Event { at: 9600, act: Act::Off(NOTES[0]) }];
    let made = played(&kit, 1.0, off(), 14_000);
    let level = |frame: usize| f64::from(made[frame]) / 0.5;
    // The formula of the documentation: what is left after the share `x` of a segment.
    let fall = |x: f64, curve: f64| {
        let k = curve * 1000.0_f64.ln();
        ((-k * x).exp() - (-k).exp()) / (1.0 - (-k).exp())
    };
    let near = |frame: usize, wanted: f64, what: &str| {
        assert!((level(frame) - wanted).abs() < 1e-5, "{what}, frame {frame}: {}, {wanted}", level(frame));
    };
    near(119, 1.0 - fall(0.25, -0.5), "a quarter of the attack");
    near(479, 1.0, "the end of the attack");
    near(1439, 1.0, "the end of the hold");
    near(2639, 0.4 + 0.6 * fall(0.5, 0.7), "half of the decay");
    near(3839, 0.4, "the end of the decay");
    near(9599, 0.4, "sustained");
    near(9600 + 359, 0.4 * fall(0.25, 1.0), "a quarter of the release");
    assert!(made[9600 + 1439..].iter().all(|&x| x == 0.0), "the end of the release");
    // All times at 0 ms: no step is greater than the shortest ramp's, half a millisecond.
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.hold_ms, s.decay_ms, s.attack_ms, s.release_ms, s.start_ms) = (0.0, 1.0, 0.0, 0.0, 5.0);
    (s.attack_curve, s.decay_curve, s.release_curve) = (0.0, 0.0, 0.0);
    let made = played(&kit, 1.0, off(), 14_000);
    let step = made.windows(2).map(|w| (w[1] - w[0]).abs()).fold(made[0].abs(), f32::max);
    assert!(step <= 0.5 / 24.0 * 1.001, "{step}");
}

#[test]
fn a_layer_plays_one_channel_of_a_stereo_take_in_the_middle() {
    let samples = |level: f32| (0..4800).map(move |i| level * (i as f32 * 0.05).sin()).collect::<Vec<f32>>();
    // with a constant offset of its own, which is removed
    let right: Vec<f32> = samples(0.2).iter().map(|x| x + 0.1).collect();
    let mut kit =
        bare_kit(Arc::new(Take::from_samples("take", RATE as u32, vec![samples(0.5), right.clone()])), 1);
    kit.doc.pads[0].variation = still();
    let played_as = |channels: Channels, kit: &mut Kit| {
        kit.doc.pads[0].layers[0].settings =
            LayerSettings { hold_ms: 1000.0, velocity_level: 0.0, channels, ..LayerSettings::default() };
        play(&prepared(kit), RATE, &[on(0, NOTES[0], 1.0)], 4000, &mut |_| 64).main
    };
    let both = played_as(Channels::Both, &mut kit);
    for (channels, side) in [(Channels::Left, 0), (Channels::Right, 1)] {
        let [l, r] = played_as(channels, &mut kit);
        assert!(l == both[side] && r == both[side], "{channels:?}");
        assert!(l[100..].iter().any(|x| x.abs() > 0.1));
    }
    // a mono take has one, whatever is asked for
    kit.takes = vec![Arc::new(Take::from_samples("take", RATE as u32, vec![samples(0.5)]))];
    assert!(played_as(Channels::Right, &mut kit) == played_as(Channels::Both, &mut kit));
}
