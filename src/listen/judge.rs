//! Which candidates are hits: a logistic regression over what speaks for and against each.

use super::{onsets::Candidate, refine::Start};

/// Terms of the regression.
pub(super) const TERMS: usize = 39;

/// Fitted to the terms that [`super::evidence`] gives for 60 takes assembled from recorded one-shots over
/// synthetic noise and hum, and for the odd half of the developer takes: 4000 steps of gradient descent with
/// momentum on the logistic loss of standardised terms, ridge 0.0003, detections inside strums and scratches
/// weighted 0.15. The script that did it is not part of the project yet.
const WEIGHTS: [f32; TERMS] = [
    -12.57, 0.07145, 1.392, -0.3304, 1.146, -0.05105, 2.138, 0.0285, 0.03519, -0.04509, -0.08922, -0.01043,
    0.8433, 0.1177, -0.6874, -0.03943, 0.6334, 0.08643, 0.269, 0.01987, 0.7136, -0.09751, -0.2982, 0.04483,
    0.7402, -1.626, -3.716, -0.0645, -0.2885, 0.04608, -0.2617, -0.8786, 0.9952, -0.269, -0.03157, -0.139,
    0.0115, 2.727, 0.08812,
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
        c.dip_db,
        c.neighbours.min(6) as f32,
    ];
    let mut terms = [1.0; TERMS];
    for (i, m) in measures.into_iter().enumerate() {
        terms[1 + 2 * i] = m;
        terms[2 + 2 * i] = (m.abs() + 0.1).sqrt();
    }
    terms[33] = measures[2] * measures[5] / 40.0;
    terms[34] = measures[0] * measures[7] / 30.0;
    terms[35] = measures[2] * measures[6] / 30.0;
    terms[36] = measures[0] * measures[11] / 30.0;
    terms[37] = measures[12] * measures[14] / 20.0;
    terms[38] = measures[0] * measures[14] / 20.0;
    terms
}
