//! Onset delay: the time from a key to its sound. What swells comes late.

use super::{
    auditioner::{AUDITION_RATE, Auditioner},
    balance,
    cohesion::with_slice,
};
use crate::{
    engine::dsp::math::peak,
    kit::{LAYER, Pad, Slice},
    settings::setting,
    units::{db_to_gain, frames_to_ms, st_to_ratio},
};

/// A stroke has begun when it is this far below its peak, dB: what comes before is masked by it (our choice).
const BEGUN_DB: f32 = -20.0;
/// Only some draws are heard. As a margin for the others, a stroke of theirs has begun when it is this far below its
/// peak, dB (our choice).
const DRAWS_BEGUN_DB: f32 = -18.0;
/// A stroke that has begun by then is in time, ms; and what is aimed at.
const IN_TIME_MS: f32 = 2.0;
const AIM_MS: f32 = 1.0;
/// Draws whose beginnings are heard, and how much of them, seconds.
const DRAWS: usize = 16;
const HEAD_S: f64 = 0.1;
/// Fade of a start within a sound, ms: no click.
const FADE_MS: f32 = 1.0;
/// The peak of a stroke may become lower by this much, dB: more would be another sound.
const MAX_LOSS_DB: f32 = 1.5;
/// Renderings at most.
const MAX_ROUNDS: usize = 4;
/// Later starts that are tried in turn where nothing else helps, ms (our choice).
const LATER_MS: [f32; 10] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0];
/// Curves of attacks that are tried in turn; more is hardly a swell any more (our choice).
const CURVES: [f32; 8] = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8];
/// Shares of the attacks' time that are tried after them.
const SHORTER: [f32; 4] = [0.7, 0.5, 0.35, 0.25];

/// Starts the layers of a pad later in their slices, by as much as its sound comes late, so that it has begun within 2 ms
/// of its key. Where that brings nothing, or costs the pad its peak, the sound swells by its envelope (shakers): then the
/// attack is bent, no further than is needed, since bent attacks are taken for shakers a little less often
/// (tests/SCORES.md). The last resort are starts further within the sound, whose first half-wave may be a higher one.
/// Strokes of other draws begin in time as well: where they would not, the start varies less.
pub fn reduce_onset_delay(auditioner: &mut Auditioner, pad: &mut Pad) {
    let Some(mut now) = beginning(auditioner, pad) else { return };
    for _ in 0..MAX_ROUNDS {
        if now.ms <= IN_TIME_MS {
            break;
        }
        let earlier = started_later(pad, now.ms - AIM_MS);
        let Some(then) = beginning(auditioner, &earlier) else { return };
        if then.ms >= now.ms || then.peak < now.peak * db_to_gain(-MAX_LOSS_DB) {
            break;
        }
        (*pad, now) = (earlier, then);
    }
    let any_draw = brought_in_time(auditioner, pad, now.peak, calmed);
    if let Some(found) = any_draw.or_else(|| brought_in_time(auditioner, pad, now.peak, as_it_is)) {
        *pad = found;
    }
}

/// Gives the pad, perhaps changed, where its strokes begin in time, else `None`.
type InTime = fn(&mut Auditioner, &Pad) -> Option<Pad>;

/// The pad, bent, or started within its sound, so that it is `in_time` without a loss of this peak; `None` where nothing
/// helps.
fn brought_in_time(auditioner: &mut Auditioner, pad: &Pad, peak: f32, in_time: InTime) -> Option<Pad> {
    if let Some(found) = in_time_or_bent(auditioner, pad, in_time) {
        return Some(found);
    }
    // the fade of a later start may take as long as it saves
    LATER_MS.into_iter().find_map(|ms| {
        let later = in_time_or_bent(auditioner, &started_later(pad, ms), in_time)?;
        let keeps_peak = |b: Beginning| b.peak >= peak * db_to_gain(-MAX_LOSS_DB);
        beginning(auditioner, &later).is_some_and(keeps_peak).then_some(later)
    })
}

/// The pad where a stroke of its own draw begins in time.
fn as_it_is(auditioner: &mut Auditioner, pad: &Pad) -> Option<Pad> {
    in_time(auditioner, pad).then(|| pad.clone())
}

/// The pad with a start that varies so little that strokes of all draws begin in time.
fn calmed(auditioner: &mut Auditioner, pad: &Pad) -> Option<Pad> {
    let mut calmer = pad.clone();
    // where its own draw comes late, calming helps nothing
    if !begins_in_time(auditioner, pad) {
        return None;
    }
    for _ in 0..MAX_ROUNDS {
        if all_in_time(auditioner, &calmer) {
            return Some(calmer);
        }
        calmer.variation.start_ms *= 0.5;
    }
    None
}

/// Whether strokes of all draws begin in time.
fn all_in_time(auditioner: &mut Auditioner, pad: &Pad) -> bool {
    let mut held = pad.clone();
    (0..DRAWS).all(|draw| {
        held.variation.frozen = draw as f32;
        begins_in_time(auditioner, &held)
    })
}

/// Whether the head of a stroke begins in time.
fn begins_in_time(auditioner: &mut Auditioner, pad: &Pad) -> bool {
    begun(&auditioner.play(pad, HEAD_S), DRAWS_BEGUN_DB).is_none_or(|begun| begun.ms <= IN_TIME_MS)
}

/// Whether a stroke of the pad with its first slice has begun in time.
pub(super) fn in_time(auditioner: &mut Auditioner, pad: &Pad) -> bool {
    beginning(auditioner, pad).is_some_and(|begun| begun.ms <= IN_TIME_MS)
}

/// Bends the pad's attacks until its stroke with this slice has begun in time as well; false where that brings nothing.
pub(super) fn bend_for(auditioner: &mut Auditioner, pad: &mut Pad, slice: Slice) -> bool {
    let found = in_time_or_bent(auditioner, &with_slice(pad, slice), as_it_is);
    if let Some(found) = &found {
        pad.layers.clone_from(&found.layers);
    }
    found.is_some()
}

/// The pad where it is `in_time`, or with the attacks of all layers bent upwards until it is, and shortened where no curve
/// does that; `None` where neither helps.
fn in_time_or_bent(auditioner: &mut Auditioner, pad: &Pad, in_time: InTime) -> Option<Pad> {
    let last = CURVES[CURVES.len() - 1];
    let bent = CURVES.map(|curve| (curve, 1.0)).into_iter().chain(SHORTER.map(|share| (last, share)));
    let bent = bent.map(|(curve, share)| {
        let mut bent = pad.clone();
        for layer in &mut bent.layers {
            layer.settings.attack_curve = layer.settings.attack_curve.max(curve);
            layer.settings.attack_ms *= share;
        }
        bent
    });
    std::iter::once(pad.clone()).chain(bent).find_map(|pad| in_time(auditioner, &pad))
}

/// The pad with all layers started so many ms of its sound later.
fn started_later(pad: &Pad, ms: f32) -> Pad {
    let mut pad = pad.clone();
    let range = setting(&LAYER, "start_ms");
    for layer in pad.layers.iter_mut().filter(|layer| layer.settings.on) {
        let s = &mut layer.settings;
        s.start_ms = range.clamp(s.start_ms + ms * st_to_ratio(s.pitch_st + s.fine_ct / 100.0));
        s.attack_ms = s.attack_ms.max(FADE_MS);
    }
    pad
}

/// The beginning of a stroke.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beginning {
    /// From the key until the sound has begun, ms.
    pub ms: f32,
    /// Highest sample of the stroke.
    pub peak: f32,
}

/// The beginning of a stroke as it is heard; `None` for silence.
fn beginning(auditioner: &mut Auditioner, pad: &Pad) -> Option<Beginning> {
    beginning_of(&auditioner.play(pad, balance::MAX_STROKE_S))
}

/// The beginning of a sound, left and right at the rate of auditions; `None` for silence.
pub(super) fn beginning_of(sound: &[Vec<f32>; 2]) -> Option<Beginning> {
    begun(sound, BEGUN_DB)
}

/// When a sound first comes this near to its peak, dB; `None` for silence.
fn begun([left, right]: &[Vec<f32>; 2], below_peak_db: f32) -> Option<Beginning> {
    let peak = peak([left, right]);
    let near = peak * db_to_gain(below_peak_db);
    let begun = left.iter().zip(right).position(|(l, r)| l.abs().max(r.abs()) >= near);
    let frames = begun.filter(|_| peak > 0.0)?;
    Some(Beginning { ms: frames_to_ms(frames as f64, AUDITION_RATE) as f32, peak })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        kit::{Kit, Layer, LayerSettings, Slice},
        take::Take,
    };
    use std::sync::Arc;

    /// A kit of one pad: noise at `soft` for so many ms, then loud and dying away.
    fn swelling(ms: usize, soft: f32) -> Kit {
        let noise = |i: usize| (i as u32).wrapping_mul(2_654_435_761) as f32 / 2_147_483_648.0 - 1.0;
        let onset = 48 * ms;
        let loud = |i: usize| (-((i - onset) as f32) / 4800.0).exp() * 0.8;
        let samples = (0..24_000).map(|i| noise(i) * if i < onset { soft } else { loud(i) }).collect();
        let take = Arc::new(Take::from_samples("swell", 48_000, vec![samples]));
        let mut kit = Kit::default();
        let settings = LayerSettings { pitch_st: 12.0, ..LayerSettings::default() };
        kit.doc.pads[0].slices =
            vec![Slice { take: 0, start: 0, end: 24_000, gain_db: 0.0, velocities: [0.0, 1.0] }];
        kit.doc.pads[0].layers = vec![Layer { slice: None, settings }];
        kit.doc.takes = vec![crate::kit::TakeEntry::new(&take, Vec::new())];
        kit.takes = vec![take];
        kit
    }

    #[test]
    fn what_swells_is_started_where_it_is_heard() {
        let kit = swelling(20, 0.02);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = kit.doc.pads[0].clone();
        let before = beginning(&mut auditioner, &pad).unwrap();
        // an octave up, 20 ms take 10
        assert!((9.0..11.0).contains(&before.ms), "{before:?}");
        reduce_onset_delay(&mut auditioner, &mut pad);
        let after = beginning(&mut auditioner, &pad).unwrap();
        assert!(after.ms <= IN_TIME_MS && after.peak > 0.9 * before.peak, "{after:?} after {before:?}");
        assert!(
            (15.0..20.0).contains(&pad.layers[0].settings.start_ms),
            "{}",
            pad.layers[0].settings.start_ms
        );
        assert_eq!(pad.layers[0].settings.attack_ms, FADE_MS);
    }

    #[test]
    fn a_swell_of_the_envelope_is_bent_no_further_than_needed() {
        let kit = swelling(0, 0.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = kit.doc.pads[0].clone();
        // a linear attack of 40 ms is 20 dB below its end after 4 ms; the sound's own decay makes that sooner
        (pad.layers[0].settings.attack_ms, pad.layers[0].settings.pitch_st) = (40.0, 0.0);
        (pad.variation.start_ms, pad.variation.pitch_ct, pad.variation.level_db) = (0.0, 0.0, 0.0);
        let before = beginning(&mut auditioner, &pad).unwrap();
        assert!(before.ms > 2.5, "{before:?}");
        reduce_onset_delay(&mut auditioner, &mut pad);
        let after = beginning(&mut auditioner, &pad).unwrap();
        let s = &pad.layers[0].settings;
        assert!(after.ms <= IN_TIME_MS && s.attack_ms == 40.0, "{after:?} after {before:?}");
        let curve = s.attack_curve;
        assert!(CURVES.contains(&curve), "{curve}");
        pad.layers[0].settings.attack_curve = curve - 0.1;
        assert!(!all_in_time(&mut auditioner, &pad), "less than {curve} is not enough");
    }

    #[test]
    fn a_swell_that_no_curve_makes_early_is_shortened() {
        let kit = swelling(0, 0.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = kit.doc.pads[0].clone();
        (pad.layers[0].settings.attack_ms, pad.layers[0].settings.pitch_st) = (800.0, 0.0);
        // one stroke is as another, so that nothing but the own one counts
        (pad.variation.start_ms, pad.variation.pitch_ct) = (0.0, 0.0);
        let mut bent = pad.clone();
        bent.layers[0].settings.attack_curve = CURVES[CURVES.len() - 1];
        assert!(beginning(&mut auditioner, &bent).unwrap().ms > IN_TIME_MS, "the last curve is not enough");
        reduce_onset_delay(&mut auditioner, &mut pad);
        let after = beginning(&mut auditioner, &pad).unwrap();
        let attack_ms = pad.layers[0].settings.attack_ms;
        assert!(after.ms <= IN_TIME_MS && (150.0..800.0).contains(&attack_ms), "{after:?}, {attack_ms} ms");
    }

    /// A start that varies by 8 ms within 20 ms that are soft brings the sound as much too late in some draws.
    #[test]
    fn strokes_of_all_draws_begin_in_time() {
        let kit = swelling(20, 0.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = kit.doc.pads[0].clone();
        (pad.layers[0].settings.start_ms, pad.layers[0].settings.pitch_st) = (20.0, 0.0);
        pad.variation.start_ms = 8.0;
        assert!(!all_in_time(&mut auditioner, &pad));
        reduce_onset_delay(&mut auditioner, &mut pad);
        assert!(all_in_time(&mut auditioner, &pad), "{pad:?}");
        let start_ms = pad.variation.start_ms;
        assert!((0.5..8.0).contains(&start_ms), "starts still vary, by {start_ms} ms");
    }

    #[test]
    fn what_is_in_time_or_silent_stays() {
        for kit in [swelling(0, 0.0), Kit::default()] {
            let mut pad = kit.doc.pads[0].clone();
            reduce_onset_delay(&mut Auditioner::new(&kit), &mut pad);
            assert_eq!(pad, kit.doc.pads[0]);
        }
    }
}
