//! Balance: every pad has the loudness of its role, and no stroke peaks far above it.

use super::auditioner::{AUDITION_RATE, Auditioner, on_all_cores};
use crate::{
    engine::dsp::math::peak,
    groove,
    kit::{Kit, LIMITER, PAD, Pad, Role},
    settings::setting,
    units::gain_to_db,
};
use ebur128::{Channel, EbuR128, Mode};

/// Loudness of the kick's stroke at velocity 110 before the whole kit is balanced, LUFS (momentary maximum,
/// ITU-R BS.1770-4: 400 ms); common practice, no source.
pub const KICK_LUFS: f32 = -21.0;
/// Maximum peak of a stroke above the kick's loudness, dB: without it clicks would become far too loud. Kicks themselves
/// peak about as high; with 12 dB, limiters flattened snares, and more of them were taken for toms (tests/SCORES.md).
const MAX_CREST_DB: f32 = 16.0;
/// Loudness of the project's own groove, played by a fresh kit, LUFS (integrated, ITU-R BS.1770-4; our choice)...
pub const GROOVE_LUFS: f32 = -26.0;
/// ...as far as its peak before the ceiling stays below this, dBFS.
pub const MAX_GROOVE_PEAK_DB: f32 = -3.0;
/// Maximum length of a stroke that is measured, seconds.
pub const MAX_STROKE_S: f64 = 1.2;

/// Crest factor, dB, up to which a pad of this role can be as loud beside the kick as its role asks for.
pub fn max_crest_db(role: Role) -> f32 {
    MAX_CREST_DB - offset_lu(role)
}

/// Loudness of a role relative to the kick, LU; common practice, no source.
pub fn offset_lu(role: Role) -> f32 {
    match role {
        Role::Kick => 0.0,
        Role::Snare => -0.5,
        Role::Clap => -2.5,
        Role::Rim => -4.0,
        Role::ClosedHat => -9.0,
        Role::PedalHat => -10.5,
        Role::OpenHat => -7.5,
        Role::Crash => -5.0,
        Role::Ride => -8.0,
        Role::Shaker => -10.0,
        Role::LowTom => -2.0,
        Role::MiddleTom => -2.25,
        Role::HighTom => -2.5,
        Role::Percussion => -5.0,
    }
}

/// Sets the pad's level so that a stroke has the loudness of its role beside a kick of `kick_lufs`; a silent pad
/// gets 0 dB. Returns the loudness of the stroke at that level, LUFS; `None` for silence.
pub fn level(auditioner: &mut Auditioner, pad: &mut Pad, kick_lufs: f32) -> Option<f32> {
    pad.settings.level_db = 0.0;
    let [left, right] = auditioner.play(pad, MAX_STROKE_S);
    let peak = peak([&left, &right]);
    let lufs = loudness(&left, &right)?;
    let wanted = kick_lufs + offset_lu(pad.role) - lufs;
    let allowed = kick_lufs + MAX_CREST_DB - gain_to_db(peak);
    let level = setting(&PAD, "level_db");
    let short = lift(pad, wanted.min(allowed) - level.max);
    pad.settings.level_db = level.clamp(wanted.min(allowed) - short);
    Some(lufs + short + pad.settings.level_db)
}

/// Lifts a pad that is too soft for its level's range by so much at the end of its tone chain, as far as the last
/// limiter's gain goes: what is left above a high cut may be 40 dB softer than the hit. Returns the lift, dB.
fn lift(pad: &mut Pad, by_db: f32) -> f32 {
    if by_db <= 0.0 {
        return 0.0;
    }
    let last = &mut pad.tone.colour;
    if !last.on {
        (last.on, last.threshold_db, last.makeup_db) = (true, 0.0, 0.0);
    }
    let before = last.makeup_db;
    last.makeup_db = setting(&LIMITER, "makeup_db").clamp(before + by_db);
    last.makeup_db - before
}

/// Loudness of the kit's kick, LUFS; without a kick the median of what the other pads' levels imply. `None` for a
/// silent kit. Pad `without` is left out, unless it is the kick.
pub fn kick_lufs(auditioner: &mut Auditioner, kit: &Kit, without: usize) -> Option<f32> {
    let mut implied = Vec::new();
    for (i, pad) in kit.doc.pads.iter().enumerate().filter(|(_, p)| !p.is_empty()) {
        if pad.role != Role::Kick && i == without {
            continue;
        }
        let [left, right] = auditioner.play(pad, MAX_STROKE_S);
        let Some(lufs) = loudness(&left, &right) else { continue };
        if pad.role == Role::Kick {
            return Some(lufs);
        }
        implied.push(lufs - offset_lu(pad.role));
    }
    implied.sort_by(f32::total_cmp);
    implied.get(implied.len() / 2).copied()
}

/// Balances a finished kit: no pad is louder relative to the kick than its role, and the project's own groove has
/// [`GROOVE_LUFS`], so that one kit is as loud as the next, with a peak of at most [`MAX_GROOVE_PEAK_DB`] before the
/// ceiling. `loud` is the loudness of each pad's stroke, LUFS. Without a kick only the groove's loudness is set.
pub fn whole(kit: &mut Kit, loud: &[Option<f32>]) {
    relative_to_kick(kit, loud);
    let [left, right] = played_groove(kit);
    let peak = peak([&left, &right]);
    if peak <= 0.0 {
        return;
    }
    let to_peak_db = MAX_GROOVE_PEAK_DB - gain_to_db(peak);
    let lift_db = integrated(&left, &right).map_or(to_peak_db, |lufs| to_peak_db.min(GROOVE_LUFS - lufs));
    for pad in &mut kit.doc.pads {
        pad.settings.level_db = setting(&PAD, "level_db").clamp(pad.settings.level_db + lift_db);
    }
}

/// Lowers the pads that are louder relative to the kick than their role: the kick's level may have been limited by its
/// peak. `loud` is the loudness of each pad's stroke, LUFS.
pub fn relative_to_kick(kit: &mut Kit, loud: &[Option<f32>]) {
    let pads = &mut kit.doc.pads;
    let kick = pads.iter().zip(loud).find(|(pad, _)| pad.role == Role::Kick).and_then(|(_, &lufs)| lufs);
    let Some(kick) = kick else { return };
    for (pad, lufs) in pads.iter_mut().zip(loud) {
        // only downwards: a pad whose level was limited by its peak stays there
        let over = lufs.map_or(0.0, |lufs| (lufs - kick - offset_lu(pad.role)).max(0.0));
        pad.settings.level_db = setting(&PAD, "level_db").clamp(pad.settings.level_db - over);
    }
}

/// The groove as the kit plays it, left and right, with its own draws, without trims and ceiling. The pads are shared out
/// among the cores; pads of one choke group stay together.
fn played_groove(kit: &Kit) -> [Vec<f32>; 2] {
    let notes = groove::notes(kit);
    let part_of = shared_out(kit, &notes);
    let parts = on_all_cores(kit, &kit.takes, PARTS, |auditioner, part| {
        let mine: Vec<_> = notes.iter().copied().filter(|n| part_of[n.pad] == part).collect();
        auditioner.play_groove(kit, &mine)
    });
    let frames = parts.iter().map(|p| p[0].len()).max().unwrap_or(0);
    let sum = |channel: usize, i: usize| parts.iter().filter_map(|p| p[channel].get(i)).sum::<f32>();
    [0, 1].map(|channel| (0..frames).map(|i| sum(channel, i)).collect())
}

/// Number of parts of the groove: several for each core, so that cores end at about the same time.
const PARTS: usize = 6;

/// The part that plays each pad; all parts have about the same number of grains to play.
fn shared_out(kit: &Kit, notes: &[groove::Note]) -> Vec<usize> {
    let pads = &kit.doc.pads;
    let work = |i: usize| {
        let grains = pads[i].layers.len() + usize::from(pads[i].cloud.copies);
        grains * notes.iter().filter(|n| n.pad == i).count()
    };
    let mut order: Vec<usize> = (0..pads.len()).collect();
    order.sort_by_key(|&i| (std::cmp::Reverse(work(i)), i));
    let mut part_of = vec![usize::MAX; pads.len()];
    let mut load = [0; PARTS];
    for i in order {
        let group = pads[i].settings.choke_group;
        let same = (0..pads.len())
            .find(|&o| group != 0 && pads[o].settings.choke_group == group && part_of[o] != usize::MAX);
        let least = (0..PARTS).min_by_key(|&p| load[p]).unwrap_or(0);
        part_of[i] = same.map_or(least, |o| part_of[o]);
        load[part_of[i]] += work(i);
    }
    part_of
}

/// Integrated loudness, LUFS; `None` for silence.
fn integrated(left: &[f32], right: &[f32]) -> Option<f32> {
    let mut meter = EbuR128::new(2, AUDITION_RATE as u32, Mode::I).ok()?;
    meter.add_frames_planar_f32(&[left, right]).ok()?;
    meter.loudness_global().ok().filter(|lufs| lufs.is_finite()).map(|lufs| lufs as f32)
}

/// Momentary loudness of a stroke at its loudest, LUFS; `None` for silence.
pub fn loudness(left: &[f32], right: &[f32]) -> Option<f32> {
    loudest([left, right], EbuR128::new(2, AUDITION_RATE as u32, Mode::M).ok()?)
}

/// The same of a stroke whose two channels both carry `channel` (frames at [`AUDITION_RATE`]), measured once: LUFS; `None`
/// for silence.
pub fn loudness_of_dual_mono(channel: &[f32]) -> Option<f32> {
    let mut meter = EbuR128::new(1, AUDITION_RATE as u32, Mode::M).ok()?;
    meter.set_channel(0, Channel::DualMono).ok()?;
    loudest([channel], meter)
}

/// The highest momentary loudness that `meter` reads of channels of one length.
fn loudest<const N: usize>(channels: [&[f32]; N], mut meter: EbuR128) -> Option<f32> {
    /// Frames between two readings: 50 ms.
    const PART: usize = 2400;
    /// Parts in the meter's window of 400 ms: as much silence before the stroke, and half of it behind, so that the window
    /// can hold the whole of a short one.
    const WINDOW: usize = 8;
    let rest = [0.0f32; PART];
    let mut max = f64::NEG_INFINITY;
    for _ in 0..WINDOW {
        meter.add_frames_planar_f32(&[&rest[..]; N]).ok()?;
    }
    let frames = channels[0].len();
    for from in (0..frames).step_by(PART) {
        let to = (from + PART).min(frames);
        meter.add_frames_planar_f32(&channels.map(|c| &c[from..to])).ok()?;
        max = max.max(meter.loudness_momentary().ok()?);
    }
    for _ in 0..WINDOW / 2 {
        meter.add_frames_planar_f32(&[&rest[..]; N]).ok()?;
        max = max.max(meter.loudness_momentary().ok()?);
    }
    (max.is_finite() && max > -100.0).then_some(max as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine of 997 Hz at full scale in one channel reads -3.01 LKFS (ITU-R BS.1770-5, annex 1), in two 0 LKFS.
    #[test]
    fn one_channel_is_measured_like_two_that_carry_the_same() {
        let sine: Vec<f32> =
            (0..48_000).map(|i| (i as f32 * 997.0 / 48_000.0 * std::f32::consts::TAU).sin()).collect();
        for (share, lufs) in [(1.0, 0.0), (0.1, -20.0)] {
            let part: Vec<f32> = sine.iter().map(|x| share * x).collect();
            let (one, both) = (loudness_of_dual_mono(&part).unwrap(), loudness(&part, &part).unwrap());
            assert!((one - lufs).abs() < 0.05 && (both - one).abs() < 0.001, "{one} and {both}, not {lufs}");
        }
        // a stroke of 100 ms fills a quarter of the window of 400 ms: 6.0 LU less
        let short = loudness_of_dual_mono(&sine[..4800]).unwrap();
        assert!((short + 6.02).abs() < 0.15, "{short}");
        assert_eq!(loudness_of_dual_mono(&[0.0; 4800]), None);
    }
}
