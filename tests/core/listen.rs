//! Detection of hits in synthesised sounds, whose onsets are known.

use crate::listen_support::synth::{between, burst, hiss, hum, narrow, place, struck};
use kitwright_core::{
    error::Error,
    listen::{DetectOptions, Hit, detect},
    progress::{Flag, Progress, Quiet},
    take::Take,
    units::db_to_gain,
};
use proptest::prelude::*;
use rand_pcg::{Pcg64, rand_core::SeedableRng};
use std::sync::{Mutex, atomic::Ordering};

/// A hit starts at most this long before its true onset, seconds.
const MAX_EARLY_S: f64 = 0.002;

fn mono(rate: u32, samples: &[f64]) -> Take {
    Take::from_samples("made here", rate, vec![narrow(samples)])
}

fn detected(take: &Take) -> Vec<Hit> {
    detect(take, &DetectOptions::default(), &Quiet).unwrap()
}

fn starts(take: &Take) -> Vec<u64> {
    detected(take).iter().map(|h| h.start).collect()
}

/// Each hit starts no more than 2 ms early and before 1 % of the energy of its first 10 ms is over.
fn assert_sample_true(hits: &[Hit], truth: &[usize], sounds: &[f64], rate: f64, what: &str) {
    let at: Vec<f64> = hits.iter().map(|h| h.start as f64 / rate).collect();
    assert_eq!(hits.len(), truth.len(), "{what}: detected at {at:?}, true {:?}", seconds(truth, rate));
    for (hit, &true_start) in hits.iter().zip(truth) {
        let start = hit.start as usize;
        let early = true_start as f64 - start as f64;
        assert!(early <= MAX_EARLY_S * rate, "{what}: {:.2} ms early", early / rate * 1000.0);
        let attack = &sounds[true_start..(true_start + (0.01 * rate) as usize).min(sounds.len())];
        let cut = attack.len().min(start.saturating_sub(true_start));
        let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
        let share = energy(&attack[..cut]) / energy(attack);
        assert!(share < 0.01, "{what}: {:.1} % of the attack cut", share * 100.0);
    }
}

fn seconds(frames: &[usize], rate: f64) -> Vec<f64> {
    frames.iter().map(|&f| f as f64 / rate).collect()
}

/// Strokes of two kinds over 35 dB with hiss: `(with noise, strokes alone, true starts)`.
fn strokes(rate: f64, noise_db: f64, seed: u64) -> (Vec<f64>, Vec<f64>, Vec<usize>) {
    let mut random = Pcg64::seed_from_u64(seed);
    let length = (rate * 6.0) as usize;
    let mut alone = vec![0.0; length];
    let mut truth = Vec::new();
    let mut t = 0.3;
    while t < 5.4 {
        let at = (t * rate) as usize;
        let level = between(&mut random, -36.0, -3.0);
        let sound = if truth.len() % 2 == 0 {
            struck(rate, between(&mut random, 90.0, 900.0), between(&mut random, 0.02, 0.06), 0.5)
        } else {
            burst(rate, between(&mut random, 0.01, 0.03), 0.3, seed + truth.len() as u64)
        };
        place(&mut alone, &sound, at, level);
        truth.push(at);
        t += between(&mut random, 0.4, 0.8);
    }
    let mut all = hiss(length, noise_db, seed + 99);
    all.iter_mut().zip(&alone).for_each(|(x, y)| *x += y);
    (all, alone, truth)
}

#[test]
fn strokes_over_35_db_start_to_the_sample_at_every_rate() {
    for rate in [8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000] {
        let (all, alone, truth) = strokes(f64::from(rate), -75.0, u64::from(rate));
        let hits = detected(&mono(rate, &all));
        assert_sample_true(&hits, &truth, &alone, f64::from(rate), &format!("at {rate} Hz"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn strokes_at_any_time_and_level_are_found_over_any_floor(
        seed in 0u64..1_000_000,
        noise_db in -95.0..-65.0f64,
        rate in prop::sample::select(vec![22_050u32, 44_100, 48_000, 96_000]),
    ) {
        let (all, alone, truth) = strokes(f64::from(rate), noise_db, seed);
        let hits = detected(&mono(rate, &all));
        assert_sample_true(&hits, &truth, &alone, f64::from(rate), "any floor");
    }

    #[test]
    fn hits_stay_in_order_within_the_take_whatever_it_holds(
        samples in prop::collection::vec(-1.5f32..1.5, 0..6000),
        rate in prop::sample::select(vec![8_000u32, 44_100, 192_000, 384_000]),
        channels in 1usize..3,
        sensitivity in -1.0f32..1.0,
    ) {
        let take = Take::from_samples("any", rate, vec![samples; channels]);
        let options = DetectOptions { sensitivity, ..DetectOptions::default() };
        let hits = detect(&take, &options, &Quiet).unwrap();
        let mut last = 0;
        for hit in &hits {
            prop_assert!(hit.start >= last && hit.end > hit.start && hit.end <= take.frames() as u64);
            last = hit.end;
            let d = &hit.description;
            let numbers = [d.peak_db, d.true_peak_db, d.loudness_lufs, d.attack_ms, d.decay_20_ms, d.decay_60_ms,
                d.centroid_hz, d.rolloff_hz, d.flatness, d.crest_db, d.zero_crossings_hz, d.pitch_confidence];
            prop_assert!(numbers.iter().chain(d.bands_db.iter().flatten()).all(|x| x.is_finite()));
        }
    }
}

#[test]
fn gain_and_polarity_keep_the_starts() {
    let (all, _, truth) = strokes(44_100.0, -70.0, 5);
    let at = starts(&mono(44_100, &all.iter().map(|x| x * 0.1).collect::<Vec<_>>()));
    assert_eq!(at.len(), truth.len());
    let changed = |gain: f64| starts(&mono(44_100, &all.iter().map(|x| x * 0.1 * gain).collect::<Vec<_>>()));
    assert_eq!(changed(-1.0), at, "polarity");
    for db in [-20.0, 20.0] {
        let other = changed(db_to_gain(db));
        assert_eq!(other.len(), at.len(), "{db} dB");
        // Takes have 24 bits, so the quietest samples differ: a quarter of a millisecond.
        for (a, b) in at.iter().zip(&other) {
            assert!(a.abs_diff(*b) <= 11, "{db} dB moved a hit from {a} to {b}");
        }
    }
}

#[test]
fn channels_of_opposite_polarity_have_the_hits_of_one_channel() {
    let (all, alone, truth) = strokes(48_000.0, -75.0, 8);
    let x = narrow(&all);
    let inverted: Vec<f32> = x.iter().map(|v| -v).collect();
    let silent = vec![0.0; x.len()];
    let one = starts(&Take::from_samples("mono", 48_000, vec![x.clone()]));
    for (name, pair) in [("inverted", [x.clone(), inverted]), ("one silent", [silent, x])] {
        let hits = detected(&Take::from_samples(name, 48_000, pair.to_vec()));
        assert_sample_true(&hits, &truth, &alone, 48_000.0, name);
        assert_eq!(hits.iter().map(|h| h.start).collect::<Vec<_>>(), one, "{name}");
    }
}

#[test]
fn dc_offset_hum_and_hiss_add_no_hits() {
    let (all, alone, truth) = strokes(48_000.0, -66.0, 3);
    let mut loud = all.clone();
    place(&mut loud, &hum(all.len(), 48_000.0, -55.0), 0, 0.0);
    loud.iter_mut().for_each(|x| *x = (*x + 0.2) * 0.7);
    // Hits softer than the hum are masked by it; every other one must be there, and nothing else.
    let level = |at: usize| alone[at..at + 480].iter().fold(0.0f64, |a, x| a.max(x.abs()));
    let audible: Vec<usize> = truth.iter().copied().filter(|&t| level(t) > db_to_gain(-36.0)).collect();
    let found = starts(&mono(48_000, &loud));
    for t in &audible {
        assert!(found.iter().any(|f| f.abs_diff(*t as u64) < 96), "the hit at {t} is missing: {found:?}");
    }
    for f in &found {
        assert!(truth.iter().any(|t| f.abs_diff(*t as u64) < 480), "false hit at {f}");
    }
}

#[test]
fn flams_are_two_hits_and_a_roll_is_many() {
    let rate = 48_000.0;
    for gap_ms in [22.0, 30.0, 40.0, 50.0] {
        let mut x = hiss((rate * 1.5) as usize, -75.0, 1);
        let (a, b) = (24_000, 24_000 + (gap_ms * 48.0) as usize);
        place(&mut x, &burst(rate, 0.012, 0.2, 11), a, -14.0);
        place(&mut x, &burst(rate, 0.012, 0.2, 12), b, -6.0);
        let found = starts(&mono(48_000, &x));
        assert_eq!(found.len(), 2, "{gap_ms} ms apart: {found:?}");
        assert!(found[1].abs_diff(b as u64) < 96, "{gap_ms} ms apart: {found:?}, true {a} {b}");
    }
    let mut x = hiss((rate * 2.0) as usize, -75.0, 2);
    for k in 0..10 {
        place(&mut x, &struck(rate, 220.0, 0.05, 0.3), 24_000 + k * 3_600, -16.0 + k as f64);
    }
    assert_eq!(starts(&mono(48_000, &x)).len(), 10, "ten strokes 75 ms apart");
}

#[test]
fn a_strum_is_one_hit_with_its_strings_inside() {
    let rate = 48_000.0;
    let mut x = hiss((rate * 3.0) as usize, -75.0, 4);
    for (k, hz) in [82.4, 110.0, 146.8, 196.0, 246.9, 329.6].into_iter().enumerate() {
        let string = crate::listen_support::synth::karplus_strong(rate, (rate / hz) as usize, 1.5, k as u64);
        place(&mut x, &string, 48_000 + k * 480, -12.0);
    }
    let hits = detected(&mono(48_000, &x));
    assert_eq!(hits.len(), 1, "{:?}", hits.iter().map(|h| h.start).collect::<Vec<_>>());
    assert!(hits[0].start.abs_diff(48_000) <= 96);
    assert!(hits[0].description.strokes >= 4, "{} strokes of 6", hits[0].description.strokes);
}

#[test]
fn a_swelling_sound_is_one_hit_from_where_it_becomes_audible() {
    let rate = 48_000.0;
    for seed in 0..8 {
        let mut x = hiss((rate * 3.0) as usize, -70.0, seed + 4);
        let bowed: Vec<f64> = burst(rate, 1e9, 1.0, seed + 21)
            .iter()
            .enumerate()
            .map(|(i, v)| v * (i as f64 / (0.1 * rate)).min(1.0).powi(2) * (1.0 - i as f64 / rate))
            .collect();
        place(&mut x, &bowed, 48_000, -14.0);
        let found = starts(&mono(48_000, &x));
        assert_eq!(found.len(), 1, "seed {seed}: {found:?}");
        // It passes the hiss 4 ms after it begins, and -26 dB of its own maximum after 22 ms.
        let late_ms = (found[0] as f64 - 48_000.0) / 48.0;
        assert!((0.0..22.0).contains(&late_ms), "seed {seed}: {late_ms:.1} ms after its beginning");
    }
}

#[test]
fn every_stroke_of_the_invented_take_is_a_hit() {
    let (take, truth) = kitwright_core::demo::borrowed_cello(1);
    let found: Vec<f64> = starts(&take).iter().map(|&s| s as f64 / f64::from(take.sample_rate)).collect();
    for t in &truth {
        assert!(found.iter().any(|f| (f - t).abs() <= 0.025), "the stroke at {t:.3} s is missing");
    }
    // A scrape's grain or two may count as hits of their own.
    assert!(found.len() <= truth.len() + 2, "{} hits for {} strokes", found.len(), truth.len());
}

#[test]
fn hits_end_by_decay_by_the_next_hit_or_by_a_gate() {
    let rate = 48_000.0;
    let mut x = hiss((rate * 3.0) as usize, -80.0, 4);
    place(&mut x, &struck(rate, 200.0, 0.1, 1.5), 24_000, -6.0);
    place(&mut x, &struck(rate, 200.0, 0.1, 1.5), 96_000, -6.0);
    place(&mut x, &struck(rate, 300.0, 0.1, 0.7), 105_600, -6.0);
    let take = mono(48_000, &x);
    let hits = detected(&take);
    assert_eq!(hits.len(), 3);
    // -6 dB peak, so -14 dB RMS with two partials, to -78 dB at 8.7 dB per 0.1 s: near 0.74 s.
    let seconds = (hits[0].end - hits[0].start) as f64 / rate;
    assert!((0.6..0.85).contains(&seconds), "decayed after {seconds} s");
    assert_eq!(hits[1].end, hits[2].start, "the next hit ends the one before");
    let end = hits[0].end as usize;
    let (before, after) = (take.channels[0][end - 1], take.channels[0][end]);
    assert!(before < 0.0 && after >= 0.0, "not in the middle of a cycle: {before} {after}");

    let gated =
        detect(&take, &DetectOptions { gate_db: Some(20.0), ..DetectOptions::default() }, &Quiet).unwrap();
    let seconds = (gated[0].end - gated[0].start) as f64 / rate;
    assert!((0.2..0.3).contains(&seconds), "20 dB down after 0.23 s, gated at {seconds} s");
}

#[test]
fn more_sensitivity_never_gives_fewer_hits() {
    // This noise masks half of the strokes.
    let (all, _, _) = strokes(44_100.0, -36.0, 77);
    let take = mono(44_100, &all);
    let counts: Vec<usize> = [-1.0, -0.5, 0.0, 0.5, 1.0]
        .map(|sensitivity| {
            detect(&take, &DetectOptions { sensitivity, ..DetectOptions::default() }, &Quiet).unwrap().len()
        })
        .to_vec();
    assert!(counts.is_sorted(), "{counts:?}");
    assert!(counts[0] < counts[4], "{counts:?}");
}

#[test]
fn takes_without_hits_have_none() {
    let second = 48_000;
    let sine: Vec<f64> =
        (0..4 * second).map(|i| 0.3 * (std::f64::consts::TAU * 440.0 * i as f64 / 48_000.0).sin()).collect();
    assert!(starts(&mono(48_000, &[])).is_empty(), "nothing at all");
    assert!(starts(&mono(48_000, &vec![0.0; 2 * second])).is_empty(), "silence");
    assert!(starts(&mono(48_000, &vec![0.4; 2 * second])).is_empty(), "direct current");
    // What starts with the take may count as one hit; nothing inside may.
    for (name, samples) in [
        ("loud noise", hiss(4 * second, -20.0, 1)),
        ("soft noise", hiss(4 * second, -70.0, 2)),
        ("a sine", sine),
        ("hum", hum(4 * second, 48_000.0, -30.0)),
    ] {
        let inside: Vec<u64> = starts(&mono(48_000, &samples)).into_iter().filter(|&s| s > 2_400).collect();
        assert!(inside.is_empty(), "{name}: {inside:?}");
    }
}

#[test]
fn a_click_and_a_take_of_20_ms_are_one_hit() {
    let mut click = vec![0.0; 48_000];
    click[20_000] = 0.9;
    let found = starts(&mono(48_000, &click));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((19_904..=20_000).contains(&found[0]), "{found:?}");
    for rate in [8_000u32, 44_100, 192_000] {
        let short = struck(f64::from(rate), 500.0, 0.01, 0.02);
        assert_eq!(starts(&mono(rate, &short)), [0], "20 ms at {rate} Hz");
    }
}

#[test]
fn clipping_throughout_still_gives_the_strokes() {
    let (all, _, truth) = strokes(48_000.0, -75.0, 13);
    let clipped: Vec<f64> = all.iter().map(|x| (x * 60.0).clamp(-1.0, 1.0)).collect();
    let found = starts(&mono(48_000, &clipped));
    for t in &truth {
        assert!(found.iter().any(|f| f.abs_diff(*t as u64) < 96), "the stroke at {t} is missing: {found:?}");
    }
    assert!(found.len() <= truth.len() + 2, "{} hits for {} strokes", found.len(), truth.len());
}

#[test]
fn a_take_of_thirty_minutes_has_all_hits_of_its_repeated_stretch() {
    let (all, _, truth) = strokes(8_000.0, -70.0, 21);
    let long: Vec<f64> = all.iter().copied().cycle().take(8_000 * 1_800).collect();
    let found = starts(&mono(8_000, &long));
    assert_eq!(found.len(), truth.len() * 300);
}

#[test]
fn detection_reports_its_progress_and_can_be_cancelled() {
    struct Watched {
        reports: Mutex<Vec<f32>>,
        stop_at: f32,
    }
    impl Progress for Watched {
        fn report(&self, _: &str, done: f32) {
            self.reports.lock().unwrap().push(done);
        }
        fn cancelled(&self) -> bool {
            self.reports.lock().unwrap().last().is_some_and(|&d| d >= self.stop_at)
        }
    }
    let take = mono(44_100, &strokes(44_100.0, -70.0, 5).0);
    let whole = Watched { reports: Mutex::default(), stop_at: 2.0 };
    detect(&take, &DetectOptions::default(), &whole).unwrap();
    let reports = whole.reports.into_inner().unwrap();
    assert!(reports.is_sorted() && reports.len() > 4 && reports.last() == Some(&1.0), "{reports:?}");

    let half = Watched { reports: Mutex::default(), stop_at: 0.5 };
    assert_eq!(detect(&take, &DetectOptions::default(), &half), Err(Error::Cancelled));
    let flag = Flag::default();
    flag.0.store(true, Ordering::Relaxed);
    assert_eq!(detect(&take, &DetectOptions::default(), &flag), Err(Error::Cancelled));
}
