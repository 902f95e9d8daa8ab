//! Descriptions of hits, on sounds whose measures are known.

use crate::listen_support::synth::{burst, hiss, karplus_strong, narrow, partials};
use kitwright_core::{
    listen::{Description, describe},
    take::Take,
    units::{db_to_gain, db_to_power, gain_to_db, ratio_to_cents},
};
use std::f64::consts::TAU;

const RATE: f64 = 48_000.0;

fn described(samples: &[f64]) -> Description {
    let take = Take::from_samples("made here", RATE as u32, vec![narrow(samples)]);
    describe(&take, 0, take.frames())
}

fn tone(hz: f64, level: f64, seconds: f64) -> Vec<f64> {
    (0..(RATE * seconds) as usize).map(|i| level * (TAU * hz * i as f64 / RATE).sin()).collect()
}

fn near(value: f32, expected: f64, within: f64, what: &str) {
    assert!((f64::from(value) - expected).abs() <= within, "{what}: {value}, expected {expected} ± {within}");
}

#[test]
fn loudness_follows_the_standards_reference_tone() {
    // EBU Tech 3341, test signals 1 and 2: a stereo 1 kHz sine of -23 dBFS peak is -23 LUFS, ±0.1 LU.
    let x = narrow(&tone(1000.0, db_to_gain(-23.0), 1.0));
    let take = Take::from_samples("reference", 48_000, vec![x.clone(), x]);
    let d = describe(&take, 0, 48_000);
    near(d.loudness_lufs, -23.0, 0.1, "1 s");
    // A hit's loudness is over its own length, so a piece of the same tone is as loud.
    let d = describe(&take, 0, 4_800);
    near(d.loudness_lufs, -23.0, 0.3, "0.1 s");
    near(d.peak_db, -23.0, 0.05, "peak");
}

#[test]
fn true_peak_is_measured_between_the_samples() {
    // A sine at a quarter of the rate, 45 degrees off: samples at 0.707 of its peak (ITU-R BS.1770-5, annex 2). EBU Tech
    // 3341 has the same signal among its tests of true peak and allows +0.2 and -0.4 dB (tolerance from memory).
    let x: Vec<f64> = (0..4_800).map(|i| 0.5 * (TAU * 0.25 * i as f64 + TAU / 8.0).sin()).collect();
    let d = described(&x);
    near(d.peak_db, -9.03, 0.05, "sample peak");
    let off = f64::from(d.true_peak_db) - gain_to_db(0.5);
    assert!((-0.4..=0.2).contains(&off), "true peak: {off:+.2} dB off");
}

#[test]
fn attack_and_decay_are_those_of_the_envelope() {
    // A 1 kHz tone that rises for 20 ms, then decays by 60 dB in 0.5 s (20 dB in 167 ms).
    let x: Vec<f64> = tone(1000.0, 0.5, 0.8)
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let t = i as f64 / RATE;
            v * if t < 0.02 { t / 0.02 } else { db_to_gain(-60.0 * (t - 0.02) / 0.5) }
        })
        .collect();
    let d = described(&x);
    near(d.attack_ms, 20.0, 1.5, "attack");
    near(d.decay_20_ms, 166.7, 5.0, "to -20 dB");
    near(d.decay_60_ms, 500.0, 10.0, "to -60 dB");
    // Cut off after 0.2 s, the rest of the decay is extrapolated.
    near(described(&x[..9_600]).decay_60_ms, 500.0, 25.0, "to -60 dB, extrapolated");
}

#[test]
fn spectral_measures_distinguish_tones_from_noise() {
    let d = described(&tone(2_000.0, 0.5, 0.5));
    near(d.centroid_hz, 2_000.0, 20.0, "centroid of a tone");
    near(d.rolloff_hz, 2_000.0, 60.0, "rolloff of a tone");
    near(d.zero_crossings_hz, 4_000.0, 20.0, "two crossings a cycle");
    near(d.crest_db, 3.01, 0.05, "crest of a sine");
    assert!(d.flatness < 0.01, "{}", d.flatness);

    let d = described(&hiss(24_000, -12.0, 3));
    near(d.centroid_hz, 12_000.0, 300.0, "centroid of white noise: half of half the rate");
    near(d.rolloff_hz, 0.85 * 24_000.0, 400.0, "rolloff of white noise");
    assert!(d.flatness > 0.85, "{}", d.flatness);
}

#[test]
fn band_energies_lie_in_the_band_and_the_time_of_the_sound() {
    // 100 Hz for 10 ms to 40 ms belongs to the second band; 4 kHz after 150 ms to the seventh.
    let mut x = vec![0.0; 24_000];
    x[700..1_700].copy_from_slice(&tone(100.0, 0.5, 0.1)[..1_000]);
    x[9_600..24_000].copy_from_slice(&tone(4_000.0, 0.05, 0.3));
    let d = described(&x);
    let loudest = |row: &[f32; 8]| (0..8).max_by(|&a, &b| row[a].total_cmp(&row[b])).unwrap();
    assert_eq!(loudest(&d.bands_db[1]), 1, "{:?}", d.bands_db[1]);
    assert_eq!(loudest(&d.bands_db[3]), 6, "{:?}", d.bands_db[3]);
    let sum: f64 = d.bands_db.iter().flatten().map(|db| db_to_power(f64::from(*db))).sum();
    assert!((sum - 1.0).abs() < 1e-3, "the table holds the whole energy: {sum}");
}

fn cents(d: &Description, hz: f64) -> f64 {
    d.pitch_hz.map_or(f64::INFINITY, |p| ratio_to_cents(f64::from(p) / hz))
}

fn assert_pitch(samples: &[f64], hz: f64, within: f64, what: &str) {
    for level in [1.0, 0.03] {
        let noisy: Vec<f64> =
            hiss(samples.len(), -75.0, 5).iter().zip(samples).map(|(n, x)| n + level * x).collect();
        let d = described(&noisy);
        let off = cents(&d, hz);
        assert!(off.abs() <= within, "{what} at {hz:.2} Hz: {:?}, {off:.1} cents off", d.pitch_hz);
        assert!(d.pitch_confidence > 0.4, "{what} at {hz:.2} Hz: confidence {}", d.pitch_confidence);
    }
}

const NOTES_HZ: [f64; 12] = [41.2, 55.0, 73.4, 82.4, 110.0, 146.8, 196.0, 246.9, 329.6, 440.0, 659.3, 987.8];

#[test]
fn plucked_strings_are_within_10_cents() {
    for hz in NOTES_HZ {
        let delay = (RATE / hz - 0.5).round() as usize;
        assert_pitch(&karplus_strong(RATE, delay, 1.0, 9), RATE / (delay as f64 + 0.5), 10.0, "a string");
    }
}

#[test]
fn stiff_strings_are_within_10_cents_of_their_first_partial() {
    // Partials at n f sqrt(1 + B n²) (Fletcher and Rossing, The Physics of Musical Instruments, 2nd edition,
    // section 2.18), plucked at 0.13 of the length.
    for (k, hz) in NOTES_HZ.into_iter().enumerate() {
        let b = [0.0, 1e-4, 4e-4][k % 3];
        let list: Vec<_> = (1..20)
            .map(|n| {
                let n = f64::from(n);
                let ratio = n * ((1.0 + b * n * n) / (1.0 + b)).sqrt();
                (ratio, (std::f64::consts::PI * 0.13 * n).sin().abs() / n, 3.0 + 0.8 * n)
            })
            .collect();
        assert_pitch(&partials(RATE, hz, 1.0, &list), hz, 10.0, "a stiff string");
    }
}

#[test]
fn free_bars_are_within_10_cents() {
    // Fletcher and Rossing, section 2.16: a free bar's partials stand at 1 : 2.756 : 5.404.
    for hz in NOTES_HZ.into_iter().filter(|&hz| hz > 70.0) {
        for levels in [[1.0, 0.5, 0.3], [1.0, 1.0, 0.5]] {
            let list: Vec<_> = [1.0, 2.756, 5.404]
                .into_iter()
                .zip(levels)
                .zip([6.0, 15.0, 30.0])
                .map(|((ratio, level), decay)| (ratio, level, decay))
                .collect();
            assert_pitch(&partials(RATE, hz, 0.8, &list), hz, 10.0, "a bar");
        }
    }
}

#[test]
fn gliding_membranes_are_within_25_cents_of_where_they_settle() {
    // An ideal membrane's partials stand at 1 : 1.594 : 2.136 : 2.296 (Fletcher and Rossing, section 3.4);
    // it starts a fifth to a third sharp and settles with 30 ms.
    for hz in [50.0, 65.0, 90.0, 120.0, 180.0, 260.0] {
        for sharp in [0.15, 0.3] {
            let x: Vec<f64> = (0..38_400)
                .map(|i| {
                    let t = i as f64 / RATE;
                    let phase = TAU * hz * (t + sharp * 0.03 * (1.0 - (-t / 0.03).exp()));
                    [(1.0, 1.0), (1.594, 0.5), (2.136, 0.3), (2.296, 0.2)]
                        .iter()
                        .map(|(r, a): &(f64, f64)| {
                            0.3 * a * (-t * (6.0 + 4.0 * r * r)).exp() * (phase * r).sin()
                        })
                        .sum()
                })
                .collect();
            assert_pitch(&x, hz, 25.0, "a membrane");
        }
    }
}

#[test]
fn noise_has_no_pitch() {
    for seed in 0..10 {
        let d = described(&burst(RATE, 0.05, 0.5, seed));
        assert!(d.pitch_confidence < 0.5, "{:?} with {}", d.pitch_hz, d.pitch_confidence);
    }
}
