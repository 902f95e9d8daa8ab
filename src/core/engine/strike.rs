//! From a stroke to readings: velocity, slice, variation, layers and cloud put together.

use super::{
    cloud::{self, Copy},
    draw::{Draws, Index, Purpose},
    dsp::{envelope::Shape, math},
    hits::{Hits, Part},
    play_kit::{PlayKit, PlayLayer, PlayPad, PlaySlice, pan},
    ramp::Ramp,
    reading::{Order, Reading},
    variation::{Counter, Shift, Song},
};
use crate::{
    kit::{Alternate, PADS},
    settings::{KitTrims, PadTrims},
};

/// Everything that decides how a stroke sounds.
pub(super) struct Stroke<'a> {
    pub kit: &'a PlayKit,
    pub pad: usize,
    pub trims: &'a PadTrims,
    pub kit_trims: &'a KitTrims,
    pub song: &'a Song,
    /// Pitch that moves while the hit sounds.
    pub bend: &'a Ramp,
    pub now: u64,
    pub sample_rate: f64,
    /// 0 to 1, before the velocity curve.
    pub velocity: f32,
    /// Frames that the pad's limiters look ahead.
    pub ahead: usize,
}

/// What was drawn.
#[derive(Debug, Clone, Copy)]
pub(super) struct Drawn {
    pub slice: usize,
    pub shift: Shift,
    pub copies: usize,
    /// The first `copies` of them.
    pub cloud: [Copy; cloud::MAX_COPIES],
}

/// A hit on its way: the same for all of its layers.
struct Plan {
    slice: PlaySlice,
    shift: Shift,
    velocity: f64,
    /// Added to the level of layers, dB: the hit against its cloud.
    dry_db: f64,
}

impl Stroke<'_> {
    /// Starts the hit; `None` when the pad is empty or nothing is free.
    pub fn start(&self, counter: &mut Counter, hits: &mut Hits) -> Option<(u16, Drawn)> {
        let pad = &self.kit.pads[self.pad];
        debug_assert!(self.pad < PADS);
        if pad.is_empty() {
            return None;
        }
        let velocity = self.curved();
        let index = counter.next(&pad.pad.variation, self.song, self.now);
        let slice = self.choose(pad, velocity, index, counter);
        let amount = f64::from(self.trims.vary) * f64::from(self.kit_trims.vary);
        let shift = Shift::draw(&pad.pad.variation, amount, index, |i| self.draws(i, Purpose::Variation));
        let mut copies = [Copy::default(); cloud::MAX_COPIES];
        let mut cloud_draws = self.draws(index, Purpose::Cloud);
        let count = cloud::plan(&pad.pad.cloud, &self.cloud_scale(), &mut cloud_draws, &mut copies);
        hits.make_room(count, self.now);
        let id = hits.start(pad.pad.settings.held, self.ahead, self.now)?;
        let plan = Plan {
            // A pad whose layers all have their own slices needs none of its own.
            slice: slice.map_or_else(|| pad.layers[0].slice.unwrap_or(EMPTY), |s| pad.slices[s]),
            shift,
            velocity,
            dry_db: if count > 0 { f64::from(pad.pad.cloud.dry_db) } else { 0.0 },
        };
        for layer in &pad.layers {
            hits.add(id, Part::Layers, self.layer(layer, pad, &plan));
        }
        for (k, copy) in copies[..count].iter().enumerate() {
            let layer = &pad.layers[k % pad.layers.len()];
            hits.add(id, Part::Copies, self.copy(layer, pad, &plan, copy, count));
        }
        Some((id, Drawn { slice: slice.unwrap_or(0), shift, copies: count, cloud: copies }))
    }

    fn draws(&self, index: Index, purpose: Purpose) -> Draws {
        Draws::new(self.kit.kit.doc.seed, self.pad, index, purpose)
    }

    /// The velocity curve: a power from 2^-1.5 to 2^1.5.
    fn curved(&self) -> f64 {
        let bend = libm::exp2(1.5 * f64::from(self.kit_trims.velocity_curve));
        libm::pow(f64::from(self.velocity.clamp(0.0, 1.0)), bend)
    }

    /// Index of the slice that sounds, among those for this velocity (the nearest ones when none fits).
    fn choose(&self, pad: &PlayPad, velocity: f64, index: Index, counter: &mut Counter) -> Option<usize> {
        const MOST: usize = 128;
        let mut fitting = [0; MOST];
        let mut n = 0;
        let away = |s: &PlaySlice| {
            let [low, high] = s.velocities.map(f64::from);
            (low - velocity).max(velocity - high).max(0.0)
        };
        let nearest = pad.slices.iter().map(away).min_by(f64::total_cmp)?;
        for (i, _) in pad.slices.iter().enumerate().filter(|(_, s)| away(s) == nearest).take(MOST) {
            fitting[n] = i;
            n += 1;
        }
        let random = pad.pad.settings.alternate == Alternate::Random;
        Some(counter.choose(&fitting[..n], random, index, &mut self.draws(index, Purpose::Slice)))
    }

    fn cloud_scale(&self) -> cloud::Scale {
        cloud::Scale {
            copies: f64::from(self.trims.copies),
            spread: f64::from(self.trims.spread),
            scatter: f64::from(self.trims.scatter),
            width: f64::from(self.trims.width),
        }
    }

    fn layer(&self, layer: &PlayLayer, pad: &PlayPad, plan: &Plan) -> Reading {
        let mut order = self.order(layer, pad, plan);
        let level = self.level(layer, plan) + plan.dry_db;
        order.gains = self.gains(layer, level, 0.0);
        Reading::new(&order, self.bend, self.now, self.sample_rate)
    }

    fn copy(&self, layer: &PlayLayer, pad: &PlayPad, plan: &Plan, copy: &Copy, count: usize) -> Reading {
        let mut order = self.order(layer, pad, plan);
        let cloud = &pad.pad.cloud;
        // Copies add up like noise: their number leaves the level of the cloud alone.
        let together = -10.0 * libm::log10(count as f64);
        let level = self.level(layer, plan) + f64::from(cloud.cloud_db) + copy.level_db + together;
        order.gains = self.gains(layer, level, copy.pan);
        order.delay += self.frames(copy.delay_ms);
        order.pitch_st += copy.pitch_st;
        order.reverse ^= copy.reverse;
        order.length = copy.length;
        order.shape.hold_ms *= copy.length as f32;
        order.shape.decay_ms *= copy.length as f32;
        order.soft_ms = f64::from(cloud.window_ms);
        if copy.limit_ms.is_finite() {
            order.limit = self.frames(copy.limit_ms).max(1);
        }
        Reading::new(&order, self.bend, self.now, self.sample_rate)
    }

    /// A layer's reading before level and pan.
    fn order<'a>(&self, layer: &'a PlayLayer, pad: &PlayPad, plan: &Plan) -> Order<'a> {
        let s = &layer.settings;
        let depth = f64::from(self.trims.velocity);
        let soft = (1.0 - plan.velocity) * depth;
        let mut shape = Shape::from(s);
        shape.attack_ms += self.trims.attack_ms;
        for ms in [&mut shape.hold_ms, &mut shape.decay_ms, &mut shape.release_ms] {
            *ms *= self.trims.length;
        }
        let slice = layer.slice.unwrap_or(plan.slice);
        // An open high cut stays open unless softness closes it.
        let shift = if s.high_cut_hz < 20_000.0 { plan.shift.cut_oct } else { 0.0 };
        let octaves = shift - f64::from(s.velocity_cut_oct) * soft;
        Order {
            slice,
            settings: s,
            stereo: self.kit.channels(slice.take).len() > 1,
            delay: self.frames(f64::from(s.delay_ms)),
            start_ms: f64::from(s.start_ms) + f64::from(self.trims.start_ms) + plan.shift.start_ms,
            pitch_st: f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0 + plan.shift.pitch_st
                - f64::from(s.velocity_pitch_st) * soft,
            high_cut_hz: f64::from(s.high_cut_hz) * libm::exp2(octaves),
            gains: [0.0; 2],
            reverse: s.reverse,
            shape,
            held: pad.pad.settings.held,
            limit: u64::MAX,
            length: 1.0,
            soft_ms: 0.0,
        }
    }

    /// dB of a layer: a soft stroke falls by twice the depth times its velocity in dB, at full depth
    /// the square law of R. B. Dannenberg, "The Interpretation of MIDI Velocity" (2006).
    fn level(&self, layer: &PlayLayer, plan: &Plan) -> f64 {
        let s = &layer.settings;
        let depth = 2.0 * f64::from(s.velocity_level) * f64::from(self.trims.velocity);
        let slice = layer.slice.unwrap_or(plan.slice);
        let softer = if depth > 0.0 { depth * math::gain_to_db(plan.velocity.max(1e-6)) } else { 0.0 };
        f64::from(s.level_db) + f64::from(slice.gain_db) + plan.shift.level_db + softer
    }

    fn gains(&self, layer: &PlayLayer, level_db: f64, place: f64) -> [f32; 2] {
        let gain = if level_db == 0.0 { 1.0 } else { math::db_to_gain(level_db) as f32 };
        let place = f64::from(layer.settings.pan) * f64::from(self.trims.width) + place;
        pan(place).map(|g| g * gain)
    }

    fn frames(&self, ms: f64) -> u64 {
        (ms * self.sample_rate / 1000.0).round() as u64
    }
}

/// Stands in where every layer has a slice of its own.
const EMPTY: PlaySlice =
    PlaySlice { take: 0, start: 0, end: 1, rate: 1.0, gain_db: 0.0, velocities: [0.0, 1.0] };
