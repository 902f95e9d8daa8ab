//! A synthetic hit for the tests of casting.

use super::{auditioner::AUDITION_RATE, features::Features};
use crate::{
    kit::{Kit, TakeEntry},
    listen,
    take::Take,
};
use std::sync::Arc;

/// A kit with one take of one hit, a plucked tone of `hz` that decays as exp(-`fall` t) after a noisy start (noise:
/// the generator of Numerical Recipes), and the measures of the hit.
pub fn plucked(hz: f64, fall: f64) -> (Kit, Features) {
    let mut state = 1u32;
    let samples: Vec<f32> = (0..36_000)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / f64::from(1 << 23) - 1.0;
            let t = f64::from(i) / AUDITION_RATE;
            let tone: f64 =
                (1..=8).map(|h| (std::f64::consts::TAU * hz * f64::from(h) * t).sin() / f64::from(h)).sum();
            (0.25 * tone * (-fall * t).exp() + 0.3 * noise * (-90.0 * t).exp()) as f32
        })
        .collect();
    let raw = Features::of(&samples, AUDITION_RATE).unwrap();
    let take = Arc::new(Take::from_samples("pluck", 48_000, vec![samples]));
    let description = listen::describe(&take, 0, 36_000);
    let hit = listen::Hit { start: 0, end: 36_000, by_hand: false, description };
    let mut kit = Kit::default();
    kit.doc.takes = vec![TakeEntry::new(&take, vec![hit])];
    kit.takes = vec![take];
    (kit, raw)
}
