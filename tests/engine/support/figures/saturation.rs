//! Saturation: aliases and loudness.

use kitwright_core::{engine::dsp::saturation::Saturation, kit::Character};
use kitwright_core::{
    spectrum::{RealFft, hann_periodic},
    units::gain_to_db,
};
use std::f64::consts::TAU;

/// A sine of a level.
pub fn sine(hz: f64, level: f64, frames: usize, rate: f64) -> Vec<f32> {
    (0..frames).map(|i| (level * (TAU * hz * i as f64 / rate).sin()) as f32).collect()
}

/// Output of a saturation whose smoothing has settled.
pub fn saturate(character: Character, drive_db: f32, rate: f64, x: &[f32]) -> Vec<f32> {
    let mut s = Saturation::new(rate);
    s.set(character, drive_db, 1.0);
    s.jump();
    let (mut l, mut r) = (x.to_vec(), x.to_vec());
    s.process(&mut l, &mut r);
    assert_eq!(l, r);
    l
}

/// Amplitudes of the spectrum (Hann window, not scaled).
pub fn spectrum(x: &[f32]) -> Vec<f64> {
    let n = x.len();
    let mut fft = RealFft::new(n);
    for (i, (input, &x)) in fft.input.iter_mut().zip(x).enumerate() {
        *input = (f64::from(x) * hann_periodic(i, n)) as f32;
    }
    fft.transform().iter().map(|c| f64::from(c.norm())).collect()
}

/// Level of the strongest harmonic over the strongest other component below 20 kHz, dB.
pub fn alias_distance(character: Character, hz: f64, drive_db: f32, rate: f64) -> f64 {
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
            // DC has a test of its own.
        } else if to_harmonic <= 2 {
            harmonic = harmonic.max(a);
        } else {
            other = other.max(a);
        }
    }
    gain_to_db(harmonic / other)
}

/// Integrated loudness of the sound in both channels, LUFS.
pub fn loudness(x: &[f32], rate: f64) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, rate as u32, ebur128::Mode::I).unwrap();
    meter.add_frames_planar_f32(&[x, x]).unwrap();
    meter.loudness_global().unwrap()
}

/// Hits of a decaying low tone with noise, twice a second.
pub fn hits(level: f32, frames: usize, rate: f64) -> Vec<f32> {
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

/// Rates at which aliases are measured, Hz.
pub const RATES: [f64; 5] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0];

/// Largest change of the loudness by saturations of every character and drive, LU.
pub fn loudness_change() -> f64 {
    let rate = 48_000.0;
    let n = rate as usize * 4;
    let mut worst = 0.0_f64;
    for (what, x) in [
        ("sine at -12 dB", sine(500.0, 0.25, n, rate)),
        ("sine at -30 dB", sine(500.0, 0.03, n, rate)),
        ("hits at -6 dB", hits(0.4, n, rate)),
        ("hits at -26 dB", hits(0.04, n, rate)),
    ] {
        let before = loudness(&x, rate);
        for &character in Character::ALL {
            for drive in [0.0, 6.0, 12.0, 20.0, 36.0] {
                let change = loudness(&saturate(character, drive, rate, &x), rate) - before;
                println!("{what}, {}, {drive} dB: {change:+.2} LU", character.word());
                worst = worst.max(change.abs());
            }
        }
    }
    worst
}
