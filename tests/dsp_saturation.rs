//! Saturation: aliases, loudness, steady part, delay.
//!
//! Figures are the project's own targets; loudness is measured by ebur128 (ITU-R BS.1770).

use kitwright::{engine::dsp::saturation::Saturation, kit::Character};
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

fn sine(hz: f64, level: f64, frames: usize, rate: f64) -> Vec<f32> {
    (0..frames).map(|i| (level * (TAU * hz * i as f64 / rate).sin()) as f32).collect()
}

fn saturate(character: Character, drive_db: f32, rate: f64, x: &[f32]) -> Vec<f32> {
    let mut s = Saturation::new(rate);
    s.set(character, drive_db, 1.0);
    s.jump();
    let (mut l, mut r) = (x.to_vec(), x.to_vec());
    s.process(&mut l, &mut r);
    assert_eq!(l, r);
    l
}

/// Amplitudes of the spectrum (Hann window, not scaled).
fn spectrum(x: &[f32]) -> Vec<f64> {
    let n = x.len();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let mut input: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, &x)| f64::from(x) * (0.5 - 0.5 * (TAU * i as f64 / n as f64).cos()))
        .collect();
    let mut out = fft.make_output_vec();
    fft.process(&mut input, &mut out).unwrap();
    out.iter().map(|c| c.norm()).collect()
}

/// Strongest harmonic against the strongest of everything else below 20 kHz, dB.
fn alias_distance(character: Character, hz: f64, drive_db: f32, rate: f64) -> f64 {
    let n = 32_768;
    // A whole number of periods in the window keeps harmonics within three bins.
    let bin = (hz / rate * n as f64).round() as usize | 1;
    let hz = bin as f64 * rate / n as f64;
    let y = saturate(character, drive_db, rate, &sine(hz, 0.25, 2 * n, rate));
    let spectrum = spectrum(&y[n..]);
    let (mut harmonic, mut other) = (0.0f64, 0.0f64);
    for (i, &a) in spectrum.iter().enumerate().take((20_000.0 / rate * n as f64) as usize) {
        let to_harmonic = (i % bin).min(bin - i % bin);
        if i < 3 {
            // The steady part has a test of its own.
        } else if to_harmonic <= 2 {
            harmonic = harmonic.max(a);
        } else {
            other = other.max(a);
        }
    }
    20.0 * (harmonic / other).log10()
}

#[test]
fn aliases_of_a_hard_driven_5_khz_sine_are_70_db_down() {
    for &character in Character::ALL {
        for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
            let distance = alias_distance(character, 5000.0, 20.0, rate);
            println!("{} at {rate}: {distance:.1} dB", character.word());
            assert!(distance >= 70.0, "{} at {rate}: {distance:.1} dB", character.word());
        }
    }
}

fn loudness(x: &[f32], rate: f64) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, rate as u32, ebur128::Mode::I).unwrap();
    meter.add_frames_planar_f32(&[x, x]).unwrap();
    meter.loudness_global().unwrap()
}

/// Hits of a decaying low tone with noise, twice a second.
fn hits(level: f32, frames: usize, rate: f64) -> Vec<f32> {
    let mut seed = 3u32;
    (0..frames)
        .map(|i| {
            let t = (i % (rate as usize / 2)) as f64 / rate;
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (seed >> 8) as f32 / 8_388_608.0 - 1.0;
            level * ((TAU * 120.0 * t).sin() as f32 + 0.3 * noise) * (-t * 18.0).exp() as f32
        })
        .collect()
}

#[test]
fn loudness_is_held_as_drive_grows() {
    let rate = 48_000.0;
    let n = rate as usize * 4;
    for (what, x) in [
        ("sine at -12 dB", sine(500.0, 0.25, n, rate)),
        ("sine at -30 dB", sine(500.0, 0.03, n, rate)),
        ("hits at -6 dB", hits(0.4, n, rate)),
        ("hits at -26 dB", hits(0.04, n, rate)),
    ] {
        let before = loudness(&x, rate);
        for &character in Character::ALL {
            for drive in [0.0, 6.0, 12.0, 20.0, 36.0] {
                let after = loudness(&saturate(character, drive, rate, &x), rate);
                println!("{what}, {}, {drive} dB: {:+.2} LU", character.word(), after - before);
                assert!(
                    (after - before).abs() < 1.0,
                    "{what}, {}, {drive} dB: {:+.2} LU",
                    character.word(),
                    after - before
                );
            }
        }
    }
}

#[test]
fn characters_have_their_harmonics_and_no_steady_part() {
    let rate = 48_000.0;
    let n = 32_768;
    let bin = 341;
    let x = sine(bin as f64 * rate / n as f64, 0.25, 3 * n, rate);
    for &character in Character::ALL {
        let y = saturate(character, 18.0, rate, &x);
        let tail = &y[2 * n..];
        let spectrum = spectrum(tail);
        let level = |k: usize| 20.0 * (spectrum[k * bin] / spectrum[bin]).log10();
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

/// Honest accounting: how late low frequencies come out, in frames.
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
fn chunks_do_not_change_a_bit_and_silence_comes_to_rest() {
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
