//! How well a sound serves a role: calibrated probabilities, and the distance to what is typical.
//!
//! Four models vote (their probabilities are averaged): a multinomial logistic regression and three small
//! nets with one hidden layer, all on the measures of [`super::features`]. The numbers are in
//! [`super::profiles`].

use super::{features::Features, profiles as p};
use crate::kit::Role;

/// What the models tell apart, in the order of the profiles.
pub const CLASSES: [&str; 10] =
    ["kick", "snare", "rim", "clap", "hat_closed", "hat_open", "shaker", "tom", "perc", "cymbal"];

/// Probability of each class; they add up to 1.
pub type Probabilities = [f32; CLASSES.len()];

/// What the models say about a sound.
pub fn probabilities(features: &Features) -> Probabilities {
    let z = standard(features);
    let mut sum = softmax(&line(&z));
    let nets = [
        (&p::NET0_IN_BIAS, &p::NET0_IN, &p::NET0_OUT_BIAS, &p::NET0_OUT),
        (&p::NET1_IN_BIAS, &p::NET1_IN, &p::NET1_OUT_BIAS, &p::NET1_OUT),
        (&p::NET2_IN_BIAS, &p::NET2_IN, &p::NET2_OUT_BIAS, &p::NET2_OUT),
    ];
    for (in_bias, weights, out_bias, out) in nets {
        let hidden: Vec<f32> =
            in_bias.iter().zip(weights).map(|(b, w)| libm::tanhf(b + dot(w, &z))).collect();
        let logits = std::array::from_fn(|c| out_bias[c] + dot(&out[c], &hidden));
        sum.iter_mut().zip(softmax(&logits)).for_each(|(s, p)| *s += p);
    }
    sum.map(|s| s / (nets.len() + 1) as f32)
}

/// Measures in standard deviations from the mean, at most 3: what is far out counts as far, not as proof.
fn standard(features: &Features) -> Vec<f32> {
    let row = features.row();
    row.iter().zip(&p::MEAN).zip(&p::SPREAD).map(|((x, m), s)| ((x - m) / s).clamp(-3.0, 3.0)).collect()
}

fn line(z: &[f32]) -> Probabilities {
    std::array::from_fn(|c| p::LINE_BIAS[c] + dot(&p::LINE[c], z))
}

fn dot(a: &[f32], b: &[f32]) -> f32 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn softmax(logits: &Probabilities) -> Probabilities {
    let top = logits.iter().copied().fold(f32::MIN, f32::max);
    let e = logits.map(|l| libm::expf((l - top) / p::TEMPERATURE));
    let sum: f32 = e.iter().sum();
    e.map(|x| x / sum)
}

/// The class of a role; both toms are one, told apart by their pitch.
pub fn class_of(role: Role) -> usize {
    match role {
        Role::Kick => 0,
        Role::Snare => 1,
        Role::Rim => 2,
        Role::Clap => 3,
        Role::ClosedHat => 4,
        Role::OpenHat => 5,
        Role::Shaker => 6,
        Role::LowTom | Role::HighTom => 7,
        Role::Percussion => 8,
    }
}

/// How well a sound serves a role, 0 to 1: the probability that a listener who knows drums calls it that.
/// A percussion pad may be anything with a clear stroke, so that what is told apart least suits it least.
pub fn score(role: Role, features: &Features) -> f32 {
    probabilities(features)[class_of(role)]
}

/// Distance from what is typical of a role, in standard deviations (root mean square over all measures).
pub fn distance(role: Role, features: &Features) -> f32 {
    let c = class_of(role);
    let row = features.row();
    let sum: f32 = row
        .iter()
        .zip(&p::CENTRE[c])
        .zip(&p::WIDTH[c])
        .map(|((x, m), w)| ((x - m) / w).clamp(-4.0, 4.0).powi(2))
        .sum();
    (sum / row.len() as f32).sqrt()
}
