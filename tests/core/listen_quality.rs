//! What is said about recordings, and steady sounds that are hits or none.

use crate::listen_support::synth::burst;
use kitwright_core::{
    listen::{DetectOptions, Quality, detect},
    progress::Quiet,
    take::{LossyCodec, Take},
};
use std::f64::consts::TAU;

const RATE: u32 = 44_100;

fn take(samples: impl Iterator<Item = f64>) -> Take {
    // the grid of 16 bits, as most recordings have it
    let rounded = samples.map(|x| ((x * 32_768.0).round() / 32_768.0) as f32);
    Take::from_samples("made", RATE, vec![rounded.collect()])
}

fn frames(seconds: f64) -> usize {
    (seconds * f64::from(RATE)) as usize
}

/// A sum of harmonics as those of a bowed string, without a decay.
fn harmonics(hz: f64, level: f64, seconds: f64) -> impl Iterator<Item = f64> {
    (0..frames(seconds)).map(move |i| {
        let t = i as f64 / f64::from(RATE);
        (1..12).map(|k| (TAU * hz * f64::from(k) * t).sin() / f64::from(k)).sum::<f64>() * level
    })
}

fn silence(seconds: f64) -> impl Iterator<Item = f64> {
    std::iter::repeat_n(0.0, frames(seconds))
}

fn starts(take: &Take) -> Vec<f64> {
    let found = detect(take, &DetectOptions::default(), &Quiet).unwrap();
    found.iter().map(|h| h.start as f64 / f64::from(RATE)).collect()
}

#[test]
fn hum_alone_and_noise_alone_are_no_hit() {
    for lead_s in [0.0, 0.5, 3.0] {
        for mains in [50.0, 60.0] {
            let found = starts(&take(silence(lead_s).chain(harmonics(mains, 0.0025, 8.0))));
            assert!(found.is_empty(), "hum of {mains} Hz after {lead_s} s: {found:?}");
        }
        let noise = burst(f64::from(RATE), f64::INFINITY, 8.0, 1);
        let found = starts(&take(silence(lead_s).chain(noise.into_iter().map(|x| 0.01 * x))));
        assert!(found.is_empty(), "noise after {lead_s} s: {found:?}");
    }
}

/// A hum that is there from the first sample begins at any height of its wave, and may never be heard again once the strokes
/// have begun.
#[test]
fn a_take_that_begins_within_a_hum_has_no_hit_there() {
    for (mains, every_s) in [(50.0, 0.25), (60.0, 0.25), (50.0, 1.2), (60.0, 1.2)] {
        for eighth in 0..8 {
            let hum = harmonics(mains, 0.01, 6.0).skip(frames(f64::from(eighth) / (8.0 * mains)));
            let mut samples: Vec<f64> = hum.collect();
            let from = |k: usize| frames(2.0 + every_s * k as f64);
            let mut strokes = 0;
            while from(strokes) < samples.len() {
                let stroke = burst(f64::from(RATE), 0.2, 0.5, strokes as u64);
                samples[from(strokes)..].iter_mut().zip(stroke).for_each(|(x, s)| *x += 0.6 * s);
                strokes += 1;
            }
            let found = starts(&take(samples.into_iter()));
            let what = format!("{mains} Hz from {eighth}/8 of its wave: {found:?}");
            assert!(found.len() == strokes && found[0] > 1.9, "{strokes} strokes over {what}");
        }
    }
}

/// G1, B1, G2, B3 and A4: some lie near harmonics of the mains.
#[test]
fn a_note_held_after_silence_is_a_hit() {
    for hz in [49.0, 61.74, 98.0, 246.94, 440.0] {
        for level in [0.005, 0.1] {
            for behind_s in [0.0, 2.0] {
                let held = harmonics(hz, level, 3.0);
                let found = starts(&take(silence(1.0).chain(held).chain(silence(behind_s))));
                assert!(
                    found.iter().any(|t| (t - 1.0).abs() < 0.06),
                    "{hz} Hz of {level}, {behind_s} s of silence behind: {found:?}"
                );
            }
        }
    }
}

#[test]
fn bass_notes_are_no_hum() {
    for hz in [48.0, 49.0, 51.9, 58.27, 61.74, 98.0, 123.47] {
        for decay in [0.0, 0.3, 3.0] {
            let note = |i: usize| (-decay * ((i % frames(1.5)) as f64 / f64::from(RATE))).exp();
            let sound = harmonics(hz, 0.3, 9.0).enumerate().map(|(i, x)| note(i) * x);
            let said = Quality::of(&take(sound)).sentences();
            assert!(said.is_empty(), "{hz} Hz, decay {decay}: {said:?}");
        }
    }
}

/// An arpeggio without a pause, over noise far below.
#[test]
fn notes_that_ring_on_into_each_other_are_no_noise() {
    let mut samples: Vec<f64> =
        burst(f64::from(RATE), f64::INFINITY, 12.0, 2).iter().map(|x| 1e-4 * x).collect();
    let notes = [164.8, 207.7, 246.9, 329.6, 220.0, 277.2, 370.0];
    for (i, hz) in notes.iter().cycle().take(50).enumerate() {
        // bent a little differently each time, so that no line stays
        let note = harmonics(hz * (1.0 + 0.004 * (i % 9) as f64), 0.15, 0.75).enumerate();
        let from = i * frames(0.24);
        for (s, (n, x)) in samples[from..].iter_mut().zip(note) {
            *s += x * (-(n as f64) / f64::from(RATE) / 0.4).exp();
        }
    }
    let said = Quality::of(&take(samples.into_iter())).sentences();
    assert!(said.is_empty(), "{said:?}");
}

#[test]
fn a_soft_hum_is_said_and_not_called_clipped() {
    let quality = Quality::of(&take(harmonics(50.0, 0.0025, 8.0)));
    assert_eq!((quality.hum_hz, quality.flat_tops), (Some(50.0), 0));
}

/// Noise beside a hum is said where it would be without the hum, and not because of it.
#[test]
fn hum_is_one_cause_and_noise_another() {
    for mains in [50.0, 60.0] {
        for hum_level in [0.0025, 0.05] {
            // the level of the noise over that of the hum, and whether it is heard
            for (noise_level, noisy) in [(0.0, false), (1e-4, false), (0.3, true)] {
                let noise = burst(f64::from(RATE), f64::INFINITY, 8.0, 1);
                let hum = harmonics(mains, hum_level, 8.0);
                let sound = hum.zip(noise).map(|(x, n)| x + noise_level * hum_level * n);
                let quality = Quality::of(&take(sound));
                let said = quality.sentences().join("; ");
                assert!(said.contains("hum of the mains"), "{mains} Hz, {hum_level}: {said}");
                let what = format!("{mains} Hz of {hum_level}, noise {noise_level} of it: {quality:?}");
                assert_eq!(said.contains("noise only"), noisy, "{what}");
            }
        }
    }
}

/// Strokes every 0.7 s, over a hum or an offset that is louder than what ends them.
fn strokes_over(background: impl Fn(usize) -> f64) -> Quality {
    let mut samples: Vec<f64> =
        burst(f64::from(RATE), f64::INFINITY, 11.0, 3).iter().map(|x| 1e-4 * x).collect();
    for k in 1..15 {
        let stroke = burst(f64::from(RATE), 0.05, 0.5, k);
        samples[k as usize * frames(0.7)..].iter_mut().zip(stroke).for_each(|(x, s)| *x += 0.6 * s);
    }
    Quality::of(&take(samples.into_iter().enumerate().map(|(i, x)| x + background(i))))
}

#[test]
fn hum_under_dense_strokes_and_an_offset_are_no_noise() {
    for hz in [50.0, 60.0] {
        let hum: Vec<f64> = harmonics(hz, 0.02, 11.0).collect();
        let said = strokes_over(|i| hum.get(i).copied().unwrap_or(0.0)).sentences();
        assert!(said.len() == 1 && said[0].starts_with("hum of the mains"), "{hz} Hz: {said:?}");
    }
    for offset in [-0.1, 0.05] {
        let said = strokes_over(|_| offset).sentences();
        assert!(said.is_empty(), "offset {offset}: {said:?}");
    }
}

#[test]
fn silence_is_said_in_one_sentence() {
    let said = Quality::of(&take(silence(3.0))).sentences();
    assert!(said.len() == 1 && said[0].starts_with("silent"), "{said:?}");
}

#[test]
fn a_lossy_file_is_named_after_its_codec() {
    let mut made = take(burst(f64::from(RATE), 0.1, 2.0, 1).into_iter());
    assert_eq!(Quality::of(&made).sentences(), Vec::<String>::new());
    made.lossy = Some(LossyCodec::Aac);
    let said = Quality::of(&made).sentences();
    assert!(said.len() == 1 && said[0].starts_with("lossy file (AAC)"), "{said:?}");
}

/// Which takes hum is what was mixed into them; the real ones were looked at by their spectra.
#[cfg(feature = "test-recordings")]
#[test]
fn recordings_are_faulted_for_what_they_have() {
    for folder in ["takes", "real"] {
        for entry in std::fs::read_dir(crate::data::recordings(folder)).unwrap() {
            let file = entry.unwrap().path();
            if file.extension().is_none_or(|e| e != "flac") {
                continue;
            }
            let name = file.file_stem().unwrap().to_string_lossy().into_owned();
            let quality = Quality::of(&Take::read(&file, &Quiet).unwrap());
            let hums = ["d02", "d04", "d05", "d06", "d09"].iter().any(|d| name.starts_with(d));
            assert_eq!(quality.hum_hz, hums.then_some(50.0), "{name}: {quality:?}");
            let said = quality.sentences().join("; ");
            assert!(!said.contains("clipped") && !said.contains("noise only"), "{name}: {said}");
            // dr1 and dr3 come from narrower sources
            let narrow = ["dr1", "dr3"].iter().any(|d| name.starts_with(d));
            assert_eq!(said.contains("nothing above"), narrow, "{name}: {said}");
        }
    }
}
