//! What makes sixteen pads one kit: velocities that fall alike on every pad, peaks that a balance can stand on, levels that
//! stay in mono. Alternates are made alike by `alternates.rs`, toms put in order by [`super::toms`].
//!
//! Everything is measured on the pad as it sounds, after its tone chain, and corrected with the pad's own settings.

use super::{
    auditioner::{Auditioner, mono},
    balance,
    partials::spectrum,
};
use crate::{
    engine::dsp::math::peak,
    kit::{Channels, LAYER, Limiter, Pad, Role, Slice},
    settings::setting,
    units::{gain_to_db, power_to_db},
};

/// Velocities between which a pad's fall is measured (MIDI 64 and 127).
pub(super) const SOFT: f32 = 64.0 / 127.0;
pub(super) const HARD: f32 = 1.0;
/// Fall of every pad between these velocities, dB; common practice is 6 to 9 dB, no source.
const FALL_DB: f32 = 7.5;
/// Ratio of these velocities, dB: 20 log10(127 / 64).
const VELOCITY_RATIO_DB: f32 = 5.953;
/// The `velocity_level` that falls as much without a tone chain (level is velocity to the power of twice this value):
/// soft and hard strokes are sorted by it.
pub const EFFECTIVE_VELOCITY_LEVEL: f32 = FALL_DB / (2.0 * VELOCITY_RATIO_DB);
/// Slope of the fall over `velocity_level`, dB: without a tone chain, and the least that is assumed of one (our choice).
const MAX_FALL_SLOPE: f32 = 2.0 * VELOCITY_RATIO_DB;
const MIN_FALL_SLOPE: f32 = 3.0;
/// A fall this near is left as it is, dB.
const FALL_NEAR_DB: f32 = 0.3;
/// A soft stroke is darker: its highs are cut from this many times the centre of a hard stroke's spectrum on, tried in
/// turn until its own centre lies lower by [`DARKER`].
const DARKER_CUTS: [f32; 5] = [4.0, 2.8, 2.0, 1.4, 1.0];
const DARKER: f32 = 0.94;
/// The same after a cut that took too much was made milder (our choice).
const DARK_ENOUGH: f32 = 0.96;
/// A soft stroke of noise as it is heard may have this share of a hard one's brightness.
const HEARD_DARK: f32 = 0.965;
/// By how much a cut is lowered at once where what is heard is not dark enough, octaves at the soft velocity (our choice).
const DARKER_STEP_OCT: f32 = 0.15;
/// Below this `velocity_level` a pad falls by its cut alone.
const LEAST_LEVEL: f32 = 0.02;
/// Cuts whose ratio is less than this are not told apart any more.
const NEAR_CUTS: f32 = 1.05;
/// What a pad may lose in mono, dB, and what its cloud is narrowed by each time it loses more (our choice).
const MAX_MONO_LOSS_DB: f32 = 1.9;
const NARROWER: f32 = 0.75;
/// What loses less by at least so much is worth a change, dB.
const HELPS_DB: f32 = 0.1;
/// Renderings at most for one figure.
const MAX_RENDERINGS: usize = 5;
/// A tone is darker when its soft strokes have no more than this of the centre of the hard ones' spectrum; by how many
/// semitones between the softest and the hardest stroke it is lowered for that at most (our choice).
const TONE_DARK: f32 = 0.985;
const MAX_SOFTLY_LOWER: usize = 3;
/// Renderings at most for the fall with velocity at one cut: a chain of limiters bends it.
const FALL_ROUNDS: usize = 9;
/// The last limiter takes away no more than this of a pad's peak, dB: more would take its attack.
const MAX_HELD_DB: f32 = 8.0;
/// The same for a snare, whose place beside the kick is what a kit stands on.
const MAX_SNARE_HELD_DB: f32 = 14.0;
/// Release of that limiter for drums that do not ring, ms: it lets go before the tail, which carries the loudness (by trial:
/// for 8 dB of peak claps lost 5 dB of loudness with 60 ms, 4 with 12 ms and 3 with 4 ms; clicks of percussion that stood
/// 1.6 to 3.3 LU below their place with 60 ms reach it).
const SHORT_RELEASE_MS: f32 = 4.0;

/// Loudness (LUFS) and centre of the spectrum (Hz) of one stroke.
#[derive(Debug, Clone, Copy)]
pub struct Stroke {
    /// Momentary maximum, LUFS.
    pub lufs: f32,
    /// Centroid of the power spectrum, Hz.
    pub centre_hz: f32,
}

/// How a trial of the pad sounds at `velocity` (0 to 1) with its first slice; `None` for silence. Stereo takes
/// are played in stereo, since the mean of their channels has another spectrum.
fn stroke(auditioner: &mut Auditioner, pad: &Pad, velocity: f32) -> Option<Stroke> {
    if auditioner.in_stereo(pad) {
        return heard(auditioner, pad, velocity);
    }
    let sound = auditioner.sketch_at(pad, velocity);
    let lufs = balance::loudness_of_dual_mono(&sound)?;
    Some(Stroke { lufs, centre_hz: centre_hz(&sound)? })
}

/// The same for the finished sound in stereo; a trial has one channel, whose peaks drive the limiters differently.
pub fn heard(auditioner: &mut Auditioner, pad: &Pad, velocity: f32) -> Option<Stroke> {
    stroke_of(&auditioner.play_at(pad, velocity, balance::MAX_STROKE_S))
}

/// Loudness and centre of a sound in stereo; `None` for silence.
pub(super) fn stroke_of([left, right]: &[Vec<f32>; 2]) -> Option<Stroke> {
    let lufs = balance::loudness(left, right)?;
    Some(Stroke { lufs, centre_hz: centre_hz(&mono(left, right))? })
}

/// The pad with this slice alone, at every velocity.
pub fn with_slice(pad: &Pad, slice: Slice) -> Pad {
    let mut alone = pad.clone();
    alone.slices = vec![Slice { velocities: [0.0, 1.0], ..slice }];
    alone
}

/// Sets how level and high cut follow velocity, alike on all layers, so that the pad falls by 7.5 dB from
/// velocity 127 to 64 and is darker when it is played softly. A silent pad stays as it is.
pub fn follow_velocity(auditioner: &mut Auditioner, pad: &mut Pad) {
    search_fall(auditioner, pad);
    if let Some(heard) = settle_fall(auditioner, pad) {
        settle_darkness(auditioner, pad, heard);
    }
}

/// Lowers the cut of soft strokes where what is heard is less dark than the trials were, as far as the fall keeps its
/// place. `heard` are the strokes of the pad as it is.
fn settle_darkness(auditioner: &mut Auditioner, pad: &mut Pad, heard: HardAndSoft) {
    if is_tonal(pad.role) {
        return;
    }
    let range = setting(&LAYER, "velocity_cut_oct");
    let HardAndSoft { hard, mut soft } = heard;
    for _ in 0..MAX_RENDERINGS {
        let cuts = pad.layers.iter().any(|l| l.settings.velocity_cut_oct > 0.0);
        if !cuts || soft.centre_hz <= HEARD_DARK * hard.centre_hz {
            return;
        }
        let mut darker = pad.clone();
        for layer in &mut darker.layers {
            let octaves = &mut layer.settings.velocity_cut_oct;
            *octaves = range.clamp(*octaves + DARKER_STEP_OCT / (1.0 - SOFT));
        }
        let Some(settled) = settle_fall(auditioner, &mut darker).filter(|_| darker != *pad) else { return };
        soft = settled.soft;
        *pad = darker;
    }
}

/// Whether pads of a role may be nearly one tone, which no cut makes darker.
fn is_tonal(role: Role) -> bool {
    role.is_tom() || matches!(role, Role::Kick | Role::Percussion)
}

/// Lowers soft strokes of a pad that may be nearly one tone until they are darker: a skin that is struck softly is less taut
/// (common practice, no source). Percussion keeps its pitch, which may be a note. Not for pads that are tuned.
pub fn lower_soft_strokes(auditioner: &mut Auditioner, pad: &mut Pad) {
    if !is_tonal(pad.role) || pad.role == Role::Percussion {
        return;
    }
    let mut lower = pad.clone();
    let mut darkest = f32::INFINITY;
    for _ in 0..=MAX_SOFTLY_LOWER {
        let Some(HardAndSoft { hard, soft }) = settle_fall(auditioner, &mut lower) else { return };
        let share = soft.centre_hz / hard.centre_hz;
        if share < darkest {
            darkest = share;
            *pad = lower.clone();
        }
        if share <= TONE_DARK {
            return;
        }
        lower.layers.iter_mut().for_each(|l| l.settings.velocity_pitch_st += 1.0);
    }
}

/// Strokes of a pad at full and at half velocity, as they are heard.
struct HardAndSoft {
    hard: Stroke,
    soft: Stroke,
}

/// Brings the fall that is heard to [`FALL_DB`] by the level alone: one step with an assumed slope, then the secant method.
/// Returns the strokes then heard; `None` where the fall has stayed beside its place.
fn settle_fall(auditioner: &mut Auditioner, pad: &mut Pad) -> Option<HardAndSoft> {
    let hard = heard(auditioner, pad, HARD)?;
    let range = setting(&LAYER, "velocity_level");
    let mut last: Option<(f32, f32)> = None;
    for _ in 0..MAX_RENDERINGS {
        let soft = heard(auditioner, pad, SOFT)?;
        let (level, fall) = (pad.layers[0].settings.velocity_level, hard.lufs - soft.lufs);
        if (fall - FALL_DB).abs() <= FALL_NEAR_DB {
            return Some(HardAndSoft { hard, soft });
        }
        let slope = last.map_or(MAX_FALL_SLOPE, |(before, fell)| (fall - fell) / (level - before));
        last = Some((level, fall));
        let next = range.clamp(level + (FALL_DB - fall) / slope.clamp(MIN_FALL_SLOPE, MAX_FALL_SLOPE));
        if next == level {
            return None;
        }
        pad.layers.iter_mut().for_each(|l| l.settings.velocity_level = next);
    }
    None
}

/// [`follow_velocity`] by trials alone.
fn search_fall(auditioner: &mut Auditioner, pad: &mut Pad) {
    // full velocity does not depend on either setting
    let Some(hard) = stroke(auditioner, pad, HARD) else { return };
    let mut cuts = DARKER_CUTS.into_iter().skip(1).map(|cut| cut * hard.centre_hz);
    // the cut, and the one before it
    let mut cut_hz = [DARKER_CUTS[0] * hard.centre_hz; 2];
    darken(pad, cut_hz[0]);
    let mut level = pad.layers[0].settings.velocity_level;
    let mut search = FallSearch::default();
    let mut rounds = 0;
    let mut too_deep: Option<Pad> = None;
    while rounds < FALL_ROUNDS {
        rounds += 1;
        pad.layers.iter_mut().for_each(|l| l.settings.velocity_level = level);
        let Some(soft) = stroke(auditioner, pad, SOFT) else { return };
        let fall = hard.lufs - soft.lufs;
        if let Some(before) = &too_deep {
            if soft.centre_hz > DARK_ENOUGH * hard.centre_hz {
                *pad = before.clone();
                return;
            }
        } else if soft.centre_hz > DARKER * hard.centre_hz
            && let Some(hz) = cuts.next()
        {
            // the cut also lowers the level, so falls measured before, this one included, are no longer valid
            cut_hz = [hz, cut_hz[0]];
            darken(pad, hz);
            (search, rounds) = (FallSearch::default(), 0);
            continue;
        }
        let at_end = fall < FALL_DB && level >= setting(&LAYER, "velocity_level").max;
        if (fall - FALL_DB).abs() <= FALL_NEAR_DB || at_end {
            return;
        }
        if fall > FALL_DB && level < LEAST_LEVEL && cut_hz[1] > NEAR_CUTS * cut_hz[0] {
            // the cut alone takes too much: one halfway to the milder one before it
            too_deep = Some(pad.clone());
            cut_hz[0] = (cut_hz[0] * cut_hz[1]).sqrt();
            darken(pad, cut_hz[0]);
            level = EFFECTIVE_VELOCITY_LEVEL;
            (search, rounds) = (FallSearch::default(), 0);
            continue;
        }
        level = search.next(level, fall);
    }
}

/// The `velocity_level` at which a pad falls by [`FALL_DB`]: the fall grows with it, between the nearest two that are
/// known in proportion.
#[derive(Default)]
struct FallSearch {
    /// Level and fall that are too low.
    below: (f32, f32),
    /// The same that are too high.
    above: Option<(f32, f32)>,
    halves: bool,
}

impl FallSearch {
    /// The level to try next, after `level` fell by `fall` dB.
    fn next(&mut self, level: f32, fall: f32) -> f32 {
        if fall < FALL_DB {
            self.below = (level, fall);
        } else {
            self.above = Some((level, fall));
        }
        // every other time by halves: a bent curve makes proportion slow
        self.halves = !self.halves;
        let (low, low_fall) = self.below;
        match self.above {
            Some((high, high_fall)) if self.halves && high_fall > low_fall => {
                low + (FALL_DB - low_fall) * (high - low) / (high_fall - low_fall)
            }
            Some((high, _)) => 0.5 * (low + high),
            // nothing known above: a chain that limits answers with less than the setting asks for
            None => {
                let step = (FALL_DB / fall.max(0.5)).clamp(1.1, 2.0);
                setting(&LAYER, "velocity_level").clamp(level * step)
            }
        }
    }
}

/// Sets the fall with velocity as if nothing of the tone chain bent it: for pads that are not measured.
pub fn fall_as_without_chain(pad: &mut Pad) {
    pad.layers.iter_mut().for_each(|l| l.settings.velocity_level = EFFECTIVE_VELOCITY_LEVEL);
}

/// Lets the high cut of every layer fall to `hz` at velocity 64; layers that are cut lower stay: the layers keep their
/// order from dark to bright.
fn darken(pad: &mut Pad, hz: f32) {
    let range = setting(&LAYER, "velocity_cut_oct");
    for layer in &mut pad.layers {
        let s = &mut layer.settings;
        s.velocity_cut_oct = range.clamp((s.high_cut_hz / hz).log2() / (1.0 - SOFT));
    }
}

/// Lets a pad lose no more than 2 dB when both channels become one: narrows its cloud and diffuses it less, and where that
/// is not enough, since a stereo take is as wide itself, plays the stronger of the take's channels only.
pub fn keep_in_mono(auditioner: &mut Auditioner, pad: &mut Pad) {
    let sound = auditioner.play(pad, balance::MAX_STROKE_S);
    if mono_loss_db(&sound).is_none_or(|db| db <= MAX_MONO_LOSS_DB) {
        return;
    }
    let mut one = pad.clone();
    let Some(both_db) = narrow(auditioner, pad) else { return };
    if both_db <= MAX_MONO_LOSS_DB {
        return;
    }
    let energy = |x: &[f32]| x.iter().map(|s| f64::from(*s) * f64::from(*s)).sum::<f64>();
    let channels = if energy(&sound[0]) >= energy(&sound[1]) { Channels::Left } else { Channels::Right };
    one.layers.iter_mut().for_each(|layer| layer.settings.channels = channels);
    if narrow(auditioner, &mut one).is_some_and(|one_db| one_db < both_db - HELPS_DB) {
        *pad = one;
    }
}

/// Narrows the pad's cloud, and diffuses it less, as long as it loses more than 2 dB in mono; a pad that this does not help
/// stays as it is. Returns what it loses then, dB; `None` for silence.
fn narrow(auditioner: &mut Auditioner, pad: &mut Pad) -> Option<f32> {
    let mut loss_db = |pad: &Pad| mono_loss_db(&auditioner.play(pad, balance::MAX_STROKE_S));
    let (before, before_db) = (pad.cloud, loss_db(pad)?);
    let mut is_db = before_db;
    for _ in 0..MAX_RENDERINGS {
        if is_db <= MAX_MONO_LOSS_DB || before.copies == 0 {
            break;
        }
        pad.cloud.width *= NARROWER;
        pad.cloud.diffusion *= NARROWER;
        is_db = loss_db(pad).unwrap_or(before_db);
    }
    if is_db > before_db - HELPS_DB {
        pad.cloud = before;
        return Some(before_db);
    }
    Some(is_db)
}

/// Power that the mean of both channels lacks beside that of the channels, dB; `None` for silence.
pub fn mono_loss_db([left, right]: &[Vec<f32>; 2]) -> Option<f32> {
    let power = |x: f32| f64::from(x) * f64::from(x);
    let (mut both, mut mean) = (0.0, 0.0);
    for (l, r) in left.iter().zip(right) {
        both += 0.5 * (power(*l) + power(*r));
        mean += power(0.5 * (l + r));
    }
    (both > 0.0).then(|| power_to_db((both / mean.max(1e-30)) as f32))
}

/// What a limiter takes of the peak of a pad of this role at most, dB.
pub fn max_held_db(role: Role) -> f32 {
    if role == Role::Snare { MAX_SNARE_HELD_DB } else { MAX_HELD_DB }
}

/// Holds the pad's peak `crest_db` above its loudness by its last limiter, by `max_held` dB at most and as far as that
/// helps, so that it can be as loud in a kit as its role asks for; returns by how much, dB. A kick's lows keep their peak:
/// the balance goes by the kick.
pub fn hold_peak(auditioner: &mut Auditioner, pad: &mut Pad, crest_db: f32, max_held: f32) -> f32 {
    let before = pad.tone.colour;
    let mut held = 0.0;
    if pad.role == Role::Kick {
        return held;
    }
    let mut last_over = f32::INFINITY;
    for _ in 0..MAX_RENDERINGS {
        let [left, right] = auditioner.play(pad, balance::MAX_STROKE_S);
        let Some(lufs) = balance::loudness(&left, &right) else { break };
        let peak_db = gain_to_db(peak([&left, &right]));
        let over = peak_db - lufs - crest_db;
        // stops when limiting lowers the loudness as much as the peak
        if over <= 0.3 || over > last_over - 0.3 || held >= max_held {
            break;
        }
        last_over = over;
        let by = over.min(max_held - held);
        held += by;
        let colour = &mut pad.tone.colour;
        let makeup = if before.on { before.makeup_db } else { 0.0 };
        let from_db = if held > by { colour.threshold_db } else { peak_db - pad.settings.level_db - makeup };
        let threshold_db = (from_db - by).clamp(-40.0, 0.0);
        let short = matches!(
            pad.role,
            Role::Snare | Role::Rim | Role::Clap | Role::ClosedHat | Role::PedalHat | Role::Percussion
        );
        let release_ms = if short { SHORT_RELEASE_MS } else { before.release_ms };
        *colour = Limiter { on: true, threshold_db, release_ms, ..before };
    }
    held
}

/// Centroid of the power spectrum, Hz; `None` for silence.
fn centre_hz(sound: &[f32]) -> Option<f32> {
    let (power, bin_hz) = spectrum(sound);
    let sum: f64 = power.iter().map(|p| f64::from(*p)).sum();
    let weighted: f64 = power.iter().enumerate().map(|(i, p)| i as f64 * bin_hz * f64::from(*p)).sum();
    (sum > 0.0).then(|| (weighted / sum) as f32)
}
