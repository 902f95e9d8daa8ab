//! Which candidates are hits: a logistic regression over what speaks for and against each.

use super::{
    onsets::Candidate,
    refine::Start,
    weights::{BIAS, LINEAR, MEANS, PRODUCTS, ROOTS, SCALES},
};

/// Measures of a candidate.
pub(super) const MEASURES: usize = 20;
/// A measure counts no further from its mean than this many standard deviations: what was never met in
/// fitting must not decide by itself.
const FARTHEST: f32 = 4.0;

/// A sound swells when it grew by this over the 80 ms before, dB, and an attack makes a step of this, dB.
const GROWING_DB: f32 = 4.0;
const STEP_DB: f32 = 6.0;

/// Log odds that a candidate is the beginning of a hit.
///
/// Each measure counts by itself, by the square root of its size, and by its product with each other one;
/// `tests/reference/hearing_fit.py` holds the same formula and has fitted the weights.
pub(super) fn log_odds(measures: &[f32; MEASURES]) -> f32 {
    let z: [f32; MEASURES] =
        std::array::from_fn(|i| ((measures[i] - MEANS[i]) / SCALES[i]).clamp(-FARTHEST, FARTHEST));
    let mut sum = BIAS;
    let mut products = PRODUCTS.iter();
    for i in 0..MEASURES {
        sum += LINEAR[i] * z[i] + ROOTS[i] * (measures[i].abs() + 0.1).sqrt();
        sum += z[i] * z[i..].iter().zip(&mut products).map(|(other, w)| w * other).sum::<f32>();
    }
    sum
}

/// Whether a candidate may be a ripple on the slope of a sound that still swells: it grew before, and makes
/// no step in any reading. Of strokes that are true, one in hundreds looks like that.
pub(super) fn on_a_slope(c: &Candidate, start: &Start) -> bool {
    c.drift_db > GROWING_DB && start.plain_step_db < STEP_DB && start.upper_step_db < STEP_DB
}

/// What the regression weighs of a candidate and the one before it.
pub(super) fn measures(c: &Candidate, start: &Start, previous: Option<&Candidate>) -> [f32; MEASURES] {
    let recency = previous.map_or(0.0, |p| (-((c.frame - p.frame) as f32) / 10.0).exp());
    let overshadowed = recency * previous.map_or(0.0, |p| (p.near_db - c.near_db).max(0.0));
    [
        c.near_db,
        c.far_db,
        c.regions_db[0],
        c.regions_db[1],
        c.regions_db[2],
        c.over_floor_db.min(40.0),
        c.over_recent_db.clamp(-40.0, 20.0),
        c.over_before_db.clamp(-10.0, 30.0),
        c.lasting_db.clamp(-20.0, 20.0),
        start.plain_contrast_db,
        start.upper_contrast_db,
        start.surprise_db,
        recency,
        overshadowed,
        c.dip_db,
        c.neighbours.min(6) as f32,
        c.novelty_db,
        c.step_db.clamp(-20.0, 30.0),
        c.drift_db.clamp(-20.0, 20.0),
        c.outdone_db.min(30.0),
    ]
}
