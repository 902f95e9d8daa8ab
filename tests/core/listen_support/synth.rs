//! Sounds with a known beginning, for tests of detection.

use kitwright_core::units::db_to_gain;
use rand_pcg::{
    Pcg64,
    rand_core::{Rng, SeedableRng},
};

/// A sound that starts at its first sample.
pub fn struck(rate: f64, hz: f64, decay_s: f64, seconds: f64) -> Vec<f64> {
    (0..(rate * seconds) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            let tone =
                (std::f64::consts::TAU * hz * t).cos() + 0.5 * (std::f64::consts::TAU * hz * 2.756 * t).cos();
            tone * (-t / decay_s).exp() / 1.5
        })
        .collect()
}

/// Noise that starts at its first sample and decays.
pub fn burst(rate: f64, decay_s: f64, seconds: f64, seed: u64) -> Vec<f64> {
    let mut random = Pcg64::seed_from_u64(seed);
    (0..(rate * seconds) as usize)
        .map(|i| between(&mut random, -1.0, 1.0) * (-(i as f64) / rate / decay_s).exp())
        .collect()
}

/// A plucked string after Karplus and Strong, "Digital Synthesis of Plucked-String and Drum Timbres",
/// Computer Music Journal 7(2), 1983: its period is `delay` + 1/2 samples.
pub fn karplus_strong(rate: f64, delay: usize, seconds: f64, seed: u64) -> Vec<f64> {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut line: Vec<f64> = (0..delay).map(|_| between(&mut random, -1.0, 1.0)).collect();
    let mean = line.iter().sum::<f64>() / delay as f64;
    line.iter_mut().for_each(|x| *x -= mean);
    let mut last = 0.0;
    (0..(rate * seconds) as usize)
        .map(|i| {
            let out = line[i % delay];
            line[i % delay] = 0.998 * 0.5 * (out + last);
            last = out;
            0.5 * out
        })
        .collect()
}

/// A sum of decaying partials `(ratio, amplitude, decay rate per second)` of `hz`.
pub fn partials(rate: f64, hz: f64, seconds: f64, list: &[(f64, f64, f64)]) -> Vec<f64> {
    (0..(rate * seconds) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            list.iter()
                .filter(|p| p.0 * hz < 0.45 * rate)
                .map(|(ratio, level, decay)| {
                    0.3 * level * (-decay * t).exp() * (std::f64::consts::TAU * hz * ratio * t + ratio).sin()
                })
                .sum()
        })
        .collect()
}

/// White noise of `level_db` RMS.
pub fn hiss(length: usize, level_db: f64, seed: u64) -> Vec<f64> {
    let mut random = Pcg64::seed_from_u64(seed);
    let gain = db_to_gain(level_db) * 3f64.sqrt();
    (0..length).map(|_| gain * between(&mut random, -1.0, 1.0)).collect()
}

/// Mains hum: 50 Hz and its odd multiples.
pub fn hum(length: usize, rate: f64, level_db: f64) -> Vec<f64> {
    let gain = db_to_gain(level_db) * 2f64.sqrt();
    (0..length)
        .map(|i| {
            let t = std::f64::consts::TAU * 50.0 * i as f64 / rate;
            gain * (t.sin() + 0.3 * (3.0 * t).sin() + 0.1 * (5.0 * t).sin())
        })
        .collect()
}

/// Adds `sound` at `level_db` to `into` from frame `at` on.
pub fn place(into: &mut [f64], sound: &[f64], at: usize, level_db: f64) {
    let gain = db_to_gain(level_db);
    for (x, y) in into.iter_mut().skip(at).zip(sound) {
        *x += gain * y;
    }
}

/// Samples as a take keeps them.
pub fn narrow(samples: &[f64]) -> Vec<f32> {
    samples.iter().map(|&x| x as f32).collect()
}

/// A number between `from` and `to`.
pub fn between(random: &mut impl Rng, from: f64, to: f64) -> f64 {
    from + (to - from) * (f64::from(random.next_u32()) / f64::from(u32::MAX))
}
