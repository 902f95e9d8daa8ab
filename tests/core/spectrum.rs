//! Windows, transforms and peaks of spectra.

use kitwright_core::spectrum::{InverseRealFft, RealFft, hann, hann_f64, hann_periodic, parabolic_peak};

#[test]
fn windows_are_symmetric_and_overlapping_ones_add_up() {
    for i in 0..384 {
        assert!((hann(i, 384) - hann(383 - i, 384)).abs() < 1e-6);
        assert!((f64::from(hann(i, 384)) - hann_f64(i, 384)).abs() < 1e-6);
    }
    for i in 0..128 {
        let sum: f64 = (0..8).map(|k| hann_periodic(i + 128 * k, 1024).powi(2)).sum();
        assert!((sum - 8.0 * 0.375).abs() < 1e-12, "{sum}");
    }
}

#[test]
fn a_parabolas_peak_is_found_and_a_dip_has_none() {
    let y = |x: f64| -3.0 * (x - 0.2).powi(2);
    assert!((parabolic_peak(y(-1.0), y(0.0), y(1.0)) - 0.2).abs() < 1e-12);
    assert_eq!(parabolic_peak(1.0, 0.0, 1.0), 0.0);
    assert_eq!(parabolic_peak(0.0, 0.0, 0.0), 0.0);
    assert_eq!(parabolic_peak(0.0, 1.0, 9.0), 0.0);
}

#[test]
fn a_sine_has_its_power_in_one_bin_and_comes_back() {
    let mut fft = RealFft::new(64);
    let sine: Vec<f32> = (0..64).map(|i| (std::f32::consts::TAU * 5.0 * i as f32 / 64.0).sin()).collect();
    fft.input.copy_from_slice(&sine);
    let power: Vec<f32> = fft.power().collect();
    assert_eq!(power.len(), fft.bins());
    assert!((power[5] - 32.0 * 32.0).abs() < 1e-2 && power.iter().sum::<f32>() - power[5] < 1e-2);
    fft.input.copy_from_slice(&sine);
    let mut spectrum = fft.transform().to_vec();
    let mut back = InverseRealFft::new(64);
    let samples = back.transform(&mut spectrum);
    assert!(samples.iter().zip(&sine).all(|(a, b)| (a / 64.0 - b).abs() < 1e-6));
}

/// What single precision costs: everything but a sine's own bin is rounding, of the samples and of the transform.
#[test]
fn rounding_lies_140_db_below_a_sine() {
    for len in [512, 4096, 32_768] {
        let mut fft = RealFft::new(len);
        let bin = len / 5;
        for (i, x) in fft.input.iter_mut().enumerate() {
            *x = (std::f64::consts::TAU * (bin * i % len) as f64 / len as f64).sin() as f32;
        }
        let power: Vec<f32> = fft.power().collect();
        let others = power.iter().enumerate().filter(|(k, _)| *k != bin);
        let rest = others.map(|(_, p)| *p).fold(0.0, f32::max);
        let db = 10.0 * (power[bin] / rest).log10();
        println!("{len}: {db:.1} dB");
        assert!(db > 140.0, "{len}: {db:.1} dB");
    }
}
