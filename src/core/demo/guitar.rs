//! Something like a guitar: plucks, strums, knocks on its body, scratches. Frequencies and decay times are plausible
//! values, no source.

use super::{
    instrument::{DEMO_RATE, Mode, add, add_at, draw, ring, rub, scale_to},
    perform::{Line, modes, perform, struck},
};
use crate::take::Take;
use libm::{exp, pow, sin};
use rand_pcg::Pcg32;
use std::f64::consts::PI;

#[derive(Clone, Copy)]
enum Stroke {
    Thump,
    Slap,
    Knuckle,
    Rib,
    Pluck,
    Damped,
    MutedStrum,
    Strum,
    Harmonic,
    Scratch,
    Squeak,
    Nail,
}

const SCORE: [Line<Stroke>; 14] = [
    (Stroke::Thump, 7, -4.0, -18.0, 0.8),
    (Stroke::Slap, 6, -5.0, -18.0, 0.6),
    (Stroke::Knuckle, 7, -6.0, -24.0, 0.5),
    (Stroke::Rib, 5, -9.0, -23.0, 0.45),
    (Stroke::Pluck, 8, -7.0, -18.0, 1.2),
    (Stroke::Damped, 8, -8.0, -25.0, 0.45),
    (Stroke::MutedStrum, 7, -8.0, -21.0, 0.6),
    (Stroke::Strum, 3, -8.0, -14.0, 1.8),
    (Stroke::Harmonic, 4, -13.0, -22.0, 1.1),
    (Stroke::Scratch, 6, -14.0, -28.0, 0.7),
    (Stroke::Squeak, 4, -18.0, -28.0, 0.7),
    (Stroke::Nail, 7, -19.0, -34.0, 0.36),
    (Stroke::Knuckle, 4, -15.0, -29.0, 0.24),
    (Stroke::MutedStrum, 4, -16.0, -28.0, 0.3),
];

/// Open strings E2, A2, D3, G3, B3, E4, Hz.
const STRINGS: [f64; 6] = [82.407, 110.0, 146.832, 195.998, 246.942, 329.628];
/// The air, the plates, then denser.
const BODY: [(f64, f64, f64); 13] = [
    (101.0, 0.22, 1.0),
    (189.0, 0.2, 0.9),
    (232.0, 0.16, 0.6),
    (318.0, 0.13, 0.5),
    (409.0, 0.11, 0.5),
    (553.0, 0.09, 0.42),
    (742.0, 0.08, 0.4),
    (1010.0, 0.06, 0.34),
    (1390.0, 0.05, 0.3),
    (1960.0, 0.04, 0.28),
    (2750.0, 0.03, 0.22),
    (3880.0, 0.025, 0.16),
    (5500.0, 0.02, 0.1),
];

pub(super) fn take(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0x617a);
    perform("invented-guitar.wav", &mut rng, &SCORE, play)
}

/// The partials of a string at `hz`, plucked at `spot` of its length.
fn string(hz: f64, spot: f64, t60: f64) -> Vec<Mode> {
    let partials = (1..=40).map(f64::from);
    let stretched = partials.map(|n| (n, n * hz * (1.0 + 3e-5 * n * n).sqrt()));
    let mut all = Vec::new();
    for (n, partial) in stretched.take_while(|p| p.1 < 10_000.0) {
        let decay = t60 / (1.0 + (partial / 900.0).powi(2) * 0.7 + 0.1 * n);
        let gain = sin(n * PI * spot) / n * exp(-partial / 4500.0);
        // the two planes of vibration
        all.push(Mode::new(partial, decay, 0.8 * gain));
        all.push(Mode::new(partial * 1.0006, decay * 0.5, 0.5 * gain));
    }
    all
}

fn pluck(rng: &mut Pcg32, hz: f64, t60: f64) -> Vec<f64> {
    let (hz, spot) = (hz * pow(2.0, draw(rng, -0.03, 0.03) / 12.0), draw(rng, 0.1, 0.22));
    let mut sound = struck(rng, &string(hz, spot, t60), 0.5, (0.08, 4000.0));
    let body = modes(rng, &BODY, 1.0);
    let thump = struck(rng, &body, 1.4, (0.2, 3000.0));
    add(&mut sound, &thump, 0.22);
    sound
}

/// All strings, one after the other, each ringing so long.
fn strum(rng: &mut Pcg32, t60: f64, fret: f64) -> Vec<f64> {
    let (mut sound, mut at) = (Vec::new(), 0.0);
    for hz in STRINGS {
        let one = pluck(rng, hz * pow(2.0, fret / 12.0), t60);
        add_at(&mut sound, &one, (at * DEMO_RATE) as usize, draw(rng, 0.7, 1.0));
        at += draw(rng, 0.005, 0.011);
    }
    sound
}

fn play(rng: &mut Pcg32, stroke: Stroke, i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Thump => {
            let body = modes(rng, &BODY, 1.0);
            struck(rng, &body, 7.0, (0.25, 1100.0))
        }
        Stroke::Slap => {
            let body = modes(rng, &BODY[2..], 0.6);
            let mut sound = struck(rng, &body, 1.0, (0.5, 4500.0));
            let strings = strum(rng, 0.1, 5.0);
            add(&mut sound, &strings, 0.3);
            sound
        }
        Stroke::Knuckle => {
            let body = modes(rng, &BODY[1..], 0.9);
            struck(rng, &body, 1.7, (0.3, 3000.0))
        }
        Stroke::Rib => {
            let body = modes(rng, &BODY[4..], 0.8);
            struck(rng, &body, 0.9, (0.35, 5000.0))
        }
        Stroke::Nail => {
            let body = modes(rng, &BODY[8..], 0.6);
            struck(rng, &body, 0.16, (0.7, 10_000.0))
        }
        Stroke::Pluck => pluck(rng, STRINGS[i % 6], 1.5),
        Stroke::Damped => pluck(rng, STRINGS[i % 6] * 1.26, 0.2),
        Stroke::MutedStrum => strum(rng, 0.12, 5.0),
        Stroke::Strum => strum(rng, 1.3, 0.0),
        Stroke::Harmonic => {
            let partials = [(2.0, 1.2, 1.0), (4.0, 0.7, 0.4), (6.0, 0.4, 0.15)];
            let table = partials.map(|(n, t60, gain)| (STRINGS[2 + i % 3] * n, t60, gain));
            let bell = table.map(|(hz, t60, gain)| Mode::new(hz, t60, gain));
            struck(rng, &bell, 0.6, (0.06, 5000.0))
        }
        Stroke::Scratch => rubbed(rng, (0.1, 0.35), 700.0, 0.5),
        Stroke::Squeak => rubbed(rng, (0.1, 0.2), 2100.0, 0.25),
    }
}

/// A finger along a wound string: its windings, and the string's own high partials.
fn rubbed(rng: &mut Pcg32, (short, long): (f64, f64), windings: f64, rough: f64) -> Vec<f64> {
    let length = draw(rng, short, long);
    let windings = windings * draw(rng, 0.8, 1.25);
    let force = rub(rng, length, 0.015, windings, rough, 12_000.0);
    let mut all = string(STRINGS[1] * 1.12, 0.05, 0.08);
    all.extend(modes(rng, &BODY[8..], 0.5));
    let mut sound = ring(&all, &force);
    scale_to(&mut sound, 1.0);
    add(&mut sound, &force, 0.4);
    sound
}
