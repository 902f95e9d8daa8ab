//! Toms in order: the high one above the low one, the middle one between them.

use super::{
    auditioner::Auditioner,
    balance,
    cohesion::{even_alternates, follow_velocity, hold_peak, max_held_db},
    onset_delay::reduce_onset_delay,
    tune,
};
use crate::{
    kit::{Key, Kit, Pad, Role},
    units::ratio_to_st,
};
use std::{panic::resume_unwind, thread::scope};

/// Interval between the low tom and the high tom, semitones.
const TOMS_ST: [f64; 2] = [3.0, 7.0];
/// The same where a middle tom stands between them, semitones: room for the six keys of General MIDI.
const THREE_TOMS_ST: [f64; 2] = [5.2, 6.5];
/// Moves at most until the toms stand apart, and until the middle tom stands between them.
const MAX_ROUNDS: usize = 8;
/// What a tom's pitch may change by when it is started later, semitones (our choice).
const MAX_DRIFT_ST: f64 = 0.2;

/// Puts the high tom above the low one by 3 to 7 semitones, and the middle tom halfway between them. Low and high give way
/// alike; in a key all stand on its notes. Nothing happens without low and high tom or where one has no pitch. Toms that
/// come late at their new pitch are started later. The two auditioners play at once.
pub(super) fn order(auditioners: &mut [Auditioner; 2], kit: &mut Kit) {
    put_in_order(auditioners, kit);
    for pad in kit.doc.pads.iter_mut().filter(|p| p.role.is_tom() && !p.is_empty()) {
        let mut in_time = pad.clone();
        reduce_onset_delay(&mut auditioners[0], &mut in_time);
        // another stretch of a noisy hit may have another strongest partial
        if *pad != in_time
            && interval_st(&mut auditioners[0], pad, &in_time).is_some_and(|st| st.abs() < MAX_DRIFT_ST)
        {
            *pad = in_time;
        }
    }
}

fn put_in_order(auditioners: &mut [Auditioner; 2], kit: &mut Kit) {
    let place = |kit: &Kit, role| kit.doc.pads.iter().position(|p| p.role == role && !p.is_empty());
    let (Some(low), Some(high)) = (place(kit, Role::LowTom), place(kit, Role::HighTom)) else { return };
    let middle = place(kit, Role::MiddleTom);
    // six keys share three toms out among them
    let range = if middle.is_some() { THREE_TOMS_ST } else { [TOMS_ST[0] + 0.5, TOMS_ST[1] - 0.5] };
    let key = kit.doc.key;
    let pads = [low, high].map(|i| kit.doc.pads[i].clone());
    let Some((pads, hz)) = apart(auditioners, pads, key, range) else { return };
    [kit.doc.pads[low], kit.doc.pads[high]] = pads;
    let Some(middle) = middle else { return };
    let pad = between(&mut auditioners[0], kit.doc.pads[middle].clone(), key, hz);
    kit.doc.pads[middle] = pad;
}

/// Moves a middle tom until it stands halfway between toms of these frequencies, Hz. Steps that overshoot are halved, and
/// the nearest state is kept, as in [`apart`].
fn between(auditioner: &mut Auditioner, mut pad: Pad, key: Option<Key>, hz: [f64; 2]) -> Pad {
    // a key's notes lie up to two semitones apart
    let near = if key.is_some() { 1.0 } else { 0.3 };
    let mut nearest: Option<(f64, Pad)> = None;
    let (mut last, mut share) = (0.0f64, 1.0);
    for _ in 0..MAX_ROUNDS {
        let Some(is_hz) = tune::strongest_partial_hz(auditioner, &pad) else { break };
        let by = ratio_to_st(hz[1] / hz[0]) / 2.0 - ratio_to_st(is_hz / hz[0]);
        if nearest.as_ref().is_none_or(|(off, _)| by.abs() < *off) {
            nearest = Some((by.abs(), pad.clone()));
        }
        if by.abs() <= near {
            break;
        }
        if by * last < 0.0 {
            share *= 0.5;
        }
        last = by;
        move_by(auditioner, &mut pad, key, by * share);
    }
    nearest.map_or(pad, |(_, pad)| pad)
}

/// Moves a low and a high tom until their interval is within `range`, semitones, both alike. The strongest partial of a
/// noisy hit jumps, so that steps that overshoot are halved, and the nearest state is kept. Returns it with the
/// frequencies of both, Hz; `None` where one has no pitch.
fn apart(
    auditioners: &mut [Auditioner; 2],
    mut pads: [Pad; 2],
    key: Option<Key>,
    range: [f64; 2],
) -> Option<([Pad; 2], [f64; 2])> {
    let mut nearest: Option<(f64, [Pad; 2], [f64; 2])> = None;
    let (mut last, mut share) = (0.0f64, 1.0);
    for _ in 0..MAX_ROUNDS {
        let hz =
            at_once(auditioners, &mut pads, |auditioner, pad, _| tune::strongest_partial_hz(auditioner, pad));
        let [Some(low_hz), Some(high_hz)] = hz else { break };
        let interval = ratio_to_st(high_hz / low_hz);
        let by = interval.clamp(range[0], range[1]) - interval;
        if nearest.as_ref().is_none_or(|(off, ..)| by.abs() < *off) {
            nearest = Some((by.abs(), pads.clone(), [low_hz, high_hz]));
        }
        if by.abs() <= 0.5 {
            break;
        }
        if by * last < 0.0 {
            share *= 0.5;
        }
        last = by;
        let steps = [-by * share / 2.0, by * share / 2.0];
        at_once(auditioners, &mut pads, |auditioner, pad, i| move_by(auditioner, pad, key, steps[i]));
    }
    nearest.map(|(_, pads, hz)| (pads, hz))
}

/// Works on two pads at once, each with an auditioner and its index.
fn at_once<T: Send>(
    [first, second]: &mut [Auditioner; 2],
    [low, high]: &mut [Pad; 2],
    work: impl Fn(&mut Auditioner, &mut Pad, usize) -> T + Sync,
) -> [T; 2] {
    scope(|scope| {
        let other = scope.spawn(|| work(second, high, 1));
        [work(first, low, 0), other.join().unwrap_or_else(|panic| resume_unwind(panic))]
    })
}

fn move_by(auditioner: &mut Auditioner, pad: &mut Pad, key: Option<Key>, by_st: f64) {
    tune::move_pad(auditioner, pad, key, by_st);
    // another pitch meets the tone chain otherwise
    hold_peak(auditioner, pad, balance::max_crest_db(pad.role), max_held_db(pad.role));
    follow_velocity(auditioner, pad);
    even_alternates(auditioner, pad);
    if key.is_some() {
        // what follows velocity cuts highs, so that another partial may have become the strongest
        tune::move_pad(auditioner, pad, key, 0.0);
    }
}

/// Semitones from the strongest partial of the low tom up to that of the high tom; `None` where one is silent.
pub fn interval_st(auditioner: &mut Auditioner, low: &Pad, high: &Pad) -> Option<f64> {
    let low_hz = tune::strongest_partial_hz(auditioner, low)?;
    let high_hz = tune::strongest_partial_hz(auditioner, high)?;
    Some(ratio_to_st(high_hz / low_hz))
}
