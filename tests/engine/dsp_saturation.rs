//! Saturation: aliases, loudness, DC offset, delay.
//!
//! Figures are the project's own targets; loudness is measured by ebur128 (ITU-R BS.1770).

use crate::support::figures::saturation::*;
use kitwright_core::{engine::dsp::saturation::Saturation, kit::Character, units::gain_to_db};
use std::f64::consts::TAU;

#[test]
fn aliases_of_a_hard_driven_5_khz_sine_are_70_db_down() {
    for &character in Character::ALL {
        for rate in RATES {
            let distance = alias_distance(character, 5000.0, 20.0, rate);
            println!("{} at {rate}: {distance:.1} dB", character.word());
            assert!(distance >= 70.0, "{} at {rate}: {distance:.1} dB", character.word());
        }
    }
}

#[test]
fn loudness_does_not_depend_on_drive() {
    let worst = loudness_change();
    assert!(worst < 1.0, "{worst:.2} LU");
}

#[test]
fn characters_have_their_harmonics_and_no_dc_offset() {
    let rate = 48_000.0;
    let n = 32_768;
    let bin = 341;
    let x = sine(bin as f64 * rate / n as f64, 0.25, 3 * n, rate);
    for &character in Character::ALL {
        let y = saturate(character, 18.0, rate, &x);
        let tail = &y[2 * n..];
        let spectrum = spectrum(tail);
        let level = |k: usize| gain_to_db(spectrum[k * bin] / spectrum[bin]);
        assert!(level(3) > -30.0);
        if character == Character::Asymmetric {
            assert!(level(2) > -25.0, "{}", level(2));
        } else {
            assert!(level(2) < -90.0, "{}", level(2));
        }
        let mean = tail.iter().map(|&x| f64::from(x)).sum::<f64>() / n as f64;
        assert!(mean.abs() < 1e-4, "{}: {mean}", character.word());
    }
}

/// The delay of low frequencies, in frames.
#[test]
fn passes_low_frequencies_within_0_15_milliseconds() {
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        let hz = 200.0;
        let x = sine(hz, 0.001, 48_000, rate);
        let y = saturate(Character::Soft, 0.0, rate, &x);
        // Phase by correlation over whole periods at the end.
        let n = (rate / hz) as usize * 50;
        let w = TAU * hz / rate;
        let (mut s, mut c) = (0.0, 0.0);
        for (i, &y) in y.iter().enumerate().skip(y.len() - n) {
            s += f64::from(y) * (w * i as f64).sin();
            c += f64::from(y) * (w * i as f64).cos();
        }
        let late_ms = -(c / s).atan() / (TAU * hz) * 1000.0;
        println!("{rate}: {late_ms:.3} ms, {:.2} frames", late_ms * rate / 1000.0);
        assert!((0.0..0.15).contains(&late_ms), "{late_ms}");
    }
}

#[test]
fn output_does_not_depend_on_chunks_and_ends_in_zeros() {
    let x = hits(0.5, 20_000, 48_000.0);
    let run = |chunk: usize| {
        let mut s = Saturation::new(48_000.0);
        s.set(Character::Asymmetric, 12.0, 0.7);
        let (mut l, mut r) = (x.clone(), x.clone());
        l.chunks_mut(chunk).zip(r.chunks_mut(chunk)).for_each(|(l, r)| s.process(l, r));
        (l, s)
    };
    let (whole, mut s) = run(20_000);
    assert!(run(1).0 == whole && run(100).0 == whole);
    let (mut l, mut r) = (vec![0.0; 96_000], vec![0.0; 96_000]);
    s.process(&mut l, &mut r);
    assert!(!l.iter().any(|x| x.is_subnormal()));
    assert!(l[90_000..].iter().all(|&x| x == 0.0));
}
