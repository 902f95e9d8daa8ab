//! Alternates of a pad: of one level and colour, and in time.

use super::{
    auditioner::Auditioner,
    balance,
    cohesion::{HARD, SOFT, Stroke, stroke_of, with_slice},
    onset_delay,
};
use crate::{
    kit::{Pad, SLICE, Slice},
    settings::setting,
};

/// Alternates are brought this near to the first in loudness, LU.
const NEAR_LU: f32 = 0.2;
const MAX_APART_LU: f32 = 0.45;
/// The same at half velocity.
const MAX_APART_SOFTLY_LU: f32 = 0.9;
/// In the centre of the spectrum: from the first slice, and any two of them, octaves.
const MAX_FROM_FIRST_OCT: f32 = 0.35;
const MAX_APART_OCT: f32 = 0.5;
/// Least slope that is assumed of a pad's loudness over the gain of a slice, LU/dB (our choice): a limiter flattens it.
const MIN_SLOPE: f32 = 0.25;
/// What begins by then at full velocity is in time at the velocity of auditions, ms (our choice).
const SURELY_IN_TIME_MS: f32 = 1.0;
/// Renderings at most for one alternate.
const MAX_RENDERINGS: usize = 5;

/// Brings every alternate to the loudness of the first slice by its gain; those that stay further off in loudness, at full or
/// at half velocity, or in colour are let go. Where one comes late because the attack of a fitted pad swells, that is bent; one that is late by
/// itself is let go.
pub fn even_alternates(auditioner: &mut Auditioner, pad: &mut Pad) {
    let Some(late) = evened(auditioner, pad) else { return };
    let fitted = pad.fit > 0.0 && (pad.role.is_scored() || pad.target.is_some());
    if late.is_empty() || !fitted {
        return;
    }
    if late.iter().all(|slice| onset_delay::bend_for(auditioner, pad, *slice)) {
        // another attack is another loudness
        let still_late = evened(auditioner, pad).unwrap_or_default();
        pad.slices.retain(|slice| !still_late.contains(slice));
    } else {
        pad.slices.retain(|slice| !late.contains(slice));
    }
    close_gaps(&mut pad.slices);
}

/// Brings all alternates to the first, and returns those that begin late; `None` for silence.
fn evened(auditioner: &mut Auditioner, pad: &mut Pad) -> Option<Vec<Slice>> {
    let &first = pad.slices.first()?;
    let (wanted, _) = heard(auditioner, pad, first, HARD)?;
    let (wanted_soft, _) = heard(auditioner, pad, first, SOFT)?;
    let (mut kept, mut late) = (vec![first], Vec::new());
    let mut brightness = [0.0; 2];
    for &slice in &pad.slices[1..] {
        let Some((slice, begins_ms)) = like_first(auditioner, pad, slice, wanted, &mut brightness) else {
            continue;
        };
        // a limiter that evens out loud strokes leaves soft ones as they are
        let is_played_softly = slice.velocities[0] < SOFT;
        if is_played_softly
            && heard(auditioner, pad, slice, SOFT)
                .is_none_or(|(soft, _)| (soft.lufs - wanted_soft.lufs).abs() > MAX_APART_SOFTLY_LU)
        {
            continue;
        }
        kept.push(slice);
        // softer strokes are darker and come later
        if begins_ms > SURELY_IN_TIME_MS && !onset_delay::in_time(auditioner, &with_slice(pad, slice)) {
            late.push(slice);
        }
    }
    pad.slices = kept;
    close_gaps(&mut pad.slices);
    Some(late)
}

/// How the pad sounds with this slice at a velocity, and when it has begun, ms.
fn heard(auditioner: &mut Auditioner, pad: &Pad, slice: Slice, velocity: f32) -> Option<(Stroke, f32)> {
    let sound = auditioner.play_at(&with_slice(pad, slice), velocity, balance::MAX_STROKE_S);
    Some((stroke_of(&sound)?, onset_delay::beginning_of(&sound)?.ms))
}

/// The slice with the gain that makes it as loud as `wanted`, and when it begins, ms; `None` where no gain does or its colour
/// is another. The range of `brightness`, octaves beside `wanted`, grows to include it.
fn like_first(
    auditioner: &mut Auditioner,
    pad: &Pad,
    mut slice: Slice,
    wanted: Stroke,
    brightness: &mut [f32; 2],
) -> Option<(Slice, f32)> {
    let mut last: Option<(f32, f32)> = None;
    let (mut off, mut begins_ms, mut found) = (f32::INFINITY, 0.0, *brightness);
    for _ in 0..MAX_RENDERINGS {
        let (is, ms) = heard(auditioner, pad, slice, HARD)?;
        let octaves = (is.centre_hz / wanted.centre_hz).log2();
        let range = [brightness[0].min(octaves), brightness[1].max(octaves)];
        if octaves.abs() > MAX_FROM_FIRST_OCT || range[1] - range[0] > MAX_APART_OCT {
            return None;
        }
        (found, begins_ms, off) = (range, ms, wanted.lufs - is.lufs);
        if off.abs() <= NEAR_LU {
            break;
        }
        // secant method: a chain that limits changes by less than the gain
        let slope = last.map_or(1.0, |(gain_db, lufs)| (is.lufs - lufs) / (slice.gain_db - gain_db));
        last = Some((slice.gain_db, is.lufs));
        let step = off / slope.clamp(MIN_SLOPE, 1.0);
        let gain_db = setting(&SLICE, "gain_db").clamp(slice.gain_db + step);
        if gain_db == slice.gain_db {
            // at the end of its range
            break;
        }
        slice.gain_db = gain_db;
    }
    if off.abs() > MAX_APART_LU {
        return None;
    }
    *brightness = found;
    Some((slice, begins_ms))
}

/// Widens the velocity zones that are left so that they meet again and cover every velocity.
fn close_gaps(slices: &mut [Slice]) {
    let mut zones: Vec<[f32; 2]> = slices.iter().map(|s| s.velocities).collect();
    zones.sort_by(|a, b| a[0].total_cmp(&b[0]));
    zones.dedup();
    let edge = |i: usize| if i == 0 { 0.0 } else { zones[i][0] };
    for slice in slices {
        let Some(i) = zones.iter().position(|z| *z == slice.velocities) else { continue };
        let high = zones.get(i + 1).map_or(1.0, |next| next[0]);
        slice.velocities = [edge(i), high];
    }
}
