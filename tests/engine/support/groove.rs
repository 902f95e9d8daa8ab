//! Loads for measurements of speed: a storm (every voice at once) and a groove.

use super::{noise_take, prepared, sine_take, still};
use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{Kit, Layer, PADS, Slice},
    take::Take,
};
use std::sync::Arc;

/// Hz.
pub const RATE: f64 = 48_000.0;
/// Frames of a block.
pub const BLOCK: usize = 64;
/// Frames of the groove whose instructions are counted: three tenths of a second.
pub const GROOVE_FRAMES: usize = 14_400;

/// Sixteen pads of long pitched layers and copies, everything flat and sounding for 4 s.
pub fn dense_kit(layers: usize, copies: u8) -> Arc<PlayKit> {
    let mut kit =
        Kit { takes: vec![noise_take(44_100, 1, 1), sine_take(48_000, 300.0, 4.0)], ..Kit::default() };
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.note = 36 + p as u8;
        pad.variation = still();
        pad.slices = vec![Slice { take: 1, start: 0, end: 190_000, gain_db: -30.0, velocities: [0.0, 1.0] }];
        pad.layers = vec![Layer::default(); layers];
        for (i, layer) in pad.layers.iter_mut().enumerate() {
            layer.settings.hold_ms = 5000.0;
            layer.settings.pitch_st = -7.0 + 1.7 * i as f32 + 0.1 * p as f32;
        }
        pad.cloud.copies = copies;
        pad.cloud.spread_ms = 20.0;
    }
    prepared(&kit)
}

/// The kit of a storm: sixteen pads of four layers and 48 copies, of a mono or stereo take, the layers spread over
/// a range of semitones.
pub fn storm_kit(stereo: bool, [low, high]: [f32; 2]) -> Arc<PlayKit> {
    let tone = |hz| sine_take(48_000, hz, 6.0).channels[0].clone();
    let channels = if stereo { vec![tone(300.0), tone(401.0)] } else { vec![tone(300.0)] };
    let mut kit = dense_kit(4, 48).kit.as_ref().clone();
    kit.takes[1] = Arc::new(Take::from_samples("storm", 48_000, channels));
    for pad in &mut kit.doc.pads {
        pad.slices[0].end = 280_000;
        for (i, layer) in pad.layers.iter_mut().enumerate() {
            layer.settings.pitch_st = low + (high - low) * i as f32 / 3.0;
        }
    }
    prepared(&kit)
}

/// The groove's kit: hits of a third of a second with clouds of 12.
pub fn groove_kit() -> Arc<PlayKit> {
    let mut kit = Kit { takes: vec![noise_take(44_100, 1, 1)], ..Kit::default() };
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.slices = vec![Slice { take: 0, start: 0, end: 15_000, gain_db: -20.0, velocities: [0.0, 1.0] }];
        pad.layers[0].settings.pitch_st = -5.0 + p as f32 * 0.7;
        pad.layers[0].settings.decay_ms = 300.0;
        pad.cloud.copies = 12;
    }
    prepared(&kit)
}

/// A kit with every pad's limiter on.
pub fn limited(kit: &PlayKit) -> Arc<PlayKit> {
    let mut kit = kit.kit.as_ref().clone();
    kit.doc.pads.iter_mut().for_each(|pad| pad.tone.limiter.on = true);
    prepared(&kit)
}

/// Triggers of the groove before block `block`: four pads on each sixteenth at 120, all pads in turn.
pub fn trigger_groove(engine: &mut Engine, block: usize) {
    if block.is_multiple_of(94) {
        (0..4).for_each(|i| engine.trigger((block / 94 * 5 + i * 3) % PADS, 0.8));
    }
}

/// Plays the groove for `frames` frames, in blocks; returns the peak.
pub fn play_groove(engine: &mut Engine, frames: usize) -> f32 {
    let mut peak = 0.0_f32;
    for block in 0..frames / BLOCK {
        trigger_groove(engine, block);
        engine.render(BLOCK);
        peak = engine.main()[0].iter().fold(peak, |p, x| p.max(x.abs()));
    }
    peak
}
