//! Recorded takes in noise, and what is only background.
//!
//! Pink noise is made as a sum of first-order low passes (P. Kellet's approximation, within 0.05 dB above 9 Hz, as printed
//! in R. Whittle, "DSP generation of pink noise", 1999).

use crate::{
    data::recordings,
    listen_support::score::{Tally, truth},
};
use kitwright_core::{
    listen::{DetectOptions, Hit, detect},
    progress::Quiet,
    take::Take,
    units::db_to_gain,
};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::path::PathBuf;

fn pink(length: usize, seed: u64) -> Vec<f32> {
    const POLES: [(f64, f64); 6] = [
        (0.99886, 0.0555179),
        (0.99332, 0.0750759),
        (0.96900, 0.1538520),
        (0.86650, 0.3104856),
        (0.55000, 0.5329522),
        (-0.7616, -0.0168980),
    ];
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let (mut states, mut last) = ([0.0f64; 6], 0.0);
    let noise: Vec<f64> = (0..length)
        .map(|_| {
            let white = random.random_range(-1.0..1.0);
            for (state, (pole, gain)) in states.iter_mut().zip(POLES) {
                *state = pole * *state + gain * white;
            }
            let sum = states.iter().sum::<f64>() + last + 0.5362 * white;
            last = 0.115926 * white;
            sum
        })
        .collect();
    let rms = (noise.iter().map(|x| x * x).sum::<f64>() / length as f64).sqrt();
    noise.iter().map(|x| (x / rms) as f32).collect()
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|x| f64::from(x * x)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// The assembled and the real takes, in one channel.
fn takes() -> Vec<(PathBuf, u32, Vec<f32>)> {
    let mut files: Vec<PathBuf> = ["takes", "real"]
        .iter()
        .flat_map(|folder| std::fs::read_dir(recordings(folder)).unwrap().map(|e| e.unwrap().path()))
        .filter(|path| path.extension().is_some_and(|e| e == "flac"))
        .collect();
    files.sort();
    let read = |file: PathBuf| {
        let take = Take::read(&file, &Quiet).unwrap();
        let n = take.channels.len() as f32;
        let mono = (0..take.frames()).map(|i| take.channels.iter().map(|c| c[i]).sum::<f32>() / n).collect();
        (file, take.sample_rate, mono)
    };
    files.into_iter().map(read).collect()
}

fn hits(rate: u32, samples: Vec<f32>) -> Vec<Hit> {
    let take = Take::from_samples("noisy", rate, vec![samples]);
    detect(&take, &DetectOptions::default(), &Quiet).unwrap()
}

fn score(file: &std::path::Path, rate: u32, hits: &[Hit]) -> Tally {
    let starts: Vec<f64> = hits.iter().map(|h| h.start as f64 / f64::from(rate)).collect();
    Tally::of(&truth(&file.with_extension("csv")), &starts)
}

#[test]
fn hits_are_found_in_noise() {
    let takes = takes();
    for (below_db, floor) in [(20.0, 0.96), (10.0, 0.92)] {
        let mut sum = Tally::default();
        for (i, (file, rate, clean)) in takes.iter().enumerate() {
            let gain = (rms(clean) * db_to_gain(-below_db)) as f32;
            let noise = pink(clean.len(), i as u64);
            let noisy = clean.iter().zip(&noise).map(|(x, n)| x + gain * n).collect();
            sum.add(&score(file, *rate, &hits(*rate, noisy)));
        }
        let (recall, precision) = (sum.recall(), sum.precision());
        println!(
            "noise {below_db} dB below: recall {recall:.3}, precision {precision:.3}, F {:.3}",
            sum.f_measure()
        );
        assert!(sum.f_measure() >= floor, "noise {below_db} dB below: F {:.4}", sum.f_measure());
        assert!(precision >= 0.98, "noise {below_db} dB below: precision {precision:.4}");
    }
}

#[test]
fn noise_alone_has_at_most_one_hit_in_30_s() {
    let rate = 44_100;
    for seed in 0..4 {
        let noise = pink(30 * rate as usize, seed);
        for (what, speed) in [("steady", 0.0), ("waving", 0.7)] {
            let wave = |i: usize| 1.0 + 0.3 * (i as f32 / rate as f32 * speed * std::f32::consts::TAU).sin();
            let samples = noise.iter().enumerate().map(|(i, x)| 0.1 * wave(i) * x).collect();
            let found = hits(rate, samples);
            assert!(found.len() <= 1, "{what} noise {seed}: {} hits in 30 s", found.len());
        }
    }
}

/// At -40 dB in 16 bit the rounding is loud beside the hits; it is no hit itself.
#[test]
fn very_quiet_recordings_in_16_bit_have_the_same_hits() {
    let mut sum = Tally::default();
    for (file, rate, clean) in takes() {
        let peak = clean.iter().fold(0.0f32, |a, x| a.max(x.abs()));
        let quiet = |x: &f32| (x / peak * 327.67).round() / 32_768.0;
        let tally = score(&file, rate, &hits(rate, clean.iter().map(quiet).collect()));
        println!("{}: {} of {}, {} false", file.display(), tally.matched, tally.truth, tally.false_hits);
        sum.add(&tally);
    }
    println!("at -40 dB in 16 bit: {} false, F {:.3}", sum.false_hits, sum.f_measure());
    assert!(
        sum.f_measure() >= 0.98 && sum.false_hits <= 5,
        "F {:.4}, {} false",
        sum.f_measure(),
        sum.false_hits
    );
}

#[test]
fn where_background_sets_in_is_no_hit() {
    for name in ["d01_steel_guitar", "d04_nylon_guitar", "d09_guitar_noises"] {
        let file = recordings(&format!("takes/{name}.flac"));
        let take = Take::read(&file, &Quiet).unwrap();
        let rate = take.sample_rate;
        // a silence with the rounding of 16 bits, then the recording with its own noise, 20 s of it
        let lead = (1.5 * f64::from(rate)) as usize;
        let recording = take.channels[0].iter().take(20 * rate as usize);
        let samples: Vec<f32> = std::iter::repeat_n(&0.0, lead).chain(recording).copied().collect();
        let first = truth(&file.with_extension("csv"))[0].time_s + 1.5;
        let kinds: [(&str, &dyn Fn(usize) -> f32); 3] = [
            ("noise", &|i| 0.0003 * ((i as u32).wrapping_mul(2_654_435_761) as f32 / 2_147_483_648.0 - 1.0)),
            ("hum", &|i| 0.003 * (i as f32 / rate as f32 * 314.159_27).sin()),
            ("rounding", &|_| 0.0),
        ];
        for (kind, background) in kinds {
            let with =
                samples.iter().enumerate().map(|(i, x)| ((x + background(i)) * 32_768.0).round() / 32_768.0);
            let early: Vec<f64> = hits(rate, with.collect())
                .iter()
                .map(|h| h.start as f64 / f64::from(rate))
                .filter(|t| *t < first - 0.06)
                .collect();
            assert!(early.is_empty(), "{name} with {kind}: hits at {early:?}, the first is at {first:.2} s");
        }
    }
}

/// The mean of all channels of a recording, with the time of its first hit.
fn mono(name: &str) -> (u32, Vec<f32>, f64) {
    let file = recordings(&format!("takes/{name}.flac"));
    let take = Take::read(&file, &Quiet).unwrap();
    (take.sample_rate, take.channels[0].clone(), truth(&file.with_extension("csv"))[0].time_s)
}

/// Hum with harmonics, white, pink and brown noise, of a root mean square of 1.
fn backgrounds(length: usize, rate: u32) -> [(&'static str, Vec<f32>); 5] {
    let hum = |hz: f64| {
        (0..length).map(move |i| {
            let t = i as f64 / f64::from(rate);
            (1..8).map(|k| (std::f64::consts::TAU * hz * f64::from(k) * t).sin() as f32 / k as f32).sum()
        })
    };
    let mut random = Pcg64Mcg::seed_from_u64(5);
    let white: Vec<f32> = (0..length).map(|_| random.random_range(-1.0..1.0)).collect();
    let mut last = 0.0;
    let brown = white.iter().map(|x| {
        last = 0.995 * last + x;
        last
    });
    let brown = brown.collect();
    [
        ("hum of 50 Hz", hum(50.0).collect()),
        ("hum of 60 Hz", hum(60.0).collect()),
        ("white", white),
        ("pink", pink(length, 6)),
        ("brown", brown),
    ]
    .map(|(kind, samples): (_, Vec<f32>)| {
        let level = rms(&samples) as f32;
        (kind, samples.iter().map(|x| x / level).collect())
    })
}

/// Behind digital silence, and where the take begins in it: 240 variants. Of 72 of them 48 had a false hit before there was
/// a rule for background that stays; 10 of all had one while silence counted as a recording's own noise. None has now; two
/// may, since what sets in just before a hit is hard to tell.
#[test]
fn background_that_sets_in_and_stays_is_no_hit() {
    let mut false_hits = Vec::new();
    for name in ["d01_steel_guitar", "d02_electric_guitar", "d04_nylon_guitar", "d06_tabla"] {
        let (rate, clean, first) = mono(name);
        let recording = &clean[..10 * rate as usize];
        for (kind, background) in backgrounds(recording.len(), rate) {
            for level_db in [-60.0_f32, -52.0, -40.0] {
                for silence_s in [0.0, 0.5, 3.0, 5.0] {
                    let with = recording.iter().zip(&background).map(|(x, b)| x + db_to_gain(level_db) * b);
                    let silence = std::iter::repeat_n(0.0, (silence_s * f64::from(rate)) as usize);
                    let start = silence_s + first - 0.06;
                    let found = hits(rate, silence.chain(with).collect());
                    let early: Vec<f64> = found.iter().map(|h| h.start as f64 / f64::from(rate)).collect();
                    let early: Vec<f64> = early.into_iter().filter(|t| *t < start).collect();
                    if !early.is_empty() {
                        false_hits
                            .push(format!("{name}, {kind} {level_db} dB after {silence_s} s: {early:.2?}"));
                    }
                }
            }
        }
    }
    println!("{} of 240: {false_hits:#?}", false_hits.len());
    assert!(false_hits.len() <= 2, "{false_hits:#?}");
}

/// A recording in noise has the same hits, wherever an editor or a host has put it.
#[test]
fn digital_silence_before_a_recording_changes_no_hit_in_it() {
    for (i, (file, rate, clean)) in takes().into_iter().enumerate() {
        let gain = (rms(&clean) * db_to_gain(-30.0)) as f32;
        let noise = pink(clean.len(), i as u64);
        let noisy: Vec<f32> = clean.iter().zip(&noise).map(|(x, n)| x + gain * n).collect();
        let silence = 3 * rate as usize;
        // what begins in the noise may be a hit or none at its very beginning
        let starts = |hits: Vec<Hit>, from: usize| -> Vec<u64> {
            hits.iter().filter_map(|h| h.start.checked_sub(from as u64)).filter(|s| *s > 2000).collect()
        };
        let moved = hits(rate, std::iter::repeat_n(0.0, silence).chain(noisy.iter().copied()).collect());
        assert_eq!(starts(moved, silence), starts(hits(rate, noisy), 0), "{}", file.display());
    }
}

#[test]
fn first_hits_after_digital_silence_are_kept() {
    for (file, rate, clean) in takes() {
        for hit in truth(&file.with_extension("csv")).iter().step_by(4) {
            let from = ((hit.time_s - 0.002).max(0.0) * f64::from(rate)) as usize;
            let part = clean[from..].iter().take(6 * rate as usize).copied();
            let found = hits(rate, std::iter::repeat_n(0.0, rate as usize).chain(part).collect());
            let first = found.first().map_or(f64::MAX, |h| h.start as f64 / f64::from(rate));
            assert!((first - 1.0).abs() < 0.03, "{} at {:.2} s: {first:.3} s", file.display(), hit.time_s);
        }
    }
}
