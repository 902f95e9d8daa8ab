//! Something like a voice: a pulsing or rushing source through resonances of a throat and a mouth.
//!
//! Formants are rounded means of adult speakers (G. E. Peterson, H. L. Barney, "Control Methods Used in a Study of the
//! Vowels", 1952); everything else is plausible values, no source.

use super::{
    instrument::{DEMO_RATE, add, add_at, draw, high_pass, low_pass, noise, pulse, ring, scale_to},
    perform::{Line, modes, perform, struck},
};
use crate::take::Take;
use rand_pcg::Pcg32;

#[derive(Clone, Copy)]
enum Stroke {
    Chest,
    Pop,
    Click,
    Cluck,
    Tee,
    Kay,
    Sss,
    Shh,
    Sung,
    Hum,
    Breath,
}

const SCORE: [Line<Stroke>; 13] = [
    (Stroke::Chest, 8, -5.0, -18.0, 0.7),
    (Stroke::Pop, 8, -5.0, -19.0, 0.6),
    (Stroke::Kay, 8, -7.0, -23.0, 0.5),
    (Stroke::Tee, 8, -10.0, -27.0, 0.45),
    (Stroke::Click, 6, -8.0, -24.0, 0.45),
    (Stroke::Cluck, 6, -8.0, -23.0, 0.5),
    (Stroke::Sung, 8, -7.0, -19.0, 1.1),
    (Stroke::Hum, 4, -9.0, -20.0, 0.9),
    (Stroke::Sss, 6, -14.0, -27.0, 0.7),
    (Stroke::Shh, 6, -12.0, -25.0, 0.8),
    (Stroke::Breath, 5, -18.0, -29.0, 0.8),
    (Stroke::Tee, 6, -17.0, -32.0, 0.26),
    (Stroke::Click, 4, -15.0, -29.0, 0.24),
];

/// First three formants of "ah", "oh", "oo", "eh", Hz.
const VOWELS: [[f64; 3]; 4] =
    [[730.0, 1090.0, 2440.0], [570.0, 840.0, 2410.0], [300.0, 870.0, 2240.0], [530.0, 1840.0, 2480.0]];
/// Sung notes, Hz: A2, C3, D3, E3.
const NOTES: [f64; 4] = [110.0, 130.813, 146.832, 164.814];

pub(super) fn take(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0x701ce);
    perform("invented-voice.wav", &mut rng, &SCORE, play)
}

fn play(rng: &mut Pcg32, stroke: Stroke, i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Chest => {
            let chest = modes(rng, &[(71.0, 0.2, 1.0), (118.0, 0.15, 0.7), (205.0, 0.08, 0.3)], 1.0);
            struck(rng, &chest, 6.0, (0.3, 800.0))
        }
        Stroke::Pop => {
            let lips = modes(rng, &[(96.0, 0.09, 1.0), (410.0, 0.03, 0.3), (980.0, 0.02, 0.15)], 1.0);
            struck(rng, &lips, 3.0, (0.5, 2500.0))
        }
        Stroke::Click => {
            let mouth = modes(rng, &[(1180.0, 0.035, 1.0), (2450.0, 0.025, 0.7), (3900.0, 0.015, 0.4)], 1.0);
            struck(rng, &mouth, 0.3, (0.3, 8000.0))
        }
        Stroke::Cluck => {
            let mouth = modes(rng, &[(610.0, 0.05, 1.0), (1320.0, 0.03, 0.4)], 1.0);
            struck(rng, &mouth, 0.8, (0.25, 4000.0))
        }
        Stroke::Tee => hiss(rng, (0.002, 0.045), (4200.0, 15_000.0)),
        Stroke::Kay => {
            let mut sound = hiss(rng, (0.001, 0.07), (900.0, 4200.0));
            let throat = modes(rng, &[(1450.0, 0.03, 1.0), (2300.0, 0.02, 0.6)], 1.0);
            let knock = struck(rng, &throat, 0.6, (0.3, 4000.0));
            add(&mut sound, &knock, 0.6);
            sound
        }
        Stroke::Sss => hiss(rng, (0.03, 0.22), (4800.0, 16_000.0)),
        Stroke::Shh => hiss(rng, (0.03, 0.28), (1900.0, 7500.0)),
        Stroke::Breath => hiss(rng, (0.08, 0.3), (600.0, 5200.0)),
        Stroke::Sung => sung(rng, NOTES[i % 4], VOWELS[i % 4], (0.02, 0.55)),
        Stroke::Hum => sung(rng, NOTES[(i + 1) % 4], [240.0, 900.0, 2200.0], (0.05, 0.4)),
    }
}

/// Air through a narrow place: noise between two frequencies, with its rise and its length in seconds.
fn hiss(rng: &mut Pcg32, (rise, length): (f64, f64), (low_hz, high_hz): (f64, f64)) -> Vec<f64> {
    let length = length * draw(rng, 0.8, 1.3);
    let frames = (length * DEMO_RATE) as usize;
    let mut sound: Vec<f64> = (0..frames)
        .map(|i| {
            let t = i as f64 / DEMO_RATE;
            noise(rng) * (t / rise).min(1.0) * (1.0 - t / length).powi(2)
        })
        .collect();
    for _ in 0..2 {
        high_pass(&mut sound, low_hz * draw(rng, 0.95, 1.05));
        low_pass(&mut sound, high_hz);
    }
    scale_to(&mut sound, 1.0);
    sound
}

/// Pulses of the throat at `hz`, a little uneven, through three formants; rise and length in seconds.
fn sung(rng: &mut Pcg32, hz: f64, formants: [f64; 3], (rise, length): (f64, f64)) -> Vec<f64> {
    let length = length * draw(rng, 0.8, 1.2);
    let frames = (length * DEMO_RATE) as usize;
    let mut source = vec![0.0; frames];
    let mut at = 0.0;
    while (at as usize) < frames {
        let t = at / DEMO_RATE;
        let level = (t / rise).min(1.0) * (1.0 - t / length).powi(2) * draw(rng, 0.92, 1.08);
        // one pulse of the vocal folds, a third of the period long
        let fold: Vec<f64> = pulse(333.0 / hz).iter().map(|p| p * level * 100.0).collect();
        add_at(&mut source, &fold, at as usize, 1.0);
        at += DEMO_RATE / hz * draw(rng, 0.996, 1.004);
    }
    for (i, s) in source.iter_mut().enumerate() {
        *s += 0.02 * noise(rng) * (1.0 - (i as f64 / frames as f64).min(1.0));
    }
    // what the lips radiate rises with frequency
    high_pass(&mut source, 900.0);
    let table = [
        (formants[0], 0.022, 1.0),
        (formants[1], 0.018, 0.55),
        (formants[2], 0.012, 0.3),
        (3300.0, 0.008, 0.12),
    ];
    let throat = modes(rng, &table, 1.0);
    let mut sound = ring(&throat, &source);
    scale_to(&mut sound, 1.0);
    sound
}
