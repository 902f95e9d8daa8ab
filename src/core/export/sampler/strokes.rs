//! Strokes of one pad, played by the engine one after the other.

use super::plan::PadPlan;
use crate::{
    engine::{Engine, PlayKit},
    error::Result,
    export::{MAX_TAIL_S, Stereo, render::trim_end},
    progress::Progress,
    units::gain_to_db,
};
use std::{collections::BTreeSet, sync::Arc};

/// How long the key of a pad that is held stays down, seconds: what still sounds then is looped.
const HELD_S: f64 = 4.0;
/// Length of such a loop and of the crossfade at its end, seconds. Common practice, no source.
const LOOP_S: f64 = 1.0;
const LOOP_FADE_S: f64 = 0.1;
/// How long the key of any other pad stays down, seconds.
const KEY_S: f64 = 0.5;
/// The level is measured at velocities a factor of 0.85 apart (0.7 below [`SOFT`], where strokes are hardly heard). A straight
/// line between two points is then within 0.5 dB, also where a limiter makes the level steep; [`extra_velocities`] adds
/// points where the slope changes.
const NEXT_VELOCITY: f64 = 0.85;
const NEXT_SOFT_VELOCITY: f64 = 0.7;
const SOFT: u8 = 10;

/// Error of the straight line in the middle of two points, dB, above which the level is measured there as well: where a limiter
/// begins to work, and where the level is steep (our choice: together below the 0.5 dB that exports are held to).
const MAX_BEND_ERROR_DB: f64 = 0.2;
const MAX_CHORD_ERROR_DB: f64 = 0.3;
/// A ratio of 2 as a level, dB: 20 log10(2).
const OCTAVE_DB: f64 = 6.0206;

/// One recorded stroke.
#[derive(Debug, Clone)]
pub(super) struct Stroke {
    /// Left and right; at least one frame.
    pub sound: Stereo,
    /// First frame of a loop and the one after its last.
    pub loop_frames: Option<[usize; 2]>,
}

/// Square root of the energy of both channels.
pub(super) fn strength(sound: &Stereo) -> f64 {
    let energy = |x: &Vec<f32>| x.iter().map(|s| f64::from(*s) * f64::from(*s)).sum::<f64>();
    sound.iter().map(energy).sum::<f64>().sqrt()
}

/// The next softer velocity at which the level is measured, at least `low`; `velocity` lies above it.
pub(super) fn next_velocity(velocity: u8, low: u8) -> u8 {
    let ratio = if velocity >= SOFT { NEXT_VELOCITY } else { NEXT_SOFT_VELOCITY };
    ((f64::from(velocity) * ratio) as u8).clamp(low, velocity - 1)
}

/// Plays strokes of a pad.
pub(super) struct StrokePlayer<'a> {
    kit: &'a Arc<PlayKit>,
    plan: &'a PadPlan,
    progress: &'a dyn Progress,
}

impl<'a> StrokePlayer<'a> {
    /// For the pad of `plan` in `kit`, until `progress` is cancelled.
    pub fn new(kit: &'a Arc<PlayKit>, plan: &'a PadPlan, progress: &'a dyn Progress) -> Self {
        Self { kit, plan, progress }
    }

    /// The first `count` strokes of the pad at a MIDI velocity, each after silence: with the hits and draws that the
    /// plugin plays in turn.
    pub fn strokes(&self, velocity: u8, count: usize) -> Result<Vec<Stroke>> {
        let mut engine = Engine::offline(self.kit.sample_rate);
        engine.set_trims(&self.kit.kit.doc.trims);
        engine.set_kit(self.kit.clone());
        engine.reset();
        (0..count).map(|_| self.stroke(&mut engine, velocity)).collect()
    }

    fn stroke(&self, engine: &mut Engine, velocity: u8) -> Result<Stroke> {
        let frames = |seconds: f64| (seconds * self.kit.sample_rate) as usize;
        let key_up = frames(if self.plan.held { HELD_S } else { KEY_S });
        let end = key_up + frames(MAX_TAIL_S);
        let mut sound = Stereo::default();
        engine.trigger(self.plan.pad, f32::from(velocity) / 127.0);
        let mut sounds_on = false;
        while sound[0].len() < end && !engine.is_silent() {
            if sound[0].len() == key_up {
                sounds_on = true;
                engine.note_off(self.plan.note);
            }
            let next = if sound[0].len() < key_up { key_up } else { end };
            let n = Engine::MAX_CHUNK.min(next - sound[0].len());
            engine.render(n);
            for (to, from) in sound.iter_mut().zip(engine.pad(self.plan.pad)) {
                to.extend_from_slice(&from[..n]);
            }
            self.progress.check()?;
        }
        if self.plan.held && sounds_on {
            sound.iter_mut().for_each(|channel| channel.truncate(key_up));
            return Ok(looped(sound, frames(LOOP_S), frames(LOOP_FADE_S)));
        }
        trim_end(&mut sound);
        Ok(Stroke { sound, loop_frames: None })
    }

    /// Level of each alternate at velocities from the recorded one, `high`, down to `low`, as amplitude ratios to its stroke
    /// in `recorded`. One that is silent there has ratios of 1.
    pub fn curves(&self, recorded: &[Stroke], low: u8, high: u8) -> Result<Vec<VelocityCurve>> {
        let loud: Vec<f64> = recorded.iter().map(|stroke| strength(&stroke.sound)).collect();
        let mut curves = vec![vec![(high, 1.0)]; recorded.len()];
        let measure = |curves: &mut [VelocityCurve], velocity: u8| -> Result<()> {
            let strokes = self.strokes(velocity, recorded.len())?;
            for ((curve, loud), stroke) in curves.iter_mut().zip(&loud).zip(&strokes) {
                let gain = if *loud > 0.0 { (strength(&stroke.sound) / loud) as f32 } else { 1.0 };
                let place = curve.partition_point(|(louder, _)| *louder > velocity);
                curve.insert(place, (velocity, gain));
            }
            Ok(())
        };
        let mut velocity = high;
        while velocity > low {
            velocity = next_velocity(velocity, low);
            measure(&mut curves, velocity)?;
        }
        let between: BTreeSet<u8> = curves.iter().flat_map(|curve| extra_velocities(curve)).collect();
        between.into_iter().try_for_each(|velocity| measure(&mut curves, velocity))?;
        Ok(curves)
    }
}

/// Velocities in the middle of two points of a curve where it may lie too far beside the straight line between them: where
/// it is steep, and on both sides of a point at which its slope changes.
fn extra_velocities(curve: &[(u8, f32)]) -> BTreeSet<u8> {
    let octaves = |loud: u8, soft: u8| (f64::from(loud) / f64::from(soft)).log2();
    let db = |gain: f32| gain_to_db(f64::from(gain).max(1e-6));
    let slope = |[(loud, a), (soft, b)]: [(u8, f32); 2]| (db(a) - db(b)) / octaves(loud, soft);
    let mut between = BTreeSet::new();
    let heard = &curve[..curve.partition_point(|(velocity, _)| *velocity >= SOFT)];
    for pair in heard.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        // the chord of x^p over a ratio r lies about p (p - 1) (ln r)^2 / 8 beside it in the middle
        let (power, ratio) = (slope([a, b]) / OCTAVE_DB, f64::from(a.0) / f64::from(b.0));
        if gain_to_db(1.0 + power * (power - 1.0) * ratio.ln().powi(2) / 8.0) > MAX_CHORD_ERROR_DB {
            between.insert(a.0.midpoint(b.0));
        }
    }
    for three in heard.windows(3) {
        let [a, b, c] = [three[0], three[1], three[2]];
        // a bend in the middle of an interval lies a quarter of its width times the change of slope beside the line
        let width = octaves(a.0, b.0).max(octaves(b.0, c.0));
        if (slope([a, b]) - slope([b, c])).abs() * width / 4.0 > MAX_BEND_ERROR_DB {
            between.extend([a.0.midpoint(b.0), b.0.midpoint(c.0)]);
        }
    }
    between.retain(|velocity| curve.iter().all(|(known, _)| known != velocity));
    between
}

/// Amplitude ratio at MIDI velocities, from the recorded one, where it is 1, downwards.
pub(super) type VelocityCurve = Vec<(u8, f32)>;

/// A sound that goes on for ever by its last `length` frames, whose end is faded into what comes before their start.
pub(super) fn looped(mut sound: Stereo, length: usize, fade: usize) -> Stroke {
    let end = sound[0].len();
    let start = end.saturating_sub(length);
    let fade = fade.min(start).min(end - start);
    for channel in &mut sound {
        for i in 0..fade {
            let share = (i + 1) as f32 / fade as f32;
            let before = channel[start - fade + i];
            let here = &mut channel[end - fade + i];
            *here += share * (before - *here);
        }
    }
    Stroke { sound, loop_frames: (end > start).then_some([start, end]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_measured_where_a_line_between_two_of_them_would_miss() {
        let curve = |power: i32| [96u8, 81, 68, 57, 48].map(|v| (v, (f32::from(v) / 96.0).powi(power)));
        let between = |curve: &[(u8, f32)]| Vec::from_iter(extra_velocities(curve));
        assert!(between(&curve(2)).is_empty());
        // a limiter holds what is louder than 81
        let bent = curve(2).map(|(v, gain)| (v, gain.min(curve(2)[1].1)));
        assert_eq!(between(&bent), [74, 88]);
        assert_eq!(between(&curve(4)), [52, 62, 74, 88]);
        // what the line misses there, at most: (81 / 96)^4 and 1 beside ((88 / 96))^4
        let line = (0.5 * (0.84375f64.powi(4) + 1.0) / 0.921875f64.powi(4)).log10() * 20.0;
        assert!(line > MAX_CHORD_ERROR_DB && line < 0.5, "{line:.2} dB");
    }

    #[test]
    fn the_end_of_a_loop_goes_on_at_its_start() {
        let ramp: Vec<f32> = (0..100).map(|i| i as f32).collect();
        let stroke = looped([ramp.clone(), ramp], 40, 10);
        assert_eq!(stroke.loop_frames, Some([60, 100]));
        // the last frame of the loop is the one before its first
        assert_eq!(stroke.sound[0][99], 59.0);
        assert_eq!(stroke.sound[0][89], 89.0);
    }
}
