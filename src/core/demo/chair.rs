//! A wooden chair: seat, legs, slats, and its creaking. Frequencies and decay times are plausible values, no source.

use super::{
    instrument::{DEMO_RATE, Mode, add, add_at, draw, ring, rub, scale_to},
    perform::{Line, modes, perform, struck},
};
use crate::take::Take;
use rand_pcg::Pcg32;

#[derive(Clone, Copy)]
enum Stroke {
    Palm,
    Knuckle,
    Nail,
    Leg,
    Slat,
    Slats,
    Creak,
    Stomp,
    Brush,
    Muted,
    Back,
}

const SCORE: [Line<Stroke>; 13] = [
    (Stroke::Stomp, 6, -4.0, -16.0, 0.95),
    (Stroke::Palm, 8, -5.0, -20.0, 0.7),
    (Stroke::Knuckle, 8, -6.0, -25.0, 0.5),
    (Stroke::Back, 6, -8.0, -22.0, 0.55),
    (Stroke::Leg, 8, -9.0, -26.0, 0.5),
    (Stroke::Slat, 8, -8.0, -24.0, 0.5),
    (Stroke::Muted, 6, -8.0, -24.0, 0.45),
    (Stroke::Slats, 5, -10.0, -20.0, 0.9),
    (Stroke::Creak, 5, -14.0, -26.0, 1.1),
    (Stroke::Brush, 6, -18.0, -31.0, 0.6),
    (Stroke::Nail, 6, -19.0, -34.0, 0.36),
    (Stroke::Leg, 4, -15.0, -30.0, 0.26),
    (Stroke::Knuckle, 4, -14.0, -30.0, 0.24),
];

/// A plate of wood with its air below.
const SEAT: [(f64, f64, f64); 11] = [
    (92.0, 0.16, 1.0),
    (163.0, 0.14, 0.8),
    (248.0, 0.12, 0.7),
    (391.0, 0.10, 0.55),
    (540.0, 0.09, 0.5),
    (782.0, 0.07, 0.42),
    (1130.0, 0.06, 0.36),
    (1690.0, 0.05, 0.3),
    (2410.0, 0.04, 0.24),
    (3560.0, 0.03, 0.18),
    (5120.0, 0.02, 0.12),
];
/// Ratios of a bar that is free at both ends (Euler-Bernoulli: 3.011 squared and so on over 1.506 squared).
const BAR: [f64; 5] = [1.0, 2.757, 5.404, 8.933, 13.34];

fn bar(rng: &mut Pcg32, hz: f64, t60: f64) -> Vec<Mode> {
    let table = BAR.map(|ratio| (hz * ratio, t60 / ratio.sqrt(), 1.0 / ratio.sqrt()));
    modes(rng, &table, 1.0)
}

pub(super) fn take(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0xc4a1);
    perform("invented-chair.wav", &mut rng, &SCORE, play)
}

fn play(rng: &mut Pcg32, stroke: Stroke, i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Palm => {
            let seat = modes(rng, &SEAT, 1.0);
            struck(rng, &seat, 6.0, (0.3, 1400.0))
        }
        Stroke::Knuckle => {
            let seat = modes(rng, &SEAT[2..], 1.0);
            struck(rng, &seat, 1.6, (0.35, 3000.0))
        }
        Stroke::Nail => {
            let seat = modes(rng, &SEAT[6..], 0.8);
            struck(rng, &seat, 0.2, (0.6, 9000.0))
        }
        Stroke::Leg => {
            let leg = bar(rng, [412.0, 438.0, 455.0, 401.0][i % 4], 0.18);
            struck(rng, &leg, 0.5, (0.2, 6000.0))
        }
        Stroke::Slat => {
            let slat = bar(rng, [655.0, 702.0, 748.0, 811.0][i % 4], 0.14);
            struck(rng, &slat, 0.6, (0.25, 6000.0))
        }
        Stroke::Back => {
            let back = modes(rng, &SEAT[1..8], 0.7);
            struck(rng, &back, 3.0, (0.3, 2200.0))
        }
        Stroke::Muted => {
            let seat = modes(rng, &SEAT[1..], 0.35);
            struck(rng, &seat, 1.8, (0.6, 2600.0))
        }
        Stroke::Stomp => stomp(rng),
        Stroke::Slats => slats(rng),
        Stroke::Creak => creak(rng),
        Stroke::Brush => brush(rng),
    }
}

/// The chair dropped on the floor: a low thud and its four legs, not quite at once.
fn stomp(rng: &mut Pcg32) -> Vec<f64> {
    let floor = modes(rng, &[(58.0, 0.24, 1.0), (84.0, 0.2, 0.8), (131.0, 0.14, 0.5)], 1.0);
    let mut sound = struck(rng, &floor, 7.0, (0.15, 900.0));
    for _ in 0..4 {
        let hz = draw(rng, 390.0, 470.0);
        let leg = bar(rng, hz, 0.12);
        let one = struck(rng, &leg, 0.9, (0.3, 4000.0));
        add_at(&mut sound, &one, (draw(rng, 0.0, 0.012) * DEMO_RATE) as usize, 0.22);
    }
    sound
}

/// A stick drawn over the slats of the back.
fn slats(rng: &mut Pcg32) -> Vec<f64> {
    let (mut sound, mut at) = (Vec::new(), 0.0);
    for hz in [655.0, 702.0, 748.0, 811.0, 760.0, 690.0] {
        let slat = bar(rng, hz, 0.12);
        let one = struck(rng, &slat, 0.4, (0.3, 7000.0));
        add_at(&mut sound, &one, (at * DEMO_RATE) as usize, draw(rng, 0.6, 1.0));
        at += draw(rng, 0.035, 0.06);
    }
    sound
}

/// A joint that slips and sticks.
fn creak(rng: &mut Pcg32) -> Vec<f64> {
    let (length, rate) = (draw(rng, 0.3, 0.6), draw(rng, 38.0, 75.0));
    let force = rub(rng, length, 0.03, rate, 0.12, 6000.0);
    let seat = modes(rng, &SEAT[3..], 0.8);
    let mut sound = ring(&seat, &force);
    scale_to(&mut sound, 1.0);
    sound
}

/// The flat hand drawn over the seat.
fn brush(rng: &mut Pcg32) -> Vec<f64> {
    let length = draw(rng, 0.14, 0.28);
    let force = rub(rng, length, 0.04, 300.0, 1.0, 11_000.0);
    let seat = modes(rng, &SEAT[7..], 0.3);
    let mut sound = ring(&seat, &force);
    scale_to(&mut sound, 1.0);
    add(&mut sound, &force, 0.5);
    sound
}
