//! How well a sound serves a role: calibrated probabilities, and the distance from the role's profile.
//!
//! Several models vote (their probabilities are averaged): a multinomial logistic regression on all recordings, small
//! nets with one hidden layer, each trained without one fold of the collections, all on the measures of
//! [`super::features`], and the likeness to the kinds of each class (`likeness`). The numbers are in
//! `super::profiles`.

use super::{
    features::{COUNT, Features, SCALAR_NAMES, SCALARS, Scalar},
    likeness::Likeness,
    net::dot,
    profiles as p,
};
use crate::kit::Role;
use std::f32::consts::LN_2;

pub use super::net::{CLASSES, Probabilities};

/// Added to probabilities before the logarithm: it bounds the cross-entropy.
const MIN_PROBABILITY: f32 = 1e-3;

/// Standard deviations below the 10th percentile of recorded drums of a role at which one is dull: 1 of 103 recorded hats,
/// cymbals and shakers is, and 5 by what other collections alone say (tests/SCORES.md).
const DULL_WIDTHS: f32 = 0.5;

/// Number of models that vote.
const MODELS: usize = 2 + p::NETS.len();

/// The mean of the models' probabilities for a sound.
pub fn probabilities(features: &Features) -> Probabilities {
    let row = features.row();
    let models = models(&row, &Likeness::of(&row));
    std::array::from_fn(|c| models.iter().map(|m| m[c]).sum::<f32>() / models.len() as f32)
}

/// The probabilities of each model.
fn models(row: &[f32], likeness: &Likeness) -> [Probabilities; MODELS] {
    let z = standard(row);
    std::array::from_fn(|i| {
        softmax(&match i {
            0 => line(&z),
            1 => likeness.logits(),
            net => p::NETS[net - 2].logits(&z),
        })
    })
}

/// Measures in standard deviations from the mean, held to ±3, so that an outlier does not decide alone.
fn standard(row: &[f32]) -> Vec<f32> {
    row.iter().zip(&p::MEAN).zip(&p::SPREAD).map(|((x, m), s)| ((x - m) / s).clamp(-3.0, 3.0)).collect()
}

fn line(z: &[f32]) -> Probabilities {
    std::array::from_fn(|c| p::LINE_BIAS[c] + dot(&p::LINE[c], z))
}

fn softmax(logits: &Probabilities) -> Probabilities {
    let top = logits.iter().copied().fold(f32::MIN, f32::max);
    let e = logits.map(|l| libm::expf((l - top) / p::TEMPERATURE));
    let sum: f32 = e.iter().sum();
    e.map(|x| x / sum)
}

/// The class of a role. Toms are one class, they differ in pitch; so are cymbals, and the two hats that do not ring.
pub fn class_of(role: Role) -> usize {
    match role {
        Role::Kick => 0,
        Role::Snare => 1,
        Role::Rim => 2,
        Role::Clap => 3,
        Role::ClosedHat | Role::PedalHat => 4,
        Role::OpenHat => 5,
        Role::Shaker => 6,
        Role::LowTom | Role::MiddleTom | Role::HighTom => 7,
        Role::Percussion => 8,
        Role::Crash | Role::Ride => 9,
    }
}

/// Estimated probability, 0 to 1, that the sound belongs to the role's class, calibrated against the labels of held-out
/// recordings (`profiles::RELIABILITY`). For percussion the class is that of other percussion instruments.
pub fn score(role: Role, features: &Features) -> f32 {
    probabilities(features)[class_of(role)]
}

/// How well a hit serves a role, by a sound that was auditioned: its score; a sound that is an open hat makes a cymbal as
/// well.
pub(super) fn fitness(role: Role, features: &Features) -> f32 {
    let p = probabilities(features);
    match role {
        Role::Crash | Role::Ride => p[class_of(role)] + p[class_of(Role::OpenHat)],
        role => p[class_of(role)],
    }
}

/// The terms of a role's loss; the lower the better.
pub(super) struct LossTerms {
    /// Minus the natural logarithm of each model's probability of the role, averaged, so that all models have to agree.
    /// For hats the probability of the other hat counts in part, for a closed one more than for an open one, which is
    /// easily taken for closed; for cymbals that of an open hat.
    pub cross_entropy: f32,
    /// The same of the likeness to the role's kinds of drums, without a bound.
    pub likeness: f32,
    /// Distance from the nearest kind of the role's drums: see [`Kind::distance`](super::kind::Kind::distance).
    pub distance: f32,
    /// See [`outside`].
    pub outside: f32,
}

impl LossTerms {
    /// Of a sound in a role.
    pub fn of(role: Role, features: &Features) -> Self {
        let (row, class) = (features.row(), class_of(role));
        let likeness = Likeness::of(&row);
        Self {
            cross_entropy: cross_entropy(role, &models(&row, &likeness)),
            likeness: likeness.cross_entropy(class),
            distance: likeness.nearest(class).distance(&row),
            outside: outside(role, features),
        }
    }
}

fn cross_entropy(role: Role, models: &[Probabilities; MODELS]) -> f32 {
    let of = |m: &Probabilities, role: Role| m[class_of(role)];
    let sure = |m: &Probabilities| match role {
        Role::ClosedHat | Role::PedalHat => of(m, role) + 0.5 * of(m, Role::OpenHat),
        Role::OpenHat => of(m, Role::OpenHat) + 0.2 * of(m, Role::ClosedHat),
        Role::Crash | Role::Ride => of(m, role) + 0.5 * of(m, Role::OpenHat),
        role => of(m, role),
    };
    models.iter().map(|m| -libm::logf(sure(m) + MIN_PROBABILITY)).sum::<f32>() / models.len() as f32
}

/// Distance of two sounds, in standard deviations over all drum sounds (root mean square over all measures).
pub(super) fn sound_distance(a: &Features, b: &Features) -> f32 {
    let (x, y) = (standard(&a.row()), standard(&b.row()));
    (x.iter().zip(&y).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / x.len() as f32).sqrt()
}

/// How far a sound lies outside of what recorded drums of a role are, from their 10th to their 90th percentile, in
/// standard deviations of the class: root mean square over the bands of all stretches of time and over the other
/// measures, both counting the same. 0 for a sound within all ranges.
pub fn outside(role: Role, features: &Features) -> f32 {
    let c = class_of(role);
    let row = features.row();
    let over = |m: usize| {
        let x = row[m];
        let over = (x - p::USUAL_MAX[c][m]).max(p::USUAL_MIN[c][m] - x).max(0.0);
        (over / p::WIDTH[c][m]).min(4.0).powi(2)
    };
    let mean = |range: std::ops::Range<usize>| range.clone().map(over).sum::<f32>() / range.len() as f32;
    let bands = COUNT - SCALARS;
    (0.5 * (mean(0..bands) + mean(bands..COUNT))).sqrt()
}

/// Whether a drum that should be bright (hats, cymbals, shakers) holds nearly no highs: its share of power above 4 kHz lies
/// below that of recorded drums of its role, as far as [`DULL_WIDTHS`] says.
pub(super) fn is_dull(role: Role, features: &Features) -> bool {
    let (c, m) = (class_of(role), COUNT - SCALARS + Scalar::TopShare as usize);
    let bright = role.is_hat() || matches!(role, Role::Crash | Role::Ride | Role::Shaker);
    bright && features.scalars[Scalar::TopShare] < p::USUAL_MIN[c][m] - DULL_WIDTHS * p::WIDTH[c][m]
}

/// How much darker a sound is than recorded drums of its role on average: octaves by which the centre of its spectrum lies
/// below that of their kinds, 0 above. 0 for kicks and toms, whose centre is their pitch's, and for shakers: what made them
/// brighter were tones of the instrument (by trial).
pub(super) fn darker_oct(role: Role, features: &Features) -> f32 {
    if role.is_tom() || matches!(role, Role::Kick | Role::Shaker) {
        return 0.0;
    }
    let (c, m) = (class_of(role), COUNT - SCALARS + Scalar::Centroid as usize);
    let kinds = || p::KINDS.iter().filter(|kind| kind.class == c && kind.confirmed);
    let share: f32 = kinds().map(|kind| kind.share).sum();
    let mean = kinds().map(|kind| kind.share * kind.centre[m]).sum::<f32>() / share;
    (mean - features.scalars[Scalar::Centroid]).max(0.0) / LN_2
}

/// Share of the drums of a role that the models name right on groups of recordings that they were not trained on, 0 to
/// 1: where it is low, a score says little, and the range of recorded drums says more.
pub fn named_right(role: Role) -> f32 {
    p::NAMED_RIGHT[class_of(role)]
}

/// The measures of a sound that lie outside of the range of recorded drums of a role: name, value, and the range.
pub fn unusual(role: Role, features: &Features) -> Vec<(&'static str, f32, [f32; 2])> {
    let c = class_of(role);
    let first = COUNT - SCALARS;
    let of = |(i, name): (usize, &&'static str)| {
        let (x, m) = (features.row()[first + i], first + i);
        let range = [p::USUAL_MIN[c][m], p::USUAL_MAX[c][m]];
        (!(range[0]..=range[1]).contains(&x)).then_some((*name, x, range))
    };
    SCALAR_NAMES.iter().enumerate().filter_map(of).collect()
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

    /// The centre of a snare is the mean of its kinds': one octave below it is one octave darker, above it none.
    #[test]
    fn a_sound_is_darker_by_the_octaves_below_recorded_drums() {
        let kinds = p::KINDS.iter().filter(|k| k.class == class_of(Role::Snare) && k.confirmed);
        let mut features =
            Features::from_row(&kinds.max_by(|a, b| a.share.total_cmp(&b.share)).unwrap().centre[..])
                .unwrap();
        let mean = features.scalars[Scalar::Centroid] + darker_oct(Role::Snare, &features) * LN_2;
        // recorded snares of collections have medians of 592 to 2,069 Hz; those of all of them together (tests/SCORES.md)
        assert!((400.0..1000.0).contains(&mean.exp()), "{} Hz", mean.exp());
        for (octaves, darker) in [(1.0, 0.0), (0.0, 0.0), (-1.0, 1.0), (-2.5, 2.5)] {
            features.scalars[Scalar::Centroid] = mean + octaves * LN_2;
            assert!((darker_oct(Role::Snare, &features) - darker).abs() < 1e-3, "{octaves}");
            assert!(
                [Role::Kick, Role::LowTom, Role::Shaker]
                    .iter()
                    .all(|role| darker_oct(*role, &features) == 0.0)
            );
        }
    }

    /// A tone of 700 Hz rings as long as an open hat; with as much hiss it is as bright as the darkest of them.
    #[test]
    fn a_hat_without_highs_is_dull_and_a_tom_never_is() {
        let mut noise = 1u32;
        let mut features = |hiss: f64| {
            let sound: Vec<f32> = (0..36_000)
                .map(|i| {
                    let t = f64::from(i) / 48_000.0;
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let hiss = hiss * (f64::from(noise >> 8) / f64::from(1 << 23) - 1.0);
                    (((std::f64::consts::TAU * 700.0 * t).sin() + hiss) * 0.3 * (-8.0 * t).exp()) as f32
                })
                .collect();
            Features::of(&sound, 48_000.0).unwrap()
        };
        let (dull, bright) = (features(0.02), features(1.0));
        for role in [Role::ClosedHat, Role::PedalHat, Role::OpenHat, Role::Crash, Role::Ride, Role::Shaker] {
            assert!(is_dull(role, &dull) && !is_dull(role, &bright), "{role}");
        }
        assert!(!is_dull(Role::LowTom, &dull) && !is_dull(Role::Kick, &dull));
    }
}
