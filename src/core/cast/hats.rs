//! Hats of one pair: the open one rings clearly longer than the closed one.

use super::{
    alternates::even_alternates,
    auditioner::{AUDITION_RATE, Auditioner, mono},
    balance,
    cohesion::follow_velocity,
};
use crate::{
    kit::{CLOUD, Kit, LAYER, Pad, Role},
    settings::{Setting, setting},
    units::db_to_power,
};

/// How many times as long as the closed hat an open one rings at least; recorded ones ring 4.6 times as long in the median
/// (our recordings, tests/SCORES.md).
const TIMES_AS_LONG: f32 = 3.2;
/// How far a hat falls from its peak within the time that is compared, dB.
const FALL_DB: f32 = 40.0;
/// Window of the levels that are compared, seconds.
const WINDOW_S: f64 = 0.005;
/// Steps at most, and how much longer one makes a hat at least and at most (our choice).
const MAX_ROUNDS: usize = 5;
const STEP: [f32; 2] = [1.1, 2.0];

/// Makes the open hat of a kit ring [`TIMES_AS_LONG`] as long as the closed one at least, by its envelopes and the spread
/// of its cloud. Returns the index of its pad when it was made longer.
pub(super) fn ring_longer(auditioner: &mut Auditioner, kit: &mut Kit) -> Option<usize> {
    let place = |role| kit.doc.pads.iter().position(|p| p.role == role && !p.is_empty());
    let (closed, open) = (place(Role::ClosedHat)?, place(Role::OpenHat)?);
    let wanted_ms = TIMES_AS_LONG * ring_ms(auditioner, &kit.doc.pads[closed])?;
    let mut pad = kit.doc.pads[open].clone();
    let mut changed = false;
    for _ in 0..MAX_ROUNDS {
        let ratio = wanted_ms / ring_ms(auditioner, &pad)?;
        if ratio <= 1.0 {
            break;
        }
        longer(&mut pad, ratio.clamp(STEP[0], STEP[1]));
        changed = true;
    }
    if !changed {
        return None;
    }
    follow_velocity(auditioner, &mut pad);
    even_alternates(auditioner, &mut pad);
    kit.doc.pads[open] = pad;
    Some(open)
}

/// The pad with envelopes and a spread of its copies that are so many times as long.
fn longer(pad: &mut Pad, times: f32) {
    fn scale<T>(table: &'static [Setting<T>], id: &str, value: &mut T, times: f32) {
        let setting = setting(table, id);
        (setting.set)(value, setting.clamp((setting.get)(value) * times));
    }
    for layer in &mut pad.layers {
        scale(&LAYER, "hold_ms", &mut layer.settings, times);
        scale(&LAYER, "decay_ms", &mut layer.settings, times);
    }
    scale(&CLOUD, "spread_ms", &mut pad.cloud, times);
}

/// Milliseconds from the loudest moment of a stroke until it stays 40 dB below; `None` for silence.
pub fn ring_ms(auditioner: &mut Auditioner, pad: &Pad) -> Option<f32> {
    let [left, right] = auditioner.play(pad, balance::MAX_STROKE_S);
    let window = (WINDOW_S * AUDITION_RATE) as usize;
    let powers: Vec<f32> =
        mono(&left, &right).chunks(window).map(|c| c.iter().map(|x| x * x).sum()).collect();
    let loudest = (0..powers.len()).max_by(|&a, &b| powers[a].total_cmp(&powers[b]))?;
    let last = powers.iter().rposition(|p| *p > powers[loudest] * db_to_power(-FALL_DB))?;
    Some(1000.0 * WINDOW_S as f32 * (last + 1 - loudest) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cast::{
        companions::Companions,
        recipe::{Source, recipe},
        test_signal::plucked,
    };

    /// A kit of both hats by recipe, the envelopes and the cloud of the open one so many times as long.
    fn hats(times: f32) -> Kit {
        let (mut kit, raw) = plucked(330.0, 12.0);
        let hit = kit.doc.takes[0].hits[0].clone();
        let source =
            Source { take: 0, rate: AUDITION_RATE, hit: &hit, raw: &raw, companions: Companions::default() };
        kit.doc.pads[0] = recipe(Role::ClosedHat, &source);
        kit.doc.pads[1] = recipe(Role::OpenHat, &source);
        longer(&mut kit.doc.pads[1], times);
        kit
    }

    #[test]
    fn an_open_hat_that_is_too_short_is_made_longer() {
        let mut kit = hats(0.2);
        let mut auditioner = Auditioner::new(&kit);
        let mut ring = |kit: &Kit, pad: usize| ring_ms(&mut auditioner, &kit.doc.pads[pad]).unwrap();
        let (closed, before) = (ring(&kit, 0), ring(&kit, 1));
        assert!(before < 2.5 * closed, "{before} and {closed} ms");
        assert_eq!(ring_longer(&mut Auditioner::new(&kit), &mut kit), Some(1));
        let after = ring(&kit, 1);
        assert!(after >= 3.0 * closed && after < 6.0 * closed, "{after} and {closed} ms");
    }

    #[test]
    fn an_open_hat_that_is_long_enough_stays_as_it_is() {
        let mut kit = hats(1.0);
        let before = kit.doc.clone();
        assert_eq!(ring_longer(&mut Auditioner::new(&kit), &mut kit), None);
        assert_eq!(kit.doc, before);
        // and nothing is done without a pair
        kit.doc.pads[0] = Pad::empty(42, Role::ClosedHat);
        assert_eq!(ring_longer(&mut Auditioner::new(&kit), &mut kit), None);
    }
}
