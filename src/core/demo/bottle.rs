//! A glass bottle: rung, stopped, blown and scratched. Frequencies and decay times are plausible values, no source.

use super::{
    instrument::{DEMO_RATE, add, add_at, draw, ring, rub, scale_to},
    perform::{Line, modes, perform, struck},
};
use crate::take::Take;
use rand_pcg::Pcg32;

#[derive(Clone, Copy)]
enum Stroke {
    Pop,
    Thud,
    Finger,
    Spoon,
    Rim,
    Stopped,
    Blow,
    Scratch,
    Tick,
    Ribs,
    Roll,
}

const SCORE: [Line<Stroke>; 13] = [
    (Stroke::Pop, 8, -5.0, -19.0, 0.6),
    (Stroke::Thud, 8, -5.0, -20.0, 0.6),
    (Stroke::Stopped, 8, -7.0, -24.0, 0.5),
    (Stroke::Finger, 6, -9.0, -25.0, 0.8),
    (Stroke::Spoon, 6, -7.0, -23.0, 1.2),
    (Stroke::Rim, 6, -9.0, -24.0, 1.1),
    (Stroke::Ribs, 5, -12.0, -22.0, 0.8),
    (Stroke::Blow, 5, -14.0, -24.0, 1.2),
    (Stroke::Scratch, 6, -16.0, -28.0, 0.7),
    (Stroke::Roll, 4, -13.0, -22.0, 1.1),
    (Stroke::Tick, 8, -19.0, -33.0, 0.36),
    (Stroke::Stopped, 4, -15.0, -29.0, 0.24),
    (Stroke::Finger, 4, -15.0, -29.0, 0.4),
];

/// The glass, as it bends around its mouth: nearly in pairs.
const GLASS: [(f64, f64, f64); 9] = [
    (1186.0, 0.62, 1.0),
    (1201.0, 0.58, 0.7),
    (2707.0, 0.50, 0.7),
    (2742.0, 0.46, 0.5),
    (4390.0, 0.36, 0.45),
    (5310.0, 0.30, 0.35),
    (7120.0, 0.22, 0.25),
    (9040.0, 0.16, 0.2),
    (11_300.0, 0.1, 0.12),
];
/// The air within, and the base.
const AIR: [(f64, f64, f64); 2] = [(168.0, 0.14, 1.0), (512.0, 0.05, 0.12)];
const BASE: [(f64, f64, f64); 4] =
    [(128.0, 0.16, 1.0), (231.0, 0.12, 0.7), (418.0, 0.08, 0.4), (903.0, 0.05, 0.2)];

pub(super) fn take(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0xb0771e);
    perform("invented-bottle.wav", &mut rng, &SCORE, play)
}

fn play(rng: &mut Pcg32, stroke: Stroke, _i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Pop => {
            let air = modes(rng, &AIR, 1.0);
            struck(rng, &air, 2.5, (0.25, 1200.0))
        }
        Stroke::Thud => {
            let mut base = modes(rng, &BASE, 1.0);
            base.extend(modes(rng, &GLASS[..4], 0.1));
            struck(rng, &base, 3.5, (0.2, 1500.0))
        }
        Stroke::Finger => {
            let glass = modes(rng, &GLASS[..6], 0.6);
            struck(rng, &glass, 1.0, (0.3, 4000.0))
        }
        Stroke::Spoon => {
            let glass = modes(rng, &GLASS, 1.0);
            struck(rng, &glass, 0.12, (0.15, 14_000.0))
        }
        Stroke::Rim => {
            let glass = modes(rng, &GLASS[2..], 0.9);
            struck(rng, &glass, 0.1, (0.2, 14_000.0))
        }
        Stroke::Stopped => {
            let glass = modes(rng, &GLASS, 0.09);
            struck(rng, &glass, 0.4, (0.45, 7000.0))
        }
        Stroke::Tick => {
            let glass = modes(rng, &GLASS[4..], 0.12);
            struck(rng, &glass, 0.08, (0.8, 15_000.0))
        }
        Stroke::Blow => blown(rng),
        Stroke::Scratch => scratched(rng),
        Stroke::Ribs => ribs(rng),
        Stroke::Roll => rolled(rng),
    }
}

/// Breath over the mouth: the air within sounds, and the breath itself.
fn blown(rng: &mut Pcg32) -> Vec<f64> {
    let length = draw(rng, 0.4, 0.8);
    let force = rub(rng, length, 0.09, 168.0, 0.7, 5000.0);
    let air = modes(rng, &[(168.0, 0.5, 1.0), (505.0, 0.12, 0.1)], 1.0);
    let mut sound = ring(&air, &force);
    scale_to(&mut sound, 1.0);
    add(&mut sound, &force, 0.12);
    sound
}

fn scratched(rng: &mut Pcg32) -> Vec<f64> {
    let length = draw(rng, 0.12, 0.3);
    let force = rub(rng, length, 0.02, 900.0, 0.9, 16_000.0);
    let glass = modes(rng, &GLASS[3..], 0.06);
    let mut sound = ring(&glass, &force);
    scale_to(&mut sound, 1.0);
    add(&mut sound, &force, 0.4);
    sound
}

/// A nail over the moulded ribs.
fn ribs(rng: &mut Pcg32) -> Vec<f64> {
    let (mut sound, mut at) = (Vec::new(), 0.0);
    for _ in 0..9 {
        let glass = modes(rng, &GLASS[1..], 0.05);
        let one = struck(rng, &glass, 0.15, (0.5, 12_000.0));
        add_at(&mut sound, &one, (at * DEMO_RATE) as usize, draw(rng, 0.5, 1.0));
        at += draw(rng, 0.018, 0.032);
    }
    sound
}

/// The bottle rolled over a table.
fn rolled(rng: &mut Pcg32) -> Vec<f64> {
    let length = draw(rng, 0.4, 0.7);
    let force = rub(rng, length, 0.08, 24.0, 0.5, 2500.0);
    let mut bodies = modes(rng, &BASE, 0.8);
    bodies.extend(modes(rng, &GLASS[..3], 0.2));
    let mut sound = ring(&bodies, &force);
    scale_to(&mut sound, 1.0);
    sound
}
