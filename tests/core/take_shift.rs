//! The time-preserving pitch shift: pitch, level, timing, attacks.

use kitwright_core::{
    error::Error,
    progress::{Flag, Quiet},
    spectrum::hann_periodic,
    take::{LossyCodec, Take, shift::shift},
    units::{cents_to_ratio, gain_to_db, power_to_db, st_to_ratio},
};
use std::{f64::consts::TAU, sync::atomic::Ordering};

const RATE: u32 = 44_100;

fn take(channels: Vec<Vec<f32>>) -> Take {
    Take::from_samples("a take", RATE, channels)
}

fn tone(hz: f64, level: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|i| (level * (TAU * hz / f64::from(RATE) * i as f64).sin()) as f32).collect()
}

/// Amplitude of a frequency in a stretch (Hann window).
fn level(x: &[f32], hz: f64) -> f64 {
    let n = x.len();
    let (mut re, mut im) = (0.0, 0.0);
    for (i, &x) in x.iter().enumerate() {
        let w = 2.0 * hann_periodic(i, n);
        let (s, c) = (TAU * hz / f64::from(RATE) * i as f64).sin_cos();
        re += w * f64::from(x) * c;
        im += w * f64::from(x) * s;
    }
    2.0 * re.hypot(im) / n as f64
}

#[test]
fn tones_move_by_their_interval_and_keep_their_level() {
    for hz in [82.4, 440.0, 3000.0] {
        for st in [-12.0, -5.0, 7.0, 12.0] {
            let x = take(vec![tone(hz, 0.3, 80_000)]);
            let y = shift(&x, st, &Quiet).unwrap();
            assert_eq!(y.frames(), x.frames());
            let middle = &y.channels[0][20_000..60_000];
            let wanted = hz * st_to_ratio(st);
            let db = gain_to_db(level(middle, wanted) / 0.3);
            println!("{hz} Hz {st:+} st: {db:+.2} dB at {wanted:.1} Hz");
            assert!(db.abs() < 0.5, "{hz} Hz {st:+} st: {db:+.2} dB at {wanted:.1} Hz");
            // Within 3 cents: a level 6 cents off on either side is lower. Below 200 Hz 6 cents are less than 0.7 Hz,
            // too little to tell apart in a window of 0.9 s, whose bins are 1.1 Hz wide.
            let off = |cents: f64| level(middle, wanted * cents_to_ratio(cents));
            assert!(wanted < 200.0 || level(middle, wanted) > off(6.0).max(off(-6.0)));
            // The original tone is gone.
            assert!(level(middle, hz) < 0.3 * 0.02);
        }
    }
}

/// Decaying hits, the first at `first`, every `every` frames.
fn hits(frames: usize, first: usize, every: usize) -> Vec<f32> {
    let mut seed = 5u32;
    let mut x = vec![0.0f32; frames];
    for start in (first..frames).step_by(every) {
        for (i, y) in x[start..(start + every).min(frames)].iter_mut().enumerate() {
            let t = i as f64 / f64::from(RATE);
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(seed >> 8) / 8_388_608.0 - 1.0;
            let body = (TAU * 180.0 * t).sin() * (-t * 20.0).exp() + 0.5 * noise * (-t * 120.0).exp();
            *y += (0.4 * body) as f32;
        }
    }
    x
}

#[test]
fn hits_stay_on_their_frames_with_their_attacks() {
    let (first, every) = (11_025, 22_050);
    let x = take(vec![hits(132_300, first, every)]);
    for st in [-12.0, -7.0, 5.0] {
        let y = shift(&x, st, &Quiet).unwrap();
        let y = &y.channels[0];
        let energy = |from: usize, to: usize| y[from..to].iter().map(|x| f64::from(x * x)).sum::<f64>();
        let ms = |ms: usize| ms * RATE as usize / 1000;
        for start in (first..120_000).step_by(every) {
            let before = energy(start - ms(30), start - ms(4)) / 26.0;
            let after = energy(start, start + ms(20)) / 20.0;
            let db = power_to_db(before / after);
            println!("{st:+} st, hit at {start}: {db:.1} dB before it");
            assert!(db < -20.0, "{st:+} st, hit at {start}: {db:.1} dB before it");
            // The rise itself: the loudest 3 ms begin within 6 ms of the hit.
            let best = (start - ms(20)..start + ms(40))
                .step_by(20)
                .max_by(|&a, &b| energy(a, a + ms(3)).total_cmp(&energy(b, b + ms(3))));
            let late = best.unwrap() as i64 - start as i64;
            assert!(late.abs() <= ms(6) as i64, "{st:+} st: {late} frames");
        }
    }
}

#[test]
fn stereo_positions_stay() {
    let x = tone(300.0, 0.4, 60_000);
    let quiet: Vec<f32> = x.iter().map(|x| 0.25 * x).collect();
    let y = shift(&take(vec![x, quiet]), -12.0, &Quiet).unwrap();
    let [l, r] = [0, 1].map(|c| level(&y.channels[c][15_000..45_000], 150.0));
    assert!((l / r - 4.0).abs() < 0.05, "{}", l / r);
}

#[test]
fn a_shift_of_zero_changes_nothing() {
    let x = take(vec![hits(30_000, 1000, 9000)]).with_lossy(Some(LossyCodec::Mp3));
    let same = shift(&x, 0.0, &Quiet).unwrap();
    assert_eq!((same.channels, same.lossy), (x.channels, x.lossy));
}

#[test]
fn invalid_intervals_are_refused_and_the_shortest_takes_are_shifted() {
    let x = take(vec![tone(440.0, 0.5, 5000)]);
    for st in [f64::NAN, f64::INFINITY, 37.0, -100.0] {
        assert!(matches!(shift(&x, st, &Quiet), Err(Error::Invalid(_))));
    }
    assert_eq!(shift(&take(vec![vec![]]), -12.0, &Quiet).unwrap().frames(), 0);
    assert_eq!(shift(&take(vec![vec![0.5]]), -12.0, &Quiet).unwrap().frames(), 1);
    let stop = Flag::default();
    stop.0.store(true, Ordering::Relaxed);
    assert_eq!(shift(&x, -12.0, &stop).unwrap_err(), Error::Cancelled);
}
