//! Filters against their analogue prototypes (tests/reference/eq_reference.py, scipy.signal).

use crate::support::figures::filters::*;
use kitwright_core::{
    engine::dsp::{
        eq::{EqSection, Filter},
        svf::{Pass, Steepness, Svf},
    },
    units::power_to_db,
};
use std::f64::consts::TAU;

#[test]
fn ten_khz_bell_is_within_0_6_db_of_the_prototype_to_20_khz() {
    for gain in [12.0, -12.0] {
        let worst = ten_khz_bell(gain);
        println!("bell at 10 kHz, {gain} dB, Q 1, 48 kHz: {worst:.3} dB");
        assert!(worst <= 0.6, "{worst}");
    }
}

/// The error of the matched designs at 20 kHz is largest at the lowest rates and the strongest gains.
#[test]
fn every_filter_follows_its_prototype() {
    let reference = reference();
    for case in &reference.cases {
        for (rate, shapes, cuts) in
            [(44_100.0, 1.0, 0.75), (48_000.0, 0.7, 0.4), (96_000.0, 0.15, 0.1), (384_000.0, 0.02, 0.02)]
        {
            let what = format!("{} {} Hz {} dB Q {} at {rate}", case.kind, case.hz, case.gain_db, case.q);
            let worst = if case.kind.contains("cut") {
                // Deep in a cut larger errors are inaudible.
                let deep = error(case, &reference.hz, rate, ALL);
                assert!(deep <= 3.5, "{deep:.3} dB: {what}");
                error(case, &reference.hz, rate, -12.0..100.0) / cuts
            } else {
                let strength = if case.gain_db.abs() > 12.0 { 1.6 } else { 1.0 };
                error(case, &reference.hz, rate, ALL) / (shapes * strength)
            };
            assert!(worst <= 1.0, "{worst:.2} times the error allowed: {what}");
        }
    }
}

#[test]
fn filters_have_the_magnitude_of_their_coefficients() {
    let section = EqSection::bell(3000.0, 9.0, 2.0, 48_000.0);
    for hz in [200.0, 2500.0, 3000.0, 10_000.0] {
        let mut f = Filter::new(section);
        let level = measured(hz, 48_000.0, |l, r| f.process(l, r));
        assert!((level - section.magnitude_db(hz, 48_000.0)).abs() < 0.01);
    }
}

/// Butterworth magnitudes, warped by the trapezoidal rule: |H|^2 = 1 / (1 + (tan w / tan wc)^2n).
#[test]
fn state_variable_filter_has_its_cutoff_and_slopes() {
    let rate = 48_000.0;
    for (steepness, order) in [(Steepness::Twelve, 2), (Steepness::TwentyFour, 4)] {
        for (pass, sign) in [(Pass::Low, 1.0), (Pass::High, -1.0)] {
            for cutoff in [100.0f32, 1000.0, 9000.0] {
                for hz in [50.0, 100.0, 400.0, 1000.0, 3000.0, 9000.0, 15_000.0] {
                    let mut svf = Svf::new(pass, steepness, rate);
                    svf.set(cutoff, std::f32::consts::FRAC_1_SQRT_2);
                    let level = measured(hz, rate, |l, r| svf.process(l, r));
                    let warped = |f: f64| (TAU * f / rate / 2.0).tan();
                    let x = (warped(hz) / warped(f64::from(cutoff))).powf(sign);
                    let exact = -power_to_db(1.0 + x.powi(2 * order));
                    if exact > -90.0 {
                        assert!(
                            (level - exact).abs() < 0.05,
                            "{pass:?} {steepness:?} {cutoff} at {hz}: {level:.2} {exact:.2}"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn state_variable_filter_survives_audio_rate_modulation() {
    let rate = 48_000.0;
    for steepness in [Steepness::Twelve, Steepness::TwentyFour] {
        let mut svf = Svf::new(Pass::Low, steepness, rate);
        svf.set(1000.0, 10.0);
        let n = 48_000;
        // Cutoff switched between 20 Hz and 23 kHz 5,000 times a second, noise in.
        let mut seed = 1u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            seed as f32 / u32::MAX as f32 * 2.0 - 1.0
        };
        let cutoffs: Vec<f32> = (0..n).map(|i| if (i / 5) % 2 == 0 { 20.0 } else { 23_000.0 }).collect();
        let mut l: Vec<f32> = (0..n).map(|_| noise()).collect();
        let mut r: Vec<f32> = (0..n).map(|_| noise()).collect();
        for ((&hz, l), r) in cutoffs.iter().zip(&mut l).zip(&mut r) {
            svf.set_cutoff(hz);
            svf.process(std::slice::from_mut(l), std::slice::from_mut(r));
        }
        let peak = l.iter().chain(&r).fold(0.0f32, |a, x| a.max(x.abs()));
        assert!(peak < 100.0, "{peak}");
        let (mut l, mut r) = (vec![0.0; 48_000], vec![0.0; 48_000]);
        svf.process(&mut l, &mut r);
        assert!(l[47_000..].iter().all(|x| x.abs() < 1e-6));
    }
}

/// Within 0.1 dB (target of the project).
#[test]
fn crossover_sums_flat() {
    let worst = crossover_sum();
    assert!(worst < 0.1, "{worst:.3} dB");
}

#[test]
fn tails_end_in_exact_zeros_without_denormals() {
    let rate = 48_000.0;
    let mut svf = Svf::new(Pass::High, Steepness::TwentyFour, rate);
    let mut bell = Filter::new(EqSection::bell(40.0, 24.0, 40.0, rate));
    let (mut l, mut r) = (vec![0.0f32; 4800], vec![0.0f32; 4800]);
    l[0] = 1.0;
    r[0] = -1.0;
    for _ in 0..600 {
        svf.process(&mut l, &mut r);
        bell.process(&mut l, &mut r);
        assert!(!l.iter().chain(&r).any(|x| x.is_subnormal()));
        if l.iter().chain(&r).all(|&x| x == 0.0) {
            return;
        }
        l.fill(0.0);
        r.fill(0.0);
    }
    panic!("the tails do not end");
}

#[test]
fn a_low_cut_is_off_at_20_hz_fades_in_and_is_full_from_25_hz() {
    for fourth in [false, true] {
        let loss = |cut: f64, hz: f64| -> f64 {
            -EqSection::low_cut(cut, fourth, 48_000.0)
                .iter()
                .map(|s| s.magnitude_db(hz, 48_000.0))
                .sum::<f64>()
        };
        for hz in [5.0, 20.0, 60.0, 1000.0] {
            assert!(loss(20.0, hz).abs() < 1e-6, "{} dB at {hz} Hz", loss(20.0, hz));
            assert!(loss(20.01, hz).abs() < 0.05, "{} dB at {hz} Hz", loss(20.01, hz));
        }
        let through: Vec<f64> = (0..=50).map(|i| loss(20.0 + f64::from(i) * 0.1, 30.0)).collect();
        assert!(through.windows(2).all(|w| (w[1] - w[0]).abs() < 0.3), "{through:.1?}");
        // A Butterworth filter's corner.
        assert!((loss(25.0, 25.0) - 3.01).abs() < 0.05, "{}", loss(25.0, 25.0));
    }
}
