//! Toms in order: the high one above the low one, the middle one between them.

use super::{
    alternates::even_alternates,
    auditioner::Auditioner,
    balance,
    cohesion::{follow_velocity, hold_peak, max_held_db},
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
const MAX_ROUNDS: usize = 12;
/// Shares of the missing interval by which the low and the high tom move, in turn.
const SHARES: [[f64; 2]; 3] = [[-0.5, 0.5], [-1.0, 0.0], [0.0, 1.0]];
/// What a tom's pitch may change by when it is started later, semitones (our choice).
const MAX_DRIFT_ST: f64 = 0.2;

/// Where the pitch of a tom is looked for, seconds of its stroke: in all of it, in its ring, and in between, and once more in
/// all of it with its stroke. Partials of a noisy hit or a chord take turns as the strongest one.
const HEARD_S: [[f64; 2]; 3] = [[0.0, MAX_HEARD_S], [0.05, MAX_HEARD_S], [0.02, 0.27]];
const MAX_HEARD_S: f64 = 0.8;
/// Least distance of the middle tom from the others, semitones.
const MIDDLE_APART_ST: f64 = 1.0;
/// The toms of one hit, semitones from the low one.
const FAMILY_ST: [f64; 3] = [0.0, 2.9, 5.8];

/// Puts the high tom above the low one by 3 to 7 semitones, and the middle tom halfway between them. Low and high give way
/// alike; in a key all stand on its notes. Nothing happens without low and high tom or where one has no pitch. Toms that
/// come late at their new pitch are started later. Where three hits are not heard in order, all that `may_change` (by pad)
/// are made of one hit. The two auditioners play at once.
pub(super) fn order(auditioners: &mut [Auditioner; 2], kit: &mut Kit, may_change: impl Fn(usize) -> bool) {
    put_in_order(auditioners, kit);
    for pad in kit.doc.pads.iter_mut().filter(|p| p.role.is_tom() && !p.is_empty()) {
        put_in_time(&mut auditioners[0], pad);
    }
    let Some(places) = places(kit).filter(|places| places.iter().all(|&p| may_change(p))) else { return };
    let toms = places.map(|i| kit.doc.pads[i].clone());
    for (i, tom) in places.into_iter().zip(heard_in_order(auditioners, toms, kit.doc.key)) {
        kit.doc.pads[i] = tom;
    }
}

/// Starts a tom that comes late later in its hit.
fn put_in_time(auditioner: &mut Auditioner, pad: &mut Pad) {
    let mut in_time = pad.clone();
    reduce_onset_delay(auditioner, &mut in_time);
    // another stretch of a noisy hit may have another strongest partial
    if *pad != in_time && interval_st(auditioner, pad, &in_time).is_some_and(|st| st.abs() < MAX_DRIFT_ST) {
        *pad = in_time;
    }
}

/// Low, middle and high tom of a kit that has all three.
fn places(kit: &Kit) -> Option<[usize; 3]> {
    let place = |role| kit.doc.pads.iter().position(|p| p.role == role && !p.is_empty());
    Some([place(Role::LowTom)?, place(Role::MiddleTom)?, place(Role::HighTom)?])
}

/// The toms as they are where they are heard in order, otherwise the best three of one hit where those are.
fn heard_in_order(auditioners: &mut [Auditioner; 2], toms: [Pad; 3], key: Option<Key>) -> [Pad; 3] {
    let mut least = out_of_order_st(&mut auditioners[0], &toms);
    let mut best = toms.clone();
    for of in [0, 2, 1] {
        if least == 0.0 {
            break;
        }
        let family = family(auditioners, &toms, of, key);
        let off = out_of_order_st(&mut auditioners[0], &family);
        if off < least {
            (least, best) = (off, family);
        }
    }
    best
}

/// Three toms of the hit of one of them, a fixed interval apart.
fn family(auditioners: &mut [Auditioner; 2], toms: &[Pad; 3], of: usize, key: Option<Key>) -> [Pad; 3] {
    let mut made = toms.each_ref().map(|tom| Pad { note: tom.note, role: tom.role, ..toms[of].clone() });
    for (i, pad) in made.iter_mut().enumerate().filter(|(i, _)| *i != of) {
        move_by(&mut auditioners[0], pad, key, FAMILY_ST[i] - FAMILY_ST[of]);
        put_in_time(&mut auditioners[0], pad);
    }
    made
}

/// How far low, middle and high tom are from standing in order, semitones, summed over where they are heard; 0 where they
/// stand, or where one is silent.
fn out_of_order_st(auditioner: &mut Auditioner, toms: &[Pad; 3]) -> f64 {
    let [low, middle, high] =
        toms.each_ref().map(|tom| tune::strongest_partials_hz(auditioner, tom, &HEARD_S));
    let (Some(low), Some(middle), Some(high)) = (low, middle, high) else { return 0.0 };
    let off = |i: usize| {
        let [middle, high] = [middle[i], high[i]].map(|hz| ratio_to_st(hz / low[i]));
        let beside = |st: f64, [least, most]: [f64; 2]| (least - st).max(st - most).max(0.0);
        beside(high, TOMS_ST) + beside(middle, [MIDDLE_APART_ST, high.max(TOMS_ST[0]) - MIDDLE_APART_ST])
    };
    (0..low.len()).map(off).sum()
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
/// the nearest state is kept.
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

/// Moves a low and a high tom until their interval is within `range`, semitones. Both move alike; the strongest partial of a
/// noisy hit or a chord jumps, and where that brings nothing nearer, one of them moves from the nearest state, then the
/// other, then both by half. Returns the nearest state with the frequencies of both, Hz; `None` where one has no pitch.
fn apart(
    auditioners: &mut [Auditioner; 2],
    mut pads: [Pad; 2],
    key: Option<Key>,
    range: [f64; 2],
) -> Option<([Pad; 2], [f64; 2])> {
    // a key's notes lie up to two semitones apart
    let near = if key.is_some() { 0.5 } else { 0.2 };
    let mut nearest: Option<(f64, [Pad; 2], [f64; 2])> = None;
    let mut turn = 0;
    for _ in 0..MAX_ROUNDS {
        let hz =
            at_once(auditioners, &mut pads, |auditioner, pad, _| tune::strongest_partial_hz(auditioner, pad));
        let [Some(low_hz), Some(high_hz)] = hz else { break };
        let interval = ratio_to_st(high_hz / low_hz);
        let missing = interval.clamp(range[0], range[1]) - interval;
        match &mut nearest {
            Some((least, ..)) if missing.abs() >= least.abs() => turn += 1,
            _ => nearest = Some((missing, pads.clone(), [low_hz, high_hz])),
        }
        let (missing, from, _) = nearest.as_ref()?;
        if missing.abs() <= near {
            break;
        }
        pads = from.clone();
        let by =
            SHARES[turn % SHARES.len()].map(|share| share * missing / f64::from(1 << (turn / SHARES.len())));
        at_once(auditioners, &mut pads, |auditioner, pad, i| move_by(auditioner, pad, key, by[i]));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{cast::test_signal::plucked, kit::Slice};

    /// Toms of plucked strings of these pitches, Hz.
    fn toms(hz: [f64; 3]) -> (Kit, [Pad; 3]) {
        let mut kit = Kit::default();
        let roles = [(43, Role::LowTom), (47, Role::MiddleTom), (50, Role::HighTom)];
        let pads = std::array::from_fn(|i| {
            let (one, _) = plucked(hz[i], 6.0);
            let mut pad = one.doc.pads[0].clone();
            (pad.note, pad.role, pad.fit) = (roles[i].0, roles[i].1, 1.0);
            pad.slices = vec![Slice { take: i, start: 0, end: 36_000, gain_db: 0.0, velocities: [0.0, 1.0] }];
            kit.takes.extend(one.takes);
            kit.doc.takes.extend(one.doc.takes);
            pad
        });
        kit.doc.pads = pads.to_vec();
        (kit, pads)
    }

    #[test]
    fn toms_in_order_stay_and_others_are_made_of_one_hit() {
        for (hz, stays) in [([110.0, 130.0, 155.0], true), ([110.0, 400.0, 130.0], false)] {
            let (kit, before) = toms(hz);
            let mut auditioners = [Auditioner::new(&kit), Auditioner::new(&kit)];
            let off_st = out_of_order_st(&mut auditioners[0], &before);
            assert_eq!(off_st == 0.0, stays, "{hz:?} are {off_st:.1} semitones out of order");
            let after = heard_in_order(&mut auditioners, before.clone(), None);
            assert_eq!(after == before, stays);
            assert_eq!(out_of_order_st(&mut auditioners[0], &after), 0.0, "{hz:?}");
            assert_eq!(after.each_ref().map(|tom| tom.note), [43, 47, 50]);
            let takes = after.each_ref().map(|tom| tom.slices[0].take);
            assert_eq!(takes.iter().all(|take| *take == takes[0]), !stays);
        }
    }
}
