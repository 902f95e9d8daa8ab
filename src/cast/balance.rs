//! Balance: every pad as loud as its role asks for, and nothing loud by surprise.

use super::audition::{RATE, Stage, on_all_cores};
use crate::{
    kit::{Kit, Pad, Role},
    units::{db_to_gain, gain_to_db},
};
use ebur128::{EbuR128, Mode};

/// Loudness of the kick's stroke at velocity 110 before the kit as a whole is weighed, LUFS (momentary
/// maximum, ITU-R BS.1770-4: 400 ms); common practice, no source.
pub const KICK_LUFS: f32 = -21.0;
/// No stroke peaks higher than this above the kick's loudness, dB: a click would else be lifted out of all
/// proportion.
const MOST_CREST_DB: f32 = 12.0;
/// Peak of the strokes that a groove plays together, dBFS: where a fresh kit stands before the ceiling.
pub const GROOVE_PEAK_DB: f32 = -6.0;
/// What a groove adds to the strokes that are weighed, dB: its hardest strokes (velocity 118 against 110:
/// 0.9 dB at the usual response) and what varies from stroke to stroke (0.8 dB).
const HARDEST_DB: f32 = 1.7;
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

/// Sets the pad's level so that a stroke is as loud as its role asks for beside a kick of `kick_lufs`; a
/// silent pad stays as it is.
pub fn level(stage: &mut Stage, pad: &mut Pad, kick_lufs: f32) {
    pad.settings.level_db = 0.0;
    let [left, right] = stage.play(pad, LONGEST_S);
    let peak = left.iter().chain(&right).fold(0.0f32, |a, x| a.max(x.abs()));
    let Some(lufs) = loudness(&left, &right) else { return };
    let wanted = kick_lufs + offset_lu(pad.role) - lufs;
    let allowed = kick_lufs + MOST_CREST_DB - gain_to_db(peak);
    pad.settings.level_db = wanted.min(allowed).clamp(-60.0, 24.0);
}

/// Loudness of the kick that the pads of a kit stand beside, LUFS: the kick's own, without one what the
/// other pads' levels imply (the median); `None` for a silent kit. Pad `without` does not count, except as
/// the kick.
pub fn kick_lufs(stage: &mut Stage, kit: &Kit, without: usize) -> Option<f32> {
    let mut implied = Vec::new();
    for (i, pad) in kit.doc.pads.iter().enumerate().filter(|(_, p)| !p.is_empty()) {
        if pad.role != Role::Kick && i == without {
            continue;
        }
        let [left, right] = stage.play(pad, LONGEST_S);
        let Some(lufs) = loudness(&left, &right) else { continue };
        if pad.role == Role::Kick {
            return Some(lufs);
        }
        implied.push(lufs - offset_lu(pad.role));
    }
    implied.sort_by(f32::total_cmp);
    implied.get(implied.len() / 2).copied()
}

/// Brings the pads of a finished kit into proportion: none is louder against the kick than its role asks
/// for (the kick itself may have been held back by its peak), and strokes that a groove plays together peak
/// at [`GROOVE_PEAK_DB`]. Without a kick the roles keep their proportion.
pub fn whole(kit: &mut Kit) {
    let played = on_all_cores(kit, kit.doc.pads.len(), |stage, i| {
        let pad = &kit.doc.pads[i];
        (!pad.is_empty()).then(|| stage.play(pad, LONGEST_S))
    });
    let loud: Vec<Option<f32>> =
        played.iter().map(|p| p.as_ref().and_then(|[left, right]| loudness(left, right))).collect();
    let pads = &mut kit.doc.pads;
    let kick = pads.iter().zip(&loud).find(|(pad, _)| pad.role == Role::Kick).and_then(|(_, &lufs)| lufs);
    let mut gains = vec![0.0f32; pads.len()];
    if let Some(kick) = kick {
        for ((gain, pad), lufs) in gains.iter_mut().zip(pads.iter()).zip(&loud) {
            // only downwards: a pad that its peak held back stays there
            *gain = lufs.map_or(0.0, |lufs| (kick + offset_lu(pad.role) - lufs).min(0.0));
        }
    }
    let peak = together(pads, &played, &gains);
    if peak > 0.0 {
        let all = GROOVE_PEAK_DB - HARDEST_DB - gain_to_db(peak);
        for (pad, gain) in pads.iter_mut().zip(&gains) {
            pad.settings.level_db = (pad.settings.level_db + gain + all).clamp(-60.0, 24.0);
        }
    }
}

/// Highest peak of strokes that fall on one beat: kick or snare with the hat and what doubles them, or any
/// pad alone.
fn together(pads: &[Pad], played: &[Option<[Vec<f32>; 2]>], gains: &[f32]) -> f32 {
    const BEATS: [&[Role]; 3] = [
        &[Role::Kick, Role::ClosedHat, Role::Shaker],
        &[Role::Snare, Role::Clap, Role::ClosedHat, Role::Shaker],
        &[Role::Kick, Role::LowTom, Role::ClosedHat],
    ];
    let frames = (LONGEST_S * RATE) as usize;
    let alone = (0..pads.len()).map(|i| vec![i]);
    let beats = BEATS.iter().map(|roles| {
        roles.iter().filter_map(|role| pads.iter().position(|p| p.role == *role)).collect::<Vec<_>>()
    });
    let mut most = 0.0f32;
    for beat in beats.chain(alone) {
        let mut sum = [vec![0.0f32; frames], vec![0.0f32; frames]];
        for i in beat {
            let Some(sound) = &played[i] else { continue };
            let gain = db_to_gain(gains[i]);
            for (sum, part) in sum.iter_mut().zip(sound) {
                sum.iter_mut().zip(part).for_each(|(s, x)| *s += x * gain);
            }
        }
        most = sum.iter().flatten().fold(most, |a, x| a.max(x.abs()));
    }
    most
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
