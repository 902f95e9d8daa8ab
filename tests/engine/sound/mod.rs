//! Layers, clouds, tone chains and look-ahead, measured at the output of the whole engine.

mod cloud;
mod filters;
mod layer;
mod lookahead;
mod tail;
mod tone;

use crate::support::{Event, NOTES, bare_kit, on, play, prepared, still};
use kitwright_core::{
    kit::{Kit, LayerSettings},
    take::Take,
    units::gain_to_db,
};
use std::{f64::consts::TAU, sync::Arc};

/// Hz, of takes and engine.
const RATE: f64 = 48_000.0;

/// A take of one channel.
fn take(samples: Vec<f32>) -> Arc<Take> {
    Arc::new(Take::from_samples("take", RATE as u32, vec![samples]))
}

/// A sine at a quarter of full scale.
fn sine(hz: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|i| (0.25 * (TAU * hz * i as f64 / RATE).sin()) as f32).collect()
}

/// A pad that plays all of a take at its own level, without variation, until the take ends.
fn plain(samples: Vec<f32>) -> Kit {
    let mut kit = bare_kit(take(samples), 1);
    let pad = &mut kit.doc.pads[0];
    pad.variation = still();
    pad.layers[0].settings = LayerSettings { hold_ms: 5000.0, velocity_level: 0.0, ..pad.layers[0].settings };
    kit
}

/// A pad that plays `frames` samples of a constant level. As many of the opposite level follow in the take, so that it has
/// no constant offset, which would be removed.
fn steady(level: f32, frames: usize) -> Kit {
    let mut kit = plain([vec![level; frames], vec![-level; frames]].concat());
    kit.doc.pads[0].slices[0].end = frames as u64;
    kit
}

/// Left output of a trigger at frame 0 and of the events after it.
fn played(kit: &Kit, velocity: f32, more: Vec<Event>, frames: usize) -> Vec<f32> {
    let mut events = vec![on(0, NOTES[0], velocity)];
    events.extend(more);
    let [left, _] = play(&prepared(kit), RATE, &events, frames, &mut |_| 64).main;
    left
}

/// Level of a sine at full scale as 0 dB.
fn level_db(x: &[f32]) -> f64 {
    gain_to_db(crate::support::rms(x) * std::f64::consts::SQRT_2)
}

/// The largest fourth difference: it amplifies half the sample rate 16 times and suppresses low tones.
fn roughness(x: &[f32]) -> f32 {
    x.windows(5).map(|w| (w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4]).abs()).fold(0.0, f32::max)
}
