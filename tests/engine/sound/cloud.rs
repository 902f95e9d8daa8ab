//! The parameters of a cloud, one by one, measured at the output of the engine.

use super::{RATE, plain, played, sine, steady};
use crate::support::*;
use kitwright_core::{
    engine::{Engine, ShownGrain},
    kit::{Cloud, Draw, Kit, Timing},
    units::{db_to_gain, power_to_db, st_to_ratio},
};
use std::{f64::consts::FRAC_PI_4, sync::atomic::Ordering::Relaxed};

/// One trigger: its output, and the grains of its cloud as they were drawn.
fn trigger(kit: &Kit, frames: usize) -> ([Vec<f32>; 2], Vec<ShownGrain>) {
    let mut engine = Engine::new(RATE);
    engine.set_kit(prepared(kit));
    let mut copies = Vec::new();
    engine.note_on(NOTES[0], 1.0);
    assert!(engine.meters().last_cloud[0].read(&mut copies));
    (perform(&mut engine, &[], frames, &mut |_| 64).main, copies)
}

/// A quiet impulse in silence.
fn impulse(cloud: Cloud) -> Kit {
    let mut samples = vec![0.0; 400];
    samples[0] = 0.02;
    let mut kit = plain(samples);
    kit.doc.pads[0].cloud = cloud;
    kit
}

/// Grains at the hit's own pitch and length.
fn even(copies: u8) -> Cloud {
    Cloud { copies, pitch_st: 0.0, length_range: 0.0, window_ms: 0.0, ..Cloud::default() }
}

fn gain(db: f64) -> f64 {
    db_to_gain(db)
}

/// Each grain of an impulse has the time, level and pan (equal power) that were drawn: the whole output is known.
#[test]
fn grains_have_the_time_level_and_pan_that_were_drawn() {
    for (copies, timing) in (0..=48).zip(Timing::ALL.iter().cycle()) {
        let cloud = Cloud {
            timing: *timing,
            spread_ms: 250.0,
            level_range_db: 20.0,
            width: 1.0,
            dry_db: -3.0,
            cloud_db: 6.0,
            ..even(copies)
        };
        let (sound, drawn) = trigger(&impulse(cloud), 14_000);
        assert_eq!(drawn.len(), usize::from(copies));
        let mut wanted = [vec![0.0_f64; 14_000], vec![0.0; 14_000]];
        for side in &mut wanted {
            side[0] = 0.02 * if copies > 0 { gain(-3.0) } else { 1.0 };
        }
        for grain in &drawn {
            let reach = if *timing == Timing::Bursts { 250.0 + 33.0 } else { 250.0 };
            assert!((0.0..=reach).contains(&grain.delay_ms), "{timing:?}: {grain:?}");
            assert!((-20.0..=0.0).contains(&grain.level_db) && grain.pan.abs() <= 1.0, "{grain:?}");
            let together = power_to_db(f64::from(copies));
            let level = 0.02 * gain(6.0 + f64::from(grain.level_db) - together);
            let angle = (f64::from(grain.pan) + 1.0) * FRAC_PI_4;
            let exact = f64::from(grain.delay_ms) * RATE / 1000.0;
            let mut frame = exact.round() as usize;
            // The meter has single precision, which does not distinguish two frames halfway between them.
            if (exact.fract() - 0.5).abs() < 0.01 {
                let [a, b] = [exact as usize, exact as usize + 1];
                frame = if sound[0][a].abs() + sound[1][a].abs() > 0.0 { a } else { b };
            }
            wanted[0][frame] += level * 2f64.sqrt() * angle.cos();
            wanted[1][frame] += level * 2f64.sqrt() * angle.sin();
        }
        for (sound, wanted) in sound.iter().zip(&wanted) {
            for (i, (made, wanted)) in sound.iter().zip(wanted).enumerate() {
                assert!(
                    (f64::from(*made) - wanted).abs() < 1e-6,
                    "{copies} copies, frame {i}: {made}, {wanted}"
                );
            }
        }
    }
}

#[test]
fn a_cloud_has_one_grain_per_copy_up_to_48() {
    for copies in [0, 1, 7, 47, 48] {
        let mut engine = Engine::new(RATE);
        engine.set_kit(prepared(&impulse(even(copies))));
        engine.note_on(NOTES[0], 1.0);
        engine.render(1);
        assert_eq!(engine.meters().grains.load(Relaxed), 1 + u32::from(copies));
    }
}

/// Bursts of a handclap, 8 to 15 ms apart.
#[test]
fn all_bursts_but_the_last_end_at_the_next_one() {
    for gap in [8.0_f32, 11.0, 15.0] {
        let mut kit = steady(0.1, 24_000);
        kit.doc.pads[0].cloud = Cloud {
            timing: Timing::Bursts,
            bursts: 3,
            burst_gap_ms: gap,
            spread_ms: 40.0,
            dry_db: -60.0,
            level_range_db: 0.0,
            width: 0.0,
            ..even(3)
        };
        let (sound, drawn) = trigger(&kit, 30_000);
        let starts: Vec<f32> = drawn.iter().map(|c| c.delay_ms).collect();
        for (burst, start) in starts.iter().enumerate().take(2) {
            let first = gap * burst as f32;
            assert!((first..=first + 0.2 * gap).contains(start), "burst {burst} at {start} ms");
        }
        assert!((2.0 * gap..=2.0 * gap + 40.0).contains(&starts[2]), "the last at {} ms", starts[2]);
        // With all bursts but the last over, one third of the power of the whole is left.
        let after = ((starts[2].max(starts[1] + gap) + 1.0) * 48.0) as usize;
        let one = 0.1 * gain(-power_to_db(3.0)) + 0.1 * gain(-60.0);
        assert!((f64::from(sound[0][after]) - one).abs() < 1e-4, "{} after the bursts", sound[0][after]);
        assert!((f64::from(sound[0][20_000]) - one).abs() < 1e-4, "the last one is not shortened");
    }
}

#[test]
fn grain_pitches_reach_twelve_semitones_and_sound_as_drawn() {
    for (draw, steps) in
        [(Draw::Uniform, false), (Draw::Uniform, true), (Draw::Gaussian, false), (Draw::Gaussian, true)]
    {
        let mut kit = plain(sine(400.0, 48_000));
        let mut furthest = 0.0_f32;
        for seed in 0..40 {
            kit.doc.seed = seed;
            kit.doc.pads[0].cloud = Cloud {
                pitch_st: 12.0,
                pitch_draw: draw,
                pitch_steps: steps,
                dry_db: -60.0,
                spread_ms: 0.0,
                ..even(1)
            };
            let (sound, drawn) = trigger(&kit, if seed < 4 { 12_000 } else { 64 });
            let st = drawn[0].pitch_st;
            assert!(!steps || st.fract() == 0.0, "{st} st is no whole step");
            // The range is two standard deviations of a gaussian draw.
            assert!(st.abs() <= if draw == Draw::Uniform { 12.0 } else { 36.0 }, "{st}");
            furthest = furthest.max(st.abs());
            if seed < 4 {
                let hz = crossings_hz(&sound[0][200..], RATE);
                let wanted = 400.0 * st_to_ratio(f64::from(st));
                assert!((hz / wanted - 1.0).abs() < 5e-3, "{st} st: {hz} Hz, {wanted} Hz");
            }
        }
        assert!(furthest > 9.0, "{draw:?}: never beyond {furthest}");
    }
}

/// The source is a constant, so that the output is the grain's envelope.
#[test]
fn grains_have_the_stated_length_and_fades() {
    for (length_range, window_ms) in [(0.0, 20.0), (0.8, 5.0), (0.95, 0.0)] {
        let mut kit = steady(0.1, 24_000);
        kit.doc.pads[0].cloud = Cloud {
            length_range,
            window_ms,
            dry_db: -60.0,
            level_range_db: 0.0,
            width: 0.0,
            spread_ms: 0.0,
            ..even(1)
        };
        let (sound, drawn) = trigger(&kit, 25_000);
        let dry = 0.1 * gain(-60.0) as f32;
        let at = |frame: usize| if frame < 23_900 { sound[0][frame] - dry } else { sound[0][frame] };
        assert!((1.0 - length_range..=1.0).contains(&drawn[0].length));
        let end = (24_000.0 * f64::from(drawn[0].length)) as usize;
        let window = ((window_ms * 48.0) as usize).max(96);
        assert!(at(end - window - 10) > 0.0999, "full until {window} frames before its end at {end}");
        let middle = at(end - window / 2);
        assert!((middle - 0.05).abs() < 0.004, "{middle} in the middle of the fade-out");
        assert!(
            sound[0].get(end + 2..23_900).unwrap_or_default().iter().all(|x| (x - dry).abs() < 1e-6),
            "over after {end}"
        );
        if window_ms > 0.0 {
            let rise = (window_ms * 48.0) as usize;
            let half = at(rise / 2 - 1);
            assert!((half - 0.05).abs() < 0.001 && at(rise) > 0.0999, "{half} in the middle of the fade-in");
        }
    }
}

#[test]
fn grains_are_reversed_with_the_stated_chance() {
    let samples = noise_take(48_000, 1, 8).channels[0].iter().map(|x| x * 0.3).collect::<Vec<f32>>();
    let n = samples.len();
    let mut turned = 0;
    for seed in 0..200 {
        let mut kit = plain(samples.clone());
        kit.doc.seed = seed;
        kit.doc.pads[0].cloud = Cloud {
            reverse_chance: 0.3,
            dry_db: -60.0,
            level_range_db: 0.0,
            width: 0.0,
            spread_ms: 0.0,
            ..even(1)
        };
        let (sound, drawn) = trigger(&kit, if seed < 6 { n } else { 64 });
        turned += usize::from(drawn[0].reverse);
        if seed < 6 {
            let back: Vec<f32> = samples.iter().rev().copied().collect();
            let source = if drawn[0].reverse { &back } else { &samples };
            let alike = correlation(&sound[0][100..n - 200], &source[100..n - 200]);
            assert!(alike > 0.9999, "reverse {}: {alike}", drawn[0].reverse);
        }
    }
    // Five standard errors of a share of 0.3.
    assert!((turned as f64 / 200.0 - 0.3).abs() < 5.0 * (0.3_f64 * 0.7 / 200.0).sqrt(), "{turned} of 200");
}

/// All-pass filters keep the power and spread it in time.
#[test]
fn diffusion_spreads_a_grain_in_time_and_keeps_its_power() {
    let sharp = Cloud { dry_db: -60.0, level_range_db: 0.0, width: 0.0, spread_ms: 0.0, ..even(1) };
    let smeared = Cloud { diffusion: 1.0, ..sharp };
    let power = |x: &[f32]| x.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
    let (a, b) = (trigger(&impulse(sharp), 48_000).0, trigger(&impulse(smeared), 48_000).0);
    let change = power_to_db(power(&b[0]) / power(&a[0]));
    let highest = |x: &[f32]| x.iter().fold(0.0_f32, |p, x| p.max(x.abs()));
    let (peak, late) = (highest(&b[0]) / highest(&a[0]), power(&b[0][960..]) / power(&b[0]));
    println!("diffusion: power {change:+.3} dB, peak {peak:.3}, {late:.3} of the power after 20 ms");
    assert!(change.abs() < 0.1, "{change} dB");
    assert!(peak < 0.6 && late > 0.5, "peak {peak}, {late} after 20 ms");
    // Left and right are decorrelated.
    assert!(correlation(&b[0], &b[1]) < 0.9);
    assert_eq!(played(&impulse(sharp), 1.0, vec![], 100)[0], a[0][0]);
}
