//! Key parts for other samplers: a sample every few keys, sustained by a loop.

use super::strokes::{Stroke, VelocityCurve, looped, next_velocity, strength};
use crate::{
    engine::{Engine, PlayKit},
    error::Result,
    export::{MAX_TAIL_S, Stereo, render::trim_end, summary::key_part_stems},
    kit::{Document, KeyPart, Kit},
    progress::Progress,
    units::{gain_to_db, note_to_hz},
};
use std::sync::Arc;

/// Keys that share a sample: two to either side are pitched by 2 semitones at most. Common practice, no source.
const KEYS_PER_SAMPLE: usize = 4;
/// Keys with samples of their own; those beyond are pitched from the last ones.
const SAMPLED_KEYS: [u8; 2] = [24, 96];
/// Longest wait for the envelope to reach its sustain and the hit its loop, seconds.
const MAX_SETTLE_S: f64 = 6.0;
/// Least length of a loop, and how much longer it may be to hold whole periods more exactly, seconds.
const LOOP_S: f64 = 0.5;
const MORE_LOOP_S: f64 = 1.0;
/// Crossfade at a loop's end, seconds: what repeats is periodic already.
const LOOP_FADE_S: f64 = 0.02;
/// Velocity of the samples.
const LOUDEST: u8 = 127;
/// How long a key is down when only its level is measured, seconds.
const MEASURED_S: f64 = 1.0;

/// How a key part is sampled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct KeyPlan {
    /// Index of the part.
    pub part: usize,
    /// Start of its files' names: "keys-1".
    pub stem: String,
    /// Name to show.
    pub name: String,
    /// MIDI channel, 0 to 15.
    pub channel: u8,
    /// Whether it plays one key at a time.
    pub mono: bool,
    /// Time to silence after a key is let go, seconds.
    pub release_s: f32,
    /// From the lowest up.
    pub zones: Vec<KeyZone>,
}

/// Keys that one sample plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct KeyZone {
    /// Lowest key.
    pub low: u8,
    /// Highest key.
    pub high: u8,
    /// The key that is recorded.
    pub root: u8,
}

impl KeyPlan {
    /// The parts of a kit that play.
    pub fn all(kit: &Kit) -> Vec<Self> {
        let plan = |(part, file): (usize, String)| {
            let KeyPart { name, settings, .. } = &kit.doc.key_parts[part];
            Self {
                part,
                stem: file.trim_end_matches(".wav").to_owned(),
                name: name.clone(),
                channel: settings.channel.clamp(1, 16) - 1,
                mono: settings.mono,
                release_s: settings.release_ms / 1000.0,
                zones: zones(settings.low_key.min(127), settings.high_key.min(127)),
            }
        };
        key_part_stems(kit).map(plan).filter(|plan| !plan.zones.is_empty()).collect()
    }

    /// "keys-1-k36.wav".
    pub fn sample_file(&self, zone: &KeyZone) -> String {
        format!("{}-k{:02}.wav", self.stem, zone.root)
    }
}

/// Zones that hold every key from `low` to `high` once.
fn zones(low: u8, high: u8) -> Vec<KeyZone> {
    if low > high {
        return Vec::new();
    }
    let first = SAMPLED_KEYS[0].clamp(low, high);
    let last = SAMPLED_KEYS[1].clamp(first, high);
    let starts: Vec<u8> = (first..=last).step_by(KEYS_PER_SAMPLE).collect();
    let zone = |(i, &start): (usize, &u8)| {
        let end = starts.get(i + 1).map_or(last, |next| next - 1);
        KeyZone {
            low: if i == 0 { low } else { start },
            high: if i + 1 == starts.len() { high } else { end },
            root: start + (end - start) / 2,
        }
    };
    starts.iter().enumerate().map(zone).collect()
}

/// Plays keys of a part.
pub(super) struct KeyPlayer<'a> {
    kit: &'a Arc<PlayKit>,
    plan: &'a KeyPlan,
    progress: &'a dyn Progress,
}

impl<'a> KeyPlayer<'a> {
    /// For the part of `plan` in `kit`, until `progress` is cancelled.
    pub fn new(kit: &'a Arc<PlayKit>, plan: &'a KeyPlan, progress: &'a dyn Progress) -> Self {
        Self { kit, plan, progress }
    }

    fn doc(&self) -> &Document {
        &self.kit.kit.doc
    }

    /// The sample of a zone: up to the end of a loop of whole periods, or to its end where the part has no loop.
    pub fn sample(&self, zone: &KeyZone) -> Result<Stroke> {
        let rate = self.kit.sample_rate;
        let Some((settle_s, period)) = self.loop_of(zone.root) else {
            let mut sound = self.held(zone.root, LOUDEST, MAX_TAIL_S)?;
            trim_end(&mut sound);
            return Ok(Stroke { sound, loop_frames: None });
        };
        let length = whole_periods(period, (LOOP_S * rate) as usize, (MORE_LOOP_S * rate) as usize);
        let seconds = settle_s + LOOP_FADE_S + length as f64 / rate;
        let sound = self.held(zone.root, LOUDEST, seconds)?;
        Ok(looped(sound, length, (LOOP_FADE_S * rate) as usize))
    }

    /// Level at every velocity beside the loudest, at the key in the middle.
    pub fn curve(&self) -> Result<VelocityCurve> {
        let root = self.plan.zones[self.plan.zones.len() / 2].root;
        let loud = strength(&self.held(root, LOUDEST, MEASURED_S)?);
        let mut curve = vec![(LOUDEST, 1.0)];
        let mut velocity = LOUDEST;
        while velocity > 1 {
            velocity = next_velocity(velocity, 1);
            let here = strength(&self.held(root, velocity, MEASURED_S)?);
            curve.push((velocity, if loud > 0.0 { (here / loud) as f32 } else { 1.0 }));
        }
        Ok(curve)
    }

    /// How much louder each higher key of a zone is, dB: cuts stay where they are while the pitch moves.
    pub fn per_key_db(&self, zone: &KeyZone) -> Result<f32> {
        // keys beyond the sampled ones are pitched further, and their cuts with them
        let reach = KEYS_PER_SAMPLE as u8 / 2;
        let low = zone.root.saturating_sub(reach).max(zone.low);
        let high = (zone.root + reach).min(zone.high);
        if low == high {
            return Ok(0.0);
        }
        let level_db =
            |key| -> Result<f64> { Ok(gain_to_db(strength(&self.held(key, LOUDEST, MEASURED_S)?))) };
        let per_key = (level_db(high)? - level_db(low)?) / f64::from(high - low);
        Ok(if per_key.is_finite() { per_key.clamp(-6.0, 6.0) as f32 } else { 0.0 })
    }

    /// Seconds after which a held key only repeats itself, and the length of what it repeats, frames; `None` where the
    /// part has no loop.
    fn loop_of(&self, key: u8) -> Option<(f64, f64)> {
        let part = &self.doc().key_parts[self.plan.part];
        let (slice, sustain) = (part.slice?, part.sustain.filter(|_| part.settings.loop_on)?);
        let take_rate = f64::from(self.kit.kit.takes.get(slice.take)?.sample_rate);
        let note =
            f64::from(key) + f64::from(part.settings.transpose_st) + f64::from(part.settings.fine_ct) / 100.0;
        // seconds at this key of a frame of the take
        let frame_s = f64::from(part.root_hz) / note_to_hz(note) / take_rate;
        let envelope_s = f64::from(part.settings.attack_ms + part.settings.decay_ms) / 1000.0;
        let reached_s = sustain.end.checked_sub(slice.start)? as f64 * frame_s;
        let period_s = sustain.end.checked_sub(sustain.start)? as f64 * frame_s;
        Some((envelope_s.max(reached_s).min(MAX_SETTLE_S), period_s * self.kit.sample_rate))
    }

    /// A key held for so many seconds, or until it is silent.
    fn held(&self, key: u8, velocity: u8, seconds: f64) -> Result<Stereo> {
        let mut engine = Engine::offline(self.kit.sample_rate);
        engine.set_trims(&self.doc().trims);
        engine.set_kit(self.kit.clone());
        engine.reset();
        engine.note_on_channel(self.plan.channel, key, f32::from(velocity) / 127.0);
        let frames = (seconds * self.kit.sample_rate) as usize;
        let mut sound = Stereo::default();
        while sound[0].len() < frames && !engine.is_silent() {
            let n = Engine::MAX_CHUNK.min(frames - sound[0].len());
            engine.render(n);
            for (to, from) in sound.iter_mut().zip(engine.key_part(self.plan.part)) {
                to.extend_from_slice(&from[..n]);
            }
            self.progress.check()?;
        }
        if sound[0].is_empty() {
            sound.iter_mut().for_each(|channel| channel.push(0.0));
        }
        Ok(sound)
    }
}

/// The length from `least` frames, and up to `more` longer, that comes nearest to a whole number of periods.
fn whole_periods(period: f64, least: usize, more: usize) -> usize {
    let first = (least as f64 / period).ceil().max(1.0) as usize;
    let last = ((least + more) as f64 / period).floor().max(first as f64) as usize;
    let miss = |count: &usize| {
        let frames = *count as f64 * period;
        (frames - frames.round()).abs()
    };
    let count = (first..=last).min_by(|a, b| miss(a).total_cmp(&miss(b))).unwrap_or(first);
    (count as f64 * period).round() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zones_hold_every_key_once() {
        for (low, high) in [(0, 127), (0, 10), (100, 127), (36, 60), (40, 40), (24, 96)] {
            let zones = zones(low, high);
            assert_eq!((zones[0].low, zones[zones.len() - 1].high), (low, high));
            assert!(zones.windows(2).all(|pair| pair[0].high + 1 == pair[1].low), "{zones:?}");
            assert!(zones.iter().all(|z| z.low <= z.root && z.root <= z.high), "{zones:?}");
        }
        assert!(zones(60, 59).is_empty());
    }

    #[test]
    fn loops_are_of_whole_periods() {
        for period in [100.25, 333.3, 1234.5678, 30_000.4, 90_000.0] {
            let length = whole_periods(period, 24_000, 48_000) as f64;
            let miss = (length / period - (length / period).round()).abs() * period;
            assert!(length >= 24_000.0 && miss <= 0.5, "{period}: {length}, {miss} frames off");
        }
    }
}
