//! Which candidates are hits: a logistic regression over what speaks for and against each.

use super::{onsets::Candidate, refine::Start};

/// Terms of the regression.
pub(super) const TERMS: usize = 33;

/// Fitted by `examples/fit_listening.rs`.
const WEIGHTS: [f32; TERMS] = [
    -15.32, 0.03511, 0.5433, 6.433e-05, 1.341, 0.09126, 1.789, 0.03405, -0.28, 0.0583, 0.3918, -0.04405,
    1.362, 0.06435, -0.5524, 0.05763, 0.8066, -0.008155, 0.09835, 0.02814, 1.104, -0.07031, -0.502, -0.03707,
    1.308, 1.798, -7.916, 0.5389, -1.39, -0.1453, -0.02563, -0.3145, -0.04473,
];

/// Log odds that a candidate is the beginning of a hit.
pub(super) fn log_odds(terms: &[f32; TERMS]) -> f32 {
    terms.iter().zip(WEIGHTS).map(|(t, w)| t * w).sum()
}

/// What the regression weighs of a candidate and the one before it: each measure, its square root (of its size), and a few products.
pub(super) fn terms(c: &Candidate, start: &Start, previous: Option<&Candidate>) -> [f32; TERMS] {
    let recency = previous.map_or(0.0, |p| (-((c.frame - p.frame) as f32) / 10.0).exp());
    let overshadowed = recency * previous.map_or(0.0, |p| (p.near_db - c.near_db).max(0.0));
    let measures = [
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
    ];
    let mut terms = [1.0; TERMS];
    for (i, m) in measures.into_iter().enumerate() {
        terms[1 + 2 * i] = m;
        terms[2 + 2 * i] = (m.abs() + 0.1).sqrt();
    }
    terms[29] = measures[2] * measures[5] / 40.0;
    terms[30] = measures[0] * measures[7] / 30.0;
    terms[31] = measures[2] * measures[6] / 30.0;
    terms[32] = measures[0] * measures[11] / 30.0;
    terms
}
