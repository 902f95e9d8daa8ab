//! How well a sound serves a role: calibrated probabilities, and the distance from the role's profile.
//!
//! Four models vote (their probabilities are averaged): a multinomial logistic regression on all recordings and
//! three small nets with one hidden layer, each trained without one of the collections, all on the measures of
//! [`super::features`]. The numbers are in `super::profiles`.

use super::{
    features::{COUNT, Features},
    profiles as p,
};
use crate::kit::Role;

/// Added to probabilities before the logarithm: it bounds the cross-entropy.
const MIN_PROBABILITY: f32 = 1e-3;

/// The classes of the models, in the order of the profiles.
pub const CLASSES: [&str; 10] =
    ["kick", "snare", "rim", "clap", "hat_closed", "hat_open", "shaker", "tom", "perc", "cymbal"];

/// Probability of each class; they add up to 1.
pub type Probabilities = [f32; CLASSES.len()];

/// The mean of the models' probabilities for a sound.
pub fn probabilities(features: &Features) -> Probabilities {
    let models = models(features);
    std::array::from_fn(|c| models.iter().map(|m| m[c]).sum::<f32>() / models.len() as f32)
}

/// The probabilities of each model.
fn models(features: &Features) -> [Probabilities; 4] {
    let z = standard(features);
    let net = |in_bias: &[f32], weights: &[[f32; COUNT]], out_bias: &Probabilities, out: &[[f32; 16]]| {
        let hidden: Vec<f32> =
            in_bias.iter().zip(weights).map(|(b, w)| libm::tanhf(b + dot(w, &z))).collect();
        softmax(&std::array::from_fn(|c| out_bias[c] + dot(&out[c], &hidden)))
    };
    [
        softmax(&line(&z)),
        net(&p::NET0_IN_BIAS, &p::NET0_IN, &p::NET0_OUT_BIAS, &p::NET0_OUT),
        net(&p::NET1_IN_BIAS, &p::NET1_IN, &p::NET1_OUT_BIAS, &p::NET1_OUT),
        net(&p::NET2_IN_BIAS, &p::NET2_IN, &p::NET2_OUT_BIAS, &p::NET2_OUT),
    ]
}

/// Measures in standard deviations from the mean, held to ±3, so that an outlier does not decide alone.
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

/// The class of a role; both toms are one class, they differ in pitch.
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
/// For percussion it is the probability of the class of other percussion instruments.
pub fn score(role: Role, features: &Features) -> f32 {
    probabilities(features)[class_of(role)]
}

/// Cross-entropy of a role: minus the natural logarithm of each model's probability, averaged, so that all models
/// have to agree. For hats the probability of the other hat counts in part: that it is a hat matters more than how
/// open it is.
pub(super) fn cross_entropy(role: Role, features: &Features) -> f32 {
    let models = models(features);
    let of = |m: &Probabilities, role: Role| m[class_of(role)];
    let sure = |m: &Probabilities| match role {
        Role::ClosedHat => of(m, Role::ClosedHat) + 0.5 * of(m, Role::OpenHat),
        Role::OpenHat => of(m, Role::OpenHat) + 0.8 * of(m, Role::ClosedHat),
        role => of(m, role),
    };
    models.iter().map(|m| -libm::logf(sure(m) + MIN_PROBABILITY)).sum::<f32>() / models.len() as f32
}

/// Distance of two sounds, in standard deviations over all drum sounds (root mean square over all measures).
pub(super) fn sound_distance(a: &Features, b: &Features) -> f32 {
    let (x, y) = (standard(a), standard(b));
    (x.iter().zip(&y).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / x.len() as f32).sqrt()
}

/// Distance from the profile of a role, in standard deviations of its class (root mean square over all measures).
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Of sounds scored 0.8 about 0.8 are of that class, on kits held out of training (`profiles.py`).
    #[test]
    fn scores_are_calibrated_on_held_out_kits() {
        for (said, right, count) in p::RELIABILITY {
            assert!(count >= 50, "{count} scores near {said} are too few");
            assert!((said - right).abs() <= 0.15, "scored {said}, right {right}");
        }
        let count: u32 = p::RELIABILITY.iter().map(|(_, _, n)| n).sum();
        let off = |&(said, right, n): &(f32, f32, u32)| (said - right).abs() * n as f32;
        let expected = p::RELIABILITY.iter().map(off).sum::<f32>() / count as f32;
        assert!(expected <= 0.02, "expected calibration error {expected}");
    }
}
