//! Balance: every pad as loud as its role asks for, and nothing loud by surprise.

use super::audition::RATE;
use super::audition::Stage;
use crate::{
    kit::{Pad, Role},
    units::gain_to_db,
};
use ebur128::{EbuR128, Mode};

/// Loudness of the kick's stroke at velocity 110, LUFS (momentary maximum, ITU-R BS.1770-4: 400 ms). With it
/// the groove peaks near -6 dBFS; common practice, no source.
pub const KICK_LUFS: f32 = -21.0;
/// No stroke peaks higher than this, dBFS, whatever its loudness.
pub const MOST_PEAK_DB: f32 = -9.0;
/// Longest stretch that is weighed, seconds.
const LONGEST_S: f64 = 1.2;

/// Loudness of a role against the kick, LU; common practice, no source.
pub fn offset_lu(role: Role) -> f32 {
    match role {
        Role::Kick => 0.0,
        Role::Snare => -0.5,
        Role::Clap => -2.5,
        Role::Rim => -4.0,
        Role::ClosedHat => -9.0,
        Role::OpenHat => -7.5,
        Role::Shaker => -10.0,
        Role::LowTom => -2.0,
        Role::HighTom => -2.5,
        Role::Percussion => -5.0,
    }
}

/// Sets the pad's level so that a stroke is as loud as its role asks for; a silent pad stays as it is.
pub fn level(stage: &mut Stage, pad: &mut Pad) {
    pad.settings.level_db = 0.0;
    let [left, right] = stage.play(pad, LONGEST_S);
    let peak = left.iter().chain(&right).fold(0.0f32, |a, x| a.max(x.abs()));
    let Some(lufs) = loudness(&left, &right) else { return };
    let wanted = KICK_LUFS + offset_lu(pad.role) - lufs;
    let allowed = MOST_PEAK_DB - gain_to_db(peak);
    pad.settings.level_db = wanted.min(allowed).clamp(-60.0, 24.0);
}

/// Momentary loudness of a stroke at its loudest, LUFS; `None` for silence.
pub fn loudness(left: &[f32], right: &[f32]) -> Option<f32> {
    let mut meter = EbuR128::new(2, RATE as u32, Mode::M).ok()?;
    // 400 ms of silence around it: the meter's window then holds a short stroke whole
    let rest = vec![0.0f32; (0.4 * RATE) as usize];
    let mut most = f64::NEG_INFINITY;
    meter.add_frames_planar_f32(&[&rest, &rest]).ok()?;
    for (l, r) in left.chunks(2400).zip(right.chunks(2400)) {
        meter.add_frames_planar_f32(&[l, r]).ok()?;
        most = most.max(meter.loudness_momentary().ok()?);
    }
    for part in rest.chunks(2400).take(4) {
        meter.add_frames_planar_f32(&[part, part]).ok()?;
        most = most.max(meter.loudness_momentary().ok()?);
    }
    (most.is_finite() && most > -100.0).then_some(most as f32)
}
