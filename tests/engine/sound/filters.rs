//! The filters of a layer: slopes, sweep, velocity.

use super::{RATE, level_db, plain, played, sine};
use kitwright_core::units::power_to_db;
use std::f64::consts::PI;

/// Level of a sine after the layer's filters, relative to the sine, dB.
fn passed(hz: f64, set: impl Fn(&mut kitwright_core::kit::LayerSettings), velocity: f32) -> f64 {
    let mut kit = plain(sine(hz, 40_000));
    set(&mut kit.doc.pads[0].layers[0].settings);
    level_db(&played(&kit, velocity, vec![], 36_000)[12_000..]) - level_db(&sine(hz, 24_000))
}

/// A Butterworth low pass of second order, warped by the trapezoidal rule.
fn butterworth(hz: f64, cutoff: f64) -> f64 {
    let warped = |f: f64| (PI * f / RATE).tan();
    -power_to_db(1.0 + (warped(hz) / warped(cutoff)).powi(4))
}

#[test]
fn cuts_have_12_or_24_db_per_octave() {
    for (steep, slope) in [(false, 12.0), (true, 24.0)] {
        let high = |hz| passed(hz, |s| (s.high_cut_hz, s.steep) = (200.0, steep), 1.0);
        let low = |hz| passed(hz, |s| (s.low_cut_hz, s.steep) = (4000.0, steep), 1.0);
        for (what, near, far) in
            [("high cut", high(800.0), high(1600.0)), ("low cut", low(1000.0), low(500.0))]
        {
            println!("{what}, {slope} dB: {near:.2} dB, an octave on {far:.2} dB");
            assert!((near - far - slope).abs() < 0.3, "{what}: {} dB an octave", near - far);
        }
        assert!((high(200.0) + 3.01).abs() < 0.05, "3 dB down at the cutoff");
    }
}

/// The cutoff follows `sweep_oct * exp(-t / sweep_ms)` octaves.
#[test]
fn a_sweep_follows_its_formula() {
    let hz = 4000.0;
    let mut kit = plain(sine(hz, 60_000));
    let s = &mut kit.doc.pads[0].layers[0].settings;
    (s.high_cut_hz, s.sweep_oct, s.sweep_ms) = (500.0, 4.0, 200.0);
    let made = played(&kit, 1.0, vec![], 57_600);
    for ms in [50.0, 100.0, 200.0, 400.0, 1000.0_f64] {
        let at = (ms / 1000.0 * RATE) as usize;
        let cutoff = 500.0 * (4.0 * (-ms / 200.0).exp()).exp2();
        let wanted = butterworth(hz, cutoff);
        let level = level_db(&made[at - 60..at + 60]) - level_db(&sine(hz, 120));
        assert!((level - wanted).abs() < 0.5, "at {ms} ms: {level:.2} dB, {wanted:.2} dB");
    }
}

#[test]
fn a_low_velocity_lowers_the_high_cut_by_its_share_of_the_octaves() {
    for (velocity, octaves) in [(1.0_f32, 0.0), (0.5, 1.5), (0.25, 2.25)] {
        let level = passed(3000.0, |s| (s.high_cut_hz, s.velocity_cut_oct) = (4000.0, 3.0), velocity);
        let wanted = butterworth(3000.0, 4000.0 * f64::exp2(-octaves));
        assert!((level - wanted).abs() < 0.05, "velocity {velocity}: {level:.2} dB, {wanted:.2} dB");
    }
}
