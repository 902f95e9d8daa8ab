//! Compressor, limiter and ceiling against the published formula, an independent meter and their own
//! promises.

use kitwright::engine::dsp::{
    ceiling::Ceiling,
    compressor::{Compressor, Curve, static_gain_db},
    limiter::{Limiter, lookahead_frames},
};
use std::f64::consts::TAU;

const RATE: f64 = 48_000.0;

fn curve() -> Curve {
    Curve { threshold_db: -20.0, ratio: 4.0, knee_db: 6.0, attack_ms: 10.0, release_ms: 100.0 }
}

/// Giannoulis, Massberg, Reiss (2012), equation 4, written out as printed.
fn published(x: f64, t: f64, r: f64, w: f64) -> f64 {
    if 2.0 * (x - t) < -w {
        x
    } else if 2.0 * (x - t).abs() <= w && w > 0.0 {
        x + (1.0 / r - 1.0) * (x - t + w / 2.0).powi(2) / (2.0 * w)
    } else {
        t + (x - t) / r
    }
}

#[test]
fn static_curve_is_within_a_tenth_of_a_db_of_the_formula() {
    for knee in [0.0, 6.0, 24.0] {
        for ratio in [1.0, 2.0, 4.0, 20.0] {
            for level in -80..=12 {
                let level = f64::from(level);
                let exact = published(level, -20.0, ratio, knee);
                let direct =
                    level + f64::from(static_gain_db(level as f32, -20.0, ratio as f32, knee as f32));
                assert!((direct - exact).abs() < 1e-3);
                // The whole compressor on a steady level.
                let c = Curve { ratio: ratio as f32, knee_db: knee as f32, attack_ms: 1.0, ..curve() };
                let x = vec![10f32.powf(level as f32 / 20.0); 4800];
                let mut gains = vec![0.0; 4800];
                Compressor::new(c, RATE).gains(&x, &x, &mut gains);
                let made = level + 20.0 * f64::from(gains[4799]).log10();
                assert!(
                    (made - exact).abs() < 0.1,
                    "{level} dB, {ratio}:1, knee {knee}: {made:.3} {exact:.3}"
                );
            }
        }
    }
}

/// Frames until 63 % of the way from the first to the last reduction (dB) is done.
fn frames_to_63(reductions: &[f64]) -> usize {
    let (from, to) = (reductions[0], *reductions.last().unwrap());
    let goal = from + (to - from) * (1.0 - (-1f64).exp());
    reductions.iter().position(|x| (x - goal) * (to - from).signum() >= 0.0).unwrap()
}

#[test]
fn times_are_63_percent_of_a_step() {
    for rate in [44_100.0, 48_000.0, 192_000.0] {
        for (attack, release) in [(10.0f32, 100.0f32), (25.0, 120.0), (0.5, 50.0), (60.0, 150.0)] {
            let c = Curve { attack_ms: attack, release_ms: release, ..curve() };
            let mut compressor = Compressor::new(c, rate);
            let n = rate as usize * 2;
            let mut step = |level: f32| {
                let x = vec![level; n];
                let mut gains = vec![0.0; n];
                compressor.gains(&x, &x, &mut gains);
                gains.iter().map(|&g| -20.0 * f64::from(g).log10()).collect::<Vec<_>>()
            };
            step(0.001);
            let ms = |frames: usize| frames as f64 / rate * 1000.0;
            let a = ms(frames_to_63(&step(1.0)));
            let r = ms(frames_to_63(&step(0.001)));
            // 1 % and the frame that counting frames may be off by.
            let right = |made: f64, stated: f32| {
                let stated = f64::from(stated);
                (made - stated).abs() < 0.01 * stated + 1000.0 / rate
            };
            assert!(right(a, attack), "attack {attack}: {a:.3} ms at {rate}");
            assert!(right(r, release), "release {release}: {r:.3} ms at {rate}");
        }
    }
}

/// Pseudo-random numbers within ±1.
fn noise(seed: u32) -> impl FnMut() -> f32 {
    let mut s = seed;
    move || {
        s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (s >> 8) as f32 / 8_388_608.0 - 1.0
    }
}

/// Hits of noise and sines, 18 dB over.
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
fn limiter_never_passes_its_threshold_with_or_without_a_future() {
    for rate in [44_100.0, 48_000.0, 384_000.0] {
        let far = lookahead_frames(rate);
        let x = loud(40_000 + far, rate);
        for ahead in [0, far / 3, far] {
            let mut limiter = Limiter::new(-6.0, 60.0, 0.0, rate);
            let (mut l, mut r) = (x.clone(), x.iter().map(|x| -0.5 * x).collect::<Vec<_>>());
            let (dry_l, dry_r) = (l.clone(), r.clone());
            let mut most = 0.0f32;
            for from in (0..40_000).step_by(100) {
                let to = from + 100;
                let future = [&dry_l[to..to + ahead], &dry_r[to..to + ahead]];
                limiter.process(&mut l[from..to], &mut r[from..to], future);
                most = l[from..to].iter().chain(&r[from..to]).fold(most, |a, x| a.max(x.abs()));
            }
            let threshold = 10f32.powf(-6.0 / 20.0);
            assert!(most <= threshold * 1.000_001, "{most} over {threshold}, ahead {ahead}");
            assert!(most > threshold * 0.99);
        }
    }
}

#[test]
fn limiter_arrives_by_a_ramp_when_it_sees_the_peak_coming() {
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
    let full = 1.0 - 10f32.powf(-6.0 / 20.0);
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

/// True peak at 16 times the rate, by a long windowed sinc; the check of our own.
fn true_peak_16(x: &[f32]) -> f64 {
    const SIDE: i64 = 32;
    let mut peak = 0.0f64;
    for phase in 0..16 {
        let taps: Vec<f64> = (-SIDE + 1..=SIDE)
            .map(|k| {
                let t = k as f64 - f64::from(phase) / 16.0;
                let w = (TAU / 4.0 * t / SIDE as f64).cos().powi(2);
                if t == 0.0 { 1.0 } else { (TAU / 2.0 * t).sin() / (TAU / 2.0 * t) * w }
            })
            .collect();
        for i in 0..x.len() {
            let y: f64 = taps
                .iter()
                .zip(-SIDE + 1..=SIDE)
                .map(|(h, k)| {
                    let at = i as i64 + k;
                    if at < 0 { 0.0 } else { h * f64::from(x.get(at as usize).copied().unwrap_or(0.0)) }
                })
                .sum();
            peak = peak.max(y.abs());
        }
    }
    20.0 * peak.log10()
}

fn true_peak_ebur128(l: &[f32], r: &[f32], rate: u32) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, rate, ebur128::Mode::TRUE_PEAK).unwrap();
    meter.add_frames_planar_f32(&[l, r]).unwrap();
    let peak = meter.true_peak(0).unwrap().max(meter.true_peak(1).unwrap());
    20.0 * peak.log10()
}

/// Material that is hard on a ceiling: bursts of tones that start at their worst phase, noise, clicks,
/// square waves, and low tones.
fn nasty(kind: usize, frames: usize, rate: f64) -> Vec<f32> {
    let mut n = noise(kind as u32 + 1);
    (0..frames)
        .map(|i| {
            let since = i % 700;
            let t = since as f64;
            let level = 4.0;
            let x = match kind {
                0 => (TAU / 4.0 * t + TAU / 8.0).sin(),
                1 => (TAU * 11_000.0 / rate * t + 0.7).sin(),
                2 => (TAU * 17_000.0 / rate * t + 0.3).sin(),
                3 => f64::from(n()),
                4 => f64::from(n()).signum(),
                5 => (TAU * 60.0 / rate * i as f64).sin(),
                6 => (TAU * 1000.0 / rate * t).sin().signum(),
                _ => {
                    if since == 0 {
                        1.0
                    } else if since == 1 {
                        -1.0
                    } else {
                        0.0
                    }
                }
            };
            (x * level) as f32 * if since < 400 { 1.0 } else { 0.1 }
        })
        .collect()
}

#[test]
fn ceiling_holds_the_true_peak_within_a_tenth_of_a_db() {
    let mut worst = (-100.0f64, -100.0f64);
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        for kind in 0..8 {
            let (mut l, mut r) = (nasty(kind, 6000, rate), nasty((kind + 3) % 8, 6000, rate));
            let mut ceiling = Ceiling::new(-1.0, rate);
            for (l, r) in l.chunks_mut(64).zip(r.chunks_mut(64)) {
                ceiling.process(l, r);
            }
            let by_meter = true_peak_ebur128(&l, &r, rate as u32);
            let own = true_peak_16(&l).max(true_peak_16(&r));
            println!("kind {kind} at {rate}: {by_meter:.3} dBTP by ebur128, {own:.3} by 16 times");
            worst = (worst.0.max(by_meter), worst.1.max(own));
        }
    }
    println!("ceiling -1 dBTP: at most {:.3} dBTP by ebur128, {:.3} by 16 times", worst.0, worst.1);
    assert!(worst.0 <= -0.9 && worst.1 <= -0.9);
}

#[test]
fn ceiling_leaves_what_lies_below_it_bit_for_bit() {
    let mut n = noise(5);
    let x: Vec<f32> = (0..5000).map(|_| 0.3 * n()).collect();
    let (mut l, mut r) = (x.clone(), x.clone());
    Ceiling::new(-1.0, RATE).process(&mut l, &mut r);
    assert_eq!(l, x);
}

#[test]
fn ceiling_lets_no_nan_or_infinity_out() {
    let mut l = vec![0.1, f32::NAN, f32::INFINITY, 0.2, f32::MAX, 1e30, 0.0, 0.1];
    let mut r = vec![0.1, 0.1, f32::NEG_INFINITY, 0.2, f32::MIN, -1e30, 0.0, 0.1];
    Ceiling::new(-1.0, RATE).process(&mut l, &mut r);
    assert!(l.iter().chain(&r).all(|x| x.is_finite() && x.abs() <= 0.9), "{l:?}");
}

#[test]
fn ceiling_does_not_depend_on_chunks() {
    let x = nasty(3, 5000, RATE);
    let run = |chunk: usize| {
        let (mut l, mut r) = (x.clone(), x.clone());
        let mut ceiling = Ceiling::new(-3.0, RATE);
        l.chunks_mut(chunk).zip(r.chunks_mut(chunk)).for_each(|(l, r)| ceiling.process(l, r));
        l
    };
    assert!(run(1) == run(5000) && run(77) == run(5000));
}

#[test]
fn a_ceiling_on_its_way_down_neither_drops_out_nor_is_exceeded_for_long() {
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
