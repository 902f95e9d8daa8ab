//! The room around the instrument, and its noise floor.

use super::instrument::{DEMO_RATE, low_pass, noise, scale_to};
use rand_pcg::Pcg32;
use std::f64::consts::TAU;

/// Delays of the room's eight lines in frames: primes between 13 and 43 ms, so that echoes do not fall
/// together.
const LINES: [usize; 8] = [631, 773, 919, 1103, 1291, 1499, 1777, 2069];
/// First reflections: delay in ms and level.
const REFLECTIONS: [(f64, f64); 5] = [(3.7, 0.20), (6.1, -0.15), (9.8, 0.12), (14.3, -0.09), (19.9, 0.07)];
/// Reverberation time of the small furnished room, s.
const T60: f64 = 0.34;

/// Adds the room: reflections, then a feedback delay network with a Householder matrix (Jot
/// and Chaigne, 1991) and low passes.
pub(super) fn add_room(dry: &[f64]) -> Vec<f64> {
    let mut wet = dry.to_vec();
    for (ms, level) in REFLECTIONS {
        let delay = (ms / 1000.0 * DEMO_RATE) as usize;
        for (w, d) in wet.iter_mut().skip(delay).zip(dry) {
            *w += level * d;
        }
    }
    let mut lines = LINES.map(|n| vec![0.0; n]);
    let gains = LINES.map(|n| libm::pow(10.0, -3.0 * n as f64 / DEMO_RATE / T60));
    let mut at = [0; 8];
    let mut dull = [0.0; 8];
    for (w, d) in wet.iter_mut().zip(dry) {
        let mut out = [0.0; 8];
        for k in 0..8 {
            let s = lines[k][at[k]];
            dull[k] += 0.45 * (s - dull[k]);
            out[k] = dull[k] * gains[k];
        }
        let sum: f64 = out.iter().sum();
        *w += 0.16 * (out[0] - out[1] + out[2] - out[3] + out[4] - out[5] + out[6] - out[7]);
        for k in 0..8 {
            lines[k][at[k]] = d + out[k] - 0.25 * sum;
            at[k] = (at[k] + 1) % LINES[k];
        }
    }
    let peak = wet.iter().fold(0.0, |p: f64, s| p.max(s.abs()));
    if peak > 0.8 {
        scale_to(&mut wet, 0.8);
    }
    wet
}

/// Adds the noise floor: low room noise and preamplifier hiss near -70 dBFS, and mains hum.
pub(super) fn add_floor(sound: &mut [f64], rng: &mut Pcg32) {
    let mut rumble: Vec<f64> = (0..sound.len()).map(|_| noise(rng)).collect();
    low_pass(&mut rumble, 300.0);
    let rms = (rumble.iter().map(|s| s * s).sum::<f64>() / rumble.len() as f64).sqrt();
    for (i, (s, r)) in sound.iter_mut().zip(&rumble).enumerate() {
        let t = i as f64 / DEMO_RATE;
        let hum = libm::sin(TAU * 50.0 * t) + 0.5 * libm::sin(TAU * 150.0 * t + 0.7);
        *s += 2.5e-4 * r / rms + 1.6e-4 * noise(rng) + 6e-5 * hum;
    }
}
