//! From a trigger to grains: velocity, slice, variation, layers and cloud combined.

use super::{
    cloud::{self, CloudGrain},
    draw::{DrawPurpose, Draws, Index},
    dsp::envelope::EnvelopeShape,
    grain::{Grain, GrainSettings},
    play_kit::{PlayKit, PlayPad},
    play_layer::PlayLayer,
    play_slice::{PlaySlice, SampleSource, pan},
    ramp::Ramp,
    transport::SongPosition,
    variation::{Offsets, TriggerCounter},
    voice::VoicePart,
    voice_pool::VoicePool,
};
use crate::{
    kit::{Alternate, Channels, PADS},
    settings::{KitTrims, PadTrims},
    units::{db_to_gain, gain_to_db, ms_to_frames, power_to_db},
};

/// Everything that decides how a trigger sounds.
pub(super) struct Trigger<'a> {
    pub kit: &'a PlayKit,
    pub pad: usize,
    pub trims: &'a PadTrims,
    pub kit_trims: &'a KitTrims,
    pub song: &'a SongPosition,
    /// Pitch trim that moves while the voice sounds, semitones.
    pub bend: &'a Ramp,
    /// Absolute frame of the trigger.
    pub now: u64,
    pub sample_rate: f64,
    /// 0 to 1, before the velocity curve.
    pub velocity: f32,
    /// Added to the pitch of every layer, semitones.
    pub transpose_st: f32,
    /// Frames that the pad's limiters look ahead.
    pub ahead: usize,
    /// Whether grains are read with short kernels.
    pub draft: bool,
}

/// What was drawn for a trigger.
#[derive(Debug, Clone, Copy)]
pub(super) struct TriggerResult {
    /// Index of the slice within the pad.
    pub slice: usize,
    pub offsets: Offsets,
    /// Number of grains in the cloud.
    pub grains: usize,
    /// The first `grains` of them are in use.
    pub cloud: [CloudGrain; cloud::MAX_GRAINS_PER_CLOUD],
}

/// What all grains of one voice have in common.
struct VoicePlan {
    slice: PlaySlice,
    /// Its place among the pad's slices.
    slice_index: usize,
    offsets: Offsets,
    /// After the velocity curve.
    velocity: f64,
    /// Added to the level of the layers, dB; 0 without a cloud.
    dry_db: f64,
}

impl Trigger<'_> {
    /// Starts a voice; `None` when the pad is empty or the pool has no free voice.
    pub fn start(&self, counter: &mut TriggerCounter, pool: &mut VoicePool) -> Option<(u16, TriggerResult)> {
        let pad = &self.kit.pads[self.pad];
        debug_assert!(self.pad < PADS);
        if pad.is_empty() {
            return None;
        }
        let velocity = self.curved_velocity();
        let index = counter.next(&pad.pad.variation, self.song, self.now);
        let slice = self.choose_slice(pad, velocity, index, counter);
        let amount = f64::from(self.trims.vary) * f64::from(self.kit_trims.vary);
        let offsets =
            Offsets::draw(&pad.pad.variation, amount, index, |i| self.draws(i, DrawPurpose::Variation));
        let mut grains = [CloudGrain::default(); cloud::MAX_GRAINS_PER_CLOUD];
        let mut cloud_draws = self.draws(index, DrawPurpose::Cloud);
        let count = cloud::plan(&pad.pad.cloud, &self.cloud_scale(), &mut cloud_draws, &mut grains);
        pool.make_room(count, self.now);
        let id = pool.start(pad.pad.settings.held, self.ahead, self.now)?;
        let plan = VoicePlan {
            // A pad whose layers all have their own slices needs none of its own.
            slice: slice.map_or_else(|| pad.layers[0].slice.unwrap_or(NO_SLICE), |s| pad.slices[s]),
            slice_index: slice.unwrap_or(0),
            offsets,
            velocity,
            dry_db: if count > 0 { f64::from(pad.pad.cloud.dry_db) } else { 0.0 },
        };
        for layer in &pad.layers {
            pool.add(id, VoicePart::Layers, self.layer_grain(layer, pad, &plan));
        }
        for (k, grain) in grains[..count].iter().enumerate() {
            let layer = &pad.layers[k % pad.layers.len()];
            pool.add(id, VoicePart::Cloud, self.cloud_grain(layer, pad, &plan, grain, count));
        }
        Some((id, TriggerResult { slice: slice.unwrap_or(0), offsets, grains: count, cloud: grains }))
    }

    fn draws(&self, index: Index, purpose: DrawPurpose) -> Draws {
        Draws::new(self.kit.kit.doc.seed, self.pad, index, purpose)
    }

    /// Velocity after the kit's velocity curve.
    fn curved_velocity(&self) -> f64 {
        self.kit_trims.curved(f64::from(self.velocity.clamp(0.0, 1.0)))
    }

    /// Index of the slice to play: one of those for this velocity, or of the nearest ones when none fits.
    fn choose_slice(
        &self,
        pad: &PlayPad,
        velocity: f64,
        index: Index,
        counter: &mut TriggerCounter,
    ) -> Option<usize> {
        const MAX_CHOICES: usize = 128;
        let mut fitting = [0; MAX_CHOICES];
        let mut n = 0;
        let distance = |s: &PlaySlice| {
            let [low, high] = s.velocities.map(f64::from);
            (low - velocity).max(velocity - high).max(0.0)
        };
        let nearest = pad.slices.iter().map(distance).min_by(f64::total_cmp)?;
        for (i, _) in pad.slices.iter().enumerate().filter(|(_, s)| distance(s) == nearest).take(MAX_CHOICES)
        {
            fitting[n] = i;
            n += 1;
        }
        let random = pad.pad.settings.alternate == Alternate::Random;
        Some(counter.choose(&fitting[..n], random, index, &mut self.draws(index, DrawPurpose::Slice)))
    }

    fn cloud_scale(&self) -> cloud::Scale {
        cloud::Scale {
            grains: f64::from(self.trims.copies),
            spread: f64::from(self.trims.spread),
            scatter: f64::from(self.trims.scatter),
            width: f64::from(self.trims.width),
        }
    }

    fn layer_grain(&self, layer: &PlayLayer, pad: &PlayPad, plan: &VoicePlan) -> Grain {
        let mut settings = self.grain_settings(layer, pad, plan);
        let level = self.level_db(layer, plan) + plan.dry_db;
        settings.gains = self.gains(layer, level, 0.0);
        self.grain(&settings)
    }

    fn cloud_grain(
        &self,
        layer: &PlayLayer,
        pad: &PlayPad,
        plan: &VoicePlan,
        grain: &CloudGrain,
        count: usize,
    ) -> Grain {
        let mut settings = self.grain_settings(layer, pad, plan);
        let cloud = &pad.pad.cloud;
        // Grains add up in power, as uncorrelated sounds do: the cloud is equally loud with any number of them.
        let normalisation = -power_to_db(count as f64);
        let level = self.level_db(layer, plan) + f64::from(cloud.cloud_db) + grain.level_db + normalisation;
        settings.gains = self.gains(layer, level, grain.pan);
        settings.delay += self.frames(grain.delay_ms);
        settings.pitch_st += grain.pitch_st;
        settings.reverse ^= grain.reverse;
        if settings.reverse {
            settings.slice = layer.slice.unwrap_or(plan.slice);
        }
        settings.length = grain.length;
        settings.shape.hold_ms *= grain.length as f32;
        settings.shape.decay_ms *= grain.length as f32;
        settings.soft_ms = f64::from(cloud.window_ms);
        if grain.limit_ms.is_finite() {
            settings.limit = self.frames(grain.limit_ms).max(1);
        }
        self.grain(&settings)
    }

    fn grain(&self, settings: &GrainSettings<'_>) -> Grain {
        let grain = Grain::new(settings, self.bend, self.now, self.sample_rate);
        if self.draft { grain.draft() } else { grain }
    }

    /// Settings of a layer's grain, before level and pan.
    fn grain_settings<'a>(&self, layer: &'a PlayLayer, pad: &PlayPad, plan: &VoicePlan) -> GrainSettings<'a> {
        let s = &layer.settings;
        let depth = f64::from(self.trims.velocity);
        let softness = (1.0 - plan.velocity) * depth;
        let mut shape = EnvelopeShape::from(s);
        shape.attack_ms += self.trims.attack_ms;
        for ms in [&mut shape.hold_ms, &mut shape.decay_ms, &mut shape.release_ms] {
            *ms *= self.trims.length;
        }
        let slice = layer.with_tail(plan.slice_index).unwrap_or(layer.slice.unwrap_or(plan.slice));
        // Variation does not move a high cut that is off; a low velocity does.
        let varied = if s.high_cut_hz < 20_000.0 { plan.offsets.cut_oct } else { 0.0 };
        let octaves = varied - f64::from(s.velocity_cut_oct) * softness;
        let count = self.kit.channels(slice.source).len();
        GrainSettings {
            slice,
            settings: s,
            stereo: count > 1 && s.channels == Channels::Both,
            channel: usize::from(s.channels == Channels::Right && count > 1),
            delay: self.frames(f64::from(s.delay_ms)),
            start_ms: f64::from(s.start_ms) + f64::from(self.trims.start_ms) + plan.offsets.start_ms,
            pitch_st: f64::from(s.pitch_st)
                + f64::from(s.fine_ct) / 100.0
                + plan.offsets.pitch_st
                + f64::from(self.transpose_st)
                - f64::from(s.velocity_pitch_st) * softness,
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

    /// Level of a layer, dB. The velocity in dB is multiplied by 2 × `velocity_level` × the velocity trim: where the last two
    /// multiply to 1, the level follows the square of the velocity (R. B. Dannenberg, "The Interpretation of MIDI
    /// Velocity", 2006).
    fn level_db(&self, layer: &PlayLayer, plan: &VoicePlan) -> f64 {
        let s = &layer.settings;
        let depth = 2.0 * f64::from(s.velocity_level) * f64::from(self.trims.velocity);
        let slice = layer.slice.unwrap_or(plan.slice);
        let softer = if depth > 0.0 { depth * gain_to_db(plan.velocity.max(1e-6)) } else { 0.0 };
        f64::from(s.level_db) + f64::from(slice.gain_db) + plan.offsets.level_db + softer
    }

    fn gains(&self, layer: &PlayLayer, level_db: f64, pan_offset: f64) -> [f32; 2] {
        let gain = if level_db == 0.0 { 1.0 } else { db_to_gain(level_db) as f32 };
        let position = f64::from(layer.settings.pan) * f64::from(self.trims.width) + pan_offset;
        pan(position).map(|g| g * gain)
    }

    fn frames(&self, ms: f64) -> u64 {
        ms_to_frames(ms, self.sample_rate).round() as u64
    }
}

/// Placeholder where every layer has a slice of its own.
const NO_SLICE: PlaySlice = PlaySlice {
    source: SampleSource::Take(0),
    start: 0,
    end: 1,
    rate: 1.0,
    offset: [0.0; 2],
    sounds_from: 0.0,
    gain_db: 0.0,
    velocities: [0.0, 1.0],
    repeats: None,
};
