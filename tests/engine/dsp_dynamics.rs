//! Compressor, limiter and ceiling against the published formula and an independent meter.

use crate::support::figures::dynamics::*;
use kitwright_core::{
    engine::dsp::{
        ceiling::Ceiling,
        limiter::{Limiter, lookahead_frames},
    },
    units::db_to_gain,
};
use std::f64::consts::TAU;

#[test]
fn static_curve_is_within_a_tenth_of_a_db_of_the_formula() {
    let (curve, compressor) = static_curve();
    println!("static curve: {curve:.5} dB off, the whole compressor {compressor:.4} dB");
    assert!(curve < 1e-3, "{curve}");
    assert!(compressor < 0.1, "{compressor}");
}

#[test]
fn times_are_63_percent_of_a_step() {
    let off = times();
    println!("times: {:.2} % off", off * 100.0);
    assert!(off < 0.01, "{off}");
}

#[test]
fn ceiling_holds_the_true_peak_within_a_tenth_of_a_db() {
    let (by_meter, own) = ceiling();
    println!("ceiling -1 dBTP: at most {by_meter:.3} dBTP by ebur128, {own:.3} by 16 times");
    assert!(by_meter <= -0.9 && own <= -0.9, "{by_meter:.3} {own:.3}");
}

/// Hits of noise and sines, 18 dB above full scale.
fn loud(frames: usize, rate: f64) -> Vec<f32> {
    let mut n = noise(7);
    (0..frames)
        .map(|i| {
            let since = (i % 9001) as f64 / rate;
            let tone = (TAU * 180.0 * since).sin() as f32 * 6.0;
            (tone + 2.0 * n()) * (-since * 30.0).exp() as f32
        })
        .collect()
}

#[test]
fn limiter_never_exceeds_its_threshold_with_or_without_lookahead() {
    for rate in [44_100.0, 48_000.0, 384_000.0] {
        let far = lookahead_frames(rate);
        let x = loud(40_000 + far, rate);
        for ahead in [0, far / 3, far] {
            let mut limiter = Limiter::new(-6.0, 60.0, 0.0, rate);
            let (mut l, mut r) = (x.clone(), x.iter().map(|x| -0.5 * x).collect::<Vec<_>>());
            let (dry_l, dry_r) = (l.clone(), r.clone());
            let mut max = 0.0f32;
            for from in (0..40_000).step_by(100) {
                let to = from + 100;
                let future = [&dry_l[to..to + ahead], &dry_r[to..to + ahead]];
                limiter.process(&mut l[from..to], &mut r[from..to], future);
                max = l[from..to].iter().chain(&r[from..to]).fold(max, |a, x| a.max(x.abs()));
            }
            let threshold = db_to_gain(-6.0_f32);
            assert!(max <= threshold * 1.000_001, "{max} over {threshold}, ahead {ahead}");
            assert!(max > threshold * 0.99);
        }
    }
}

#[test]
fn with_lookahead_the_limiters_gain_is_a_ramp_before_the_peak() {
    let far = lookahead_frames(RATE);
    let mut x = vec![0.25f32; 1000 + far];
    x[500..520].fill(1.0);
    let run = |ahead: usize| {
        let mut limiter = Limiter::new(-6.0, 60.0, 0.0, RATE);
        let (mut l, mut r) = (x.clone(), x.clone());
        let (head_l, _) = l.split_at_mut(1000);
        let (head_r, _) = r.split_at_mut(1000);
        limiter.process(head_l, head_r, [&x[1000..1000 + ahead], &x[1000..1000 + ahead]]);
        // Largest fall of the gain from one frame to the next.
        let gains: Vec<f32> = head_l.iter().zip(&x).map(|(y, x)| y / x).collect();
        gains.windows(2).map(|w| w[0] - w[1]).fold(0.0, f32::max)
    };
    let full = 1.0 - db_to_gain(-6.0_f32);
    assert!(run(far) < full / far as f32 * 1.05);
    assert!(run(0) > full * 0.99);
}

#[test]
fn limiter_does_not_depend_on_chunks() {
    let far = lookahead_frames(RATE);
    let x = loud(20_000 + far, RATE);
    for ahead in [0, far] {
        let run = |chunk: usize| {
            let mut limiter = Limiter::new(-12.0, 40.0, 6.0, RATE);
            let (mut l, mut r) = (x.clone(), x.clone());
            let mut from = 0;
            while from < 20_000 {
                let to = (from + chunk).min(20_000);
                let future = [&x[to..to + ahead], &x[to..to + ahead]];
                limiter.process(&mut l[from..to], &mut r[from..to], future);
                from = to;
            }
            l.truncate(20_000);
            l
        };
        let whole = run(20_000);
        for chunk in [1, 17, 64, 300] {
            assert!(run(chunk) == whole, "chunks of {chunk}, ahead {ahead}");
        }
    }
}

#[test]
fn ceiling_does_not_change_samples_below_it() {
    let mut n = noise(5);
    let x: Vec<f32> = (0..5000).map(|_| 0.3 * n()).collect();
    let (mut l, mut r) = (x.clone(), x.clone());
    Ceiling::new(-1.0, RATE).process(&mut l, &mut r);
    assert_eq!(l, x);
}

#[test]
fn ceiling_removes_nan_and_infinity() {
    let mut l = vec![0.1, f32::NAN, f32::INFINITY, 0.2, f32::MAX, 1e30, 0.0, 0.1];
    let mut r = vec![0.1, 0.1, f32::NEG_INFINITY, 0.2, f32::MIN, -1e30, 0.0, 0.1];
    Ceiling::new(-1.0, RATE).process(&mut l, &mut r);
    assert!(l.iter().chain(&r).all(|x| x.is_finite() && x.abs() <= 0.9), "{l:?}");
}

#[test]
fn ceiling_does_not_depend_on_chunks() {
    let x = stress_material(3, 5000, RATE);
    let run = |chunk: usize| {
        let (mut l, mut r) = (x.clone(), x.clone());
        let mut ceiling = Ceiling::new(-3.0, RATE);
        l.chunks_mut(chunk).zip(r.chunks_mut(chunk)).for_each(|(l, r)| ceiling.process(l, r));
        l
    };
    assert!(run(1) == run(5000) && run(77) == run(5000));
}

#[test]
fn a_falling_ceiling_makes_no_gap_and_holds_after_its_glide() {
    let (n, hz) = (9600, 1000.0);
    let x: Vec<f32> = (0..n).map(|i| (0.95 * (TAU * hz / RATE * i as f64).sin()) as f32).collect();
    let (mut l, mut r) = (x.clone(), x.clone());
    let mut ceiling = Ceiling::new(0.0, RATE);
    for (i, (l, r)) in l.chunks_mut(16).zip(r.chunks_mut(16)).enumerate() {
        // From 0 to -12 dBTP within 10 ms.
        let step = i.saturating_sub(150).min(30) as f32 / 30.0;
        ceiling.set(-12.0 * step);
        ceiling.process(l, r);
    }
    let peak = |x: &[f32]| x.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    for (i, period) in l.chunks(48).enumerate() {
        assert!(peak(period) > 0.15, "period {i}: {}", peak(period));
    }
    assert!(true_peak_16(&l[3200..9000]) < -11.9);
}
