//! A thumb piano: tuned tines on a box. Frequencies and decay times are plausible values, no source.

use super::{
    instrument::{DEMO_RATE, Mode, add, add_at, draw, ring, rub, scale_to},
    perform::{Line, modes, perform, struck},
};
use crate::take::Take;
use rand_pcg::Pcg32;

#[derive(Clone, Copy)]
enum Stroke {
    Tine,
    DampedTine,
    Box,
    Knuckle,
    Nail,
    Side,
    Sweep,
    Buzz,
    Rub,
    Slap,
}

const SCORE: [Line<Stroke>; 12] = [
    (Stroke::Box, 8, -5.0, -19.0, 0.7),
    (Stroke::Slap, 6, -5.0, -18.0, 0.6),
    (Stroke::Knuckle, 8, -6.0, -24.0, 0.5),
    (Stroke::Side, 6, -9.0, -25.0, 0.45),
    (Stroke::Tine, 12, -7.0, -22.0, 1.1),
    (Stroke::DampedTine, 10, -9.0, -26.0, 0.45),
    (Stroke::Sweep, 4, -9.0, -18.0, 1.2),
    (Stroke::Buzz, 6, -13.0, -25.0, 0.8),
    (Stroke::Rub, 6, -18.0, -30.0, 0.6),
    (Stroke::Nail, 8, -18.0, -33.0, 0.36),
    (Stroke::Knuckle, 4, -15.0, -29.0, 0.24),
    (Stroke::DampedTine, 4, -16.0, -29.0, 0.3),
];

/// The tines, Hz: A3, C4, D4, E4, G4, A4.
const TINES: [f64; 6] = [220.0, 261.626, 293.665, 329.628, 391.995, 440.0];
/// Ratios of a bar clamped at one end (Euler-Bernoulli).
const CLAMPED: [(f64, f64, f64); 3] = [(1.0, 1.0, 1.0), (6.267, 0.12, 0.18), (17.55, 0.03, 0.08)];
const BODY: [(f64, f64, f64); 9] = [
    (112.0, 0.18, 1.0),
    (187.0, 0.15, 0.75),
    (263.0, 0.12, 0.6),
    (415.0, 0.09, 0.5),
    (688.0, 0.07, 0.4),
    (1090.0, 0.05, 0.32),
    (1740.0, 0.04, 0.26),
    (2870.0, 0.03, 0.2),
    (4600.0, 0.02, 0.14),
];

pub(super) fn take(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0x713e);
    perform("invented-thumb-piano.wav", &mut rng, &SCORE, play)
}

/// The partials of a tine, and the box under it.
fn tine(rng: &mut Pcg32, hz: f64, t60: f64) -> Vec<Mode> {
    let table = CLAMPED.map(|(ratio, time, gain)| (hz * ratio, t60 * time, gain));
    let mut all: Vec<Mode> = table.iter().map(|&(hz, t60, gain)| Mode::new(hz, t60, gain)).collect();
    all.extend(modes(rng, &BODY[..5], 0.6).into_iter().map(|m| Mode::new(m.hz, m.t60, 0.12 * m.gain)));
    all
}

fn play(rng: &mut Pcg32, stroke: Stroke, i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Tine => {
            let tine = tine(rng, TINES[i % 6], 1.1);
            struck(rng, &tine, 0.9, (0.1, 5000.0))
        }
        Stroke::DampedTine => {
            let tine = tine(rng, TINES[i % 6], 0.16);
            struck(rng, &tine, 0.7, (0.2, 6000.0))
        }
        Stroke::Box => {
            let body = modes(rng, &BODY, 1.0);
            struck(rng, &body, 6.0, (0.25, 1300.0))
        }
        Stroke::Slap => {
            let body = modes(rng, &BODY[1..], 0.7);
            let mut sound = struck(rng, &body, 1.2, (0.6, 4500.0));
            let rattle = struck(rng, &modes_of_all_tines(), 0.5, (0.2, 8000.0));
            add(&mut sound, &rattle, 0.25);
            sound
        }
        Stroke::Knuckle => {
            let body = modes(rng, &BODY[2..], 0.9);
            struck(rng, &body, 1.5, (0.35, 3000.0))
        }
        Stroke::Side => {
            let body = modes(rng, &BODY[4..], 0.8);
            struck(rng, &body, 0.7, (0.35, 5000.0))
        }
        Stroke::Nail => {
            let body = modes(rng, &BODY[6..], 0.6);
            struck(rng, &body, 0.15, (0.7, 10_000.0))
        }
        Stroke::Sweep => sweep(rng),
        Stroke::Buzz => buzz(rng),
        Stroke::Rub => rubbed(rng),
    }
}

/// Every tine, short.
fn modes_of_all_tines() -> Vec<Mode> {
    TINES.iter().map(|&hz| Mode::new(hz * CLAMPED[1].0, 0.06, 0.5)).collect()
}

/// The thumb over all tines.
fn sweep(rng: &mut Pcg32) -> Vec<f64> {
    let (mut sound, mut at) = (Vec::new(), 0.0);
    for hz in TINES {
        let tine = tine(rng, hz, 0.7);
        let one = struck(rng, &tine, 0.7, (0.15, 6000.0));
        add_at(&mut sound, &one, (at * DEMO_RATE) as usize, draw(rng, 0.6, 1.0));
        at += draw(rng, 0.03, 0.05);
    }
    sound
}

/// The loose rings on the tines, shaken.
fn buzz(rng: &mut Pcg32) -> Vec<f64> {
    let (length, rate) = (draw(rng, 0.15, 0.3), draw(rng, 90.0, 160.0));
    let force = rub(rng, length, 0.015, rate, 0.5, 14_000.0);
    let rings = modes(
        rng,
        &[(2600.0, 0.03, 1.0), (3900.0, 0.025, 0.8), (5700.0, 0.02, 0.7), (8200.0, 0.015, 0.5)],
        1.0,
    );
    let mut sound = ring(&rings, &force);
    scale_to(&mut sound, 1.0);
    sound
}

/// The thumb rubbed over the wood.
fn rubbed(rng: &mut Pcg32) -> Vec<f64> {
    let length = draw(rng, 0.12, 0.25);
    let force = rub(rng, length, 0.03, 400.0, 1.0, 12_000.0);
    let body = modes(rng, &BODY[5..], 0.3);
    let mut sound = ring(&body, &force);
    scale_to(&mut sound, 1.0);
    add(&mut sound, &force, 0.5);
    sound
}
