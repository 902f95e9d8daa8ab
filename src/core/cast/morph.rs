//! Morph between the raw hit with an envelope (fit 0) and the shaped pad (fit 1).
//!
//! Both ends have the same structure; every continuous setting moves between them. Switches, choices and counts
//! have the value of the shaped pad at every fit; at the raw end they have no effect, because the settings around
//! them are neutral there.

use crate::{
    kit::{LAYER, Pad, TableVisitor, Tone},
    settings::{Setting, Unit, setting},
    units::{db_to_gain, gain_to_db},
};
use std::fmt::Arguments;

/// A level that counts as silence, dB.
const SILENCE_DB: f32 = -60.0;

/// `shaped` at `fit` (0 to 1).
pub fn at(shaped: &Pad, fit: f32) -> Pad {
    let fit = if fit.is_nan() { 0.0 } else { fit.clamp(0.0, 1.0) };
    let mut pad = shaped.clone();
    let asked = fit;
    let fit = position(asked);
    if fit < 1.0 {
        let mut raw = raw(shaped);
        let mut from = Numbers::default();
        raw.each_table(&mut from);
        pad.each_table(&mut Between { from: from.all.into_iter(), fit });
        for ((out, a), b) in pad.layers.iter_mut().zip(&raw.layers).zip(&shaped.layers) {
            out.settings.level_db = level_between(a.settings.level_db, b.settings.level_db, fit);
        }
        pad.cloud.cloud_db = level_between(raw.cloud.cloud_db, shaped.cloud.cloud_db, fit);
        pad.cloud.dry_db = level_between(raw.cloud.dry_db, shaped.cloud.dry_db, fit);
        // in dB directly, as ever: along its travel it would round differently
        pad.tone.tilt_db = raw.tone.tilt_db + (shaped.tone.tilt_db - raw.tone.tilt_db) * fit;
    }
    if fit == 0.0 {
        switch_off(&mut pad);
    }
    pad.fit = asked;
    pad
}

/// Position on the way at a fit, 0 to 1: it rises steeply at first, since a role is recognised only near the
/// shaped end; found by trial.
fn position(fit: f32) -> f32 {
    1.0 - (1.0 - fit).powf(2.5)
}

/// The raw end: the hit as recorded, with an envelope as long as in its role or a little longer.
fn raw(shaped: &Pad) -> Pad {
    let mut pad = shaped.clone();
    for (i, layer) in pad.layers.iter_mut().enumerate() {
        let s = &mut layer.settings;
        s.start_ms = 0.0;
        s.end_ms = 60_000.0;
        if s.tail_ms > 0.0 {
            // further on, until it lies behind the hit
            s.tail_ms = setting(&LAYER, "tail_ms").max;
        }
        s.pitch_st = 0.0;
        s.fine_ct = 0.0;
        s.drop_st = 0.0;
        s.sweep_oct = 0.0;
        s.attack_ms = 0.0;
        s.hold_ms = s.hold_ms.max(20.0);
        s.decay_ms = s.decay_ms.max(400.0);
        s.low_cut_hz = 20.0;
        s.high_cut_hz = 20_000.0;
        s.resonance = 0.707;
        s.delay_ms = 0.0;
        s.level_db = if i == 0 { 0.0 } else { SILENCE_DB };
    }
    pad.cloud.cloud_db = SILENCE_DB;
    pad.cloud.dry_db = 0.0;
    pad.cloud.diffusion = 0.0;
    neutral(&mut pad.tone);
    pad
}

fn neutral(tone: &mut Tone) {
    tone.low_cut.hz = 20.0;
    tone.high_cut.hz = 20_000.0;
    for limiter in [&mut tone.limiter, &mut tone.colour] {
        limiter.threshold_db = 0.0;
        limiter.makeup_db = 0.0;
    }
    tone.saturation.mix = 0.0;
    tone.saturation.drive_db = 0.0;
    for band in tone.bands.iter_mut().chain(&mut tone.dips).chain([&mut tone.note_bell]) {
        band.gain_db = 0.0;
    }
    tone.tilt_db = 0.0;
    for compressor in [&mut tone.punch, &mut tone.low_band] {
        compressor.ratio = 1.0;
        compressor.makeup_db = 0.0;
    }
}

/// Switches off what has no effect at the raw end.
fn switch_off(pad: &mut Pad) {
    pad.layers.truncate(1);
    pad.layers.iter_mut().for_each(|layer| layer.settings.tail_ms = 0.0);
    pad.cloud.copies = 0;
    let tone = &mut pad.tone;
    tone.dips.clear();
    for band in tone.bands.iter_mut().chain([&mut tone.note_bell]) {
        band.on = false;
    }
    tone.low_cut.on = false;
    tone.high_cut.on = false;
    tone.limiter.on = false;
    tone.saturation.on = false;
    tone.punch.on = false;
    tone.low_band.on = false;
    tone.colour.on = false;
}

/// Collects the numbers of a pad's settings, in the order of [`Pad::each_table`].
#[derive(Default)]
struct Numbers {
    all: Vec<f32>,
}

impl TableVisitor for Numbers {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        self.all.extend(table.iter().map(|s| (s.get)(value)));
    }
}

/// Moves every continuous setting of a pad back along its own travel, to `fit` of the way from the numbers of
/// another pad with the same structure.
struct Between {
    from: std::vec::IntoIter<f32>,
    fit: f32,
}

impl TableVisitor for Between {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        for (s, from) in table.iter().zip(&mut self.from) {
            let to = (s.get)(value);
            if from != to && !matches!(s.unit, Unit::Switch | Unit::Choice(_) | Unit::Count) {
                let (from, to) = (s.to_travel(from), s.to_travel(to));
                (s.set)(value, s.from_travel(from + (to - from) * self.fit));
            }
        }
    }
}

/// Level between two levels, interpolated in amplitude.
fn level_between(a: f32, b: f32, fit: f32) -> f32 {
    if a == b {
        return a;
    }
    gain_to_db(db_to_gain(a) * (1.0 - fit) + db_to_gain(b) * fit).max(SILENCE_DB)
}

#[cfg(test)]
mod tests {
    use super::at;
    use crate::{
        cast::{
            auditioner::{AUDITION_RATE, Auditioner, mono},
            companions::Companions,
            features::Features,
            fit, group,
            objective::Objective,
            recipe::{Source, recipe},
            test_signal::plucked,
        },
        kit::{Kit, Pad, Role},
        progress::Quiet,
    };

    /// What the search makes of the pluck.
    fn fitted(auditioner: &mut Auditioner, kit: &Kit, raw: &Features, role: Role) -> Pad {
        let recipe = recipe(
            role,
            &Source {
                take: 0,
                rate: AUDITION_RATE,
                hit: &kit.doc.takes[0].hits[0],
                raw,
                companions: Companions::default(),
            },
        );
        let start = fit::Start { pad: &recipe, raw, seed: 1, effort: 1.0 };
        fit::fitted(auditioner, start, &Objective::of(role, None), &Quiet).unwrap().1
    }

    #[test]
    fn the_path_from_the_raw_hit_to_the_fitted_pad_is_smooth() {
        let (kit, raw) = plucked(147.0, 6.0);
        let mut auditioner = Auditioner::new(&kit);
        for role in [Role::Kick, Role::Rim, Role::ClosedHat] {
            let shaped = fitted(&mut auditioner, &kit, &raw, role);
            let mut heard = |fit: f32| auditioner.measure(&at(&shaped, fit)).unwrap();
            let path: Vec<Features> = (0..=20u8).map(|i| heard(f32::from(i) / 20.0)).collect();
            let whole = group::distance_db(&path[0], &path[20]);
            let steps: Vec<f32> = path.windows(2).map(|w| group::distance_db(&w[0], &w[1])).collect();
            let longest = steps.iter().copied().fold(0.0, f32::max);
            println!("{role}: {whole:.1} dB from end to end, steps {steps:.1?}");
            assert!(whole > 6.0, "{role} is shaped: {whole:.1} dB");
            // even steps would all be as long as their mean
            let mean = steps.iter().sum::<f32>() / steps.len() as f32;
            assert!(longest < 3.0 * mean, "{role}: a step of {longest:.1} dB, {mean:.1} dB in the mean");
            // little jumps where the stages of the raw end are switched on (a cut at 20 Hz is not quite nothing): less
            // than half of what the first twentieth of the way brings
            let start = group::distance_db(&path[0], &heard(0.002));
            assert!(start < 0.5 * steps[0].max(1.0), "{role}: {start:.1} dB at the first touch");
        }
    }

    #[test]
    fn fit_0_is_the_raw_hit_with_an_envelope() {
        let (kit, raw) = plucked(147.0, 6.0);
        let mut auditioner = Auditioner::new(&kit);
        for role in [Role::Kick, Role::Clap, Role::OpenHat] {
            let shaped = fitted(&mut auditioner, &kit, &raw, role);
            let mut pad = at(&shaped, 0.0);
            (pad.variation.start_ms, pad.variation.pitch_ct, pad.variation.level_db) = (0.0, 0.0, 0.0);
            let [left, right] = auditioner.play(&pad, 0.5);
            let (sound, take) = (mono(&left, &right), &kit.takes[0].channels[0]);
            // sample for sample the recording, only softer, and ever softer
            let gain = |from: usize| {
                let part = from..from + 240;
                let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| f64::from(x * y)).sum::<f64>();
                let (s, t) = (&sound[part.clone()], &take[part]);
                let alike = dot(s, t) / (dot(s, s) * dot(t, t)).sqrt();
                assert!(alike > 0.999, "{role}, frame {from}: {alike}");
                dot(s, t) / dot(t, t)
            };
            let gains: Vec<f64> = (0..8).map(|i| gain(i * 960)).collect();
            assert!(gains.windows(2).all(|w| w[1] <= w[0] * 1.001), "{role}: {gains:?}");
        }
    }
}
