//! Onset classifier: which candidates are hits, by boosted trees over what speaks for and against each.

use super::{
    boosted_trees, noisy_onset_trees,
    onset_trees::{BIAS, TREES},
    onsets::Candidate,
    refine::Start,
};

/// Features of a candidate by itself, in the order in which the trees number them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Feature {
    NearRise,
    FarRise,
    BestRegion,
    SecondRegion,
    ThirdRegion,
    OverFloor,
    OverRecent,
    OverBefore,
    Lasting,
    PlainContrast,
    UpperContrast,
    ResidualContrast,
    Recency,
    Overshadowed,
    Dip,
    Neighbours,
    Novelty,
    Step,
    Drift,
    Outdone,
}

/// Number of a candidate's own features.
const OWN: usize = Feature::Outdone as usize + 1;
/// Own features that are repeated for the previous and the next candidate.
const OF_NEIGHBOURS: [Feature; 7] = [
    Feature::NearRise,
    Feature::FarRise,
    Feature::OverFloor,
    Feature::PlainContrast,
    Feature::UpperContrast,
    Feature::ResidualContrast,
    Feature::Novelty,
];
/// Own features; then, for the previous and for the next candidate, its proximity exp(-distance / [`NEAR_S`]) and
/// [`OF_NEIGHBOURS`] times that proximity.
pub(super) const FEATURES: usize = OWN + 2 * (OF_NEIGHBOURS.len() + 1);
/// Features in a noisy take: those above, the four of [`InNoise`], two of them for the previous and for the next candidate
/// times its proximity, and the take's level over its noise floor.
pub(super) const NOISY_FEATURES: usize = FEATURES + 4 + 2 * 2 + 1;
/// Time in which a neighbour's proximity falls to 1 / e, seconds.
const NEAR_S: f64 = 0.05;
/// Time constant of [`Feature::Recency`], frames of the spectrogram.
const RECENT_FRAMES: f32 = 10.0;

/// Log odds that a candidate is the beginning of a hit.
pub(super) fn log_odds(features: &[f32; FEATURES]) -> f32 {
    boosted_trees::log_odds(BIAS, &TREES, features)
}

/// The same in a noisy take.
pub(super) fn noisy_log_odds(features: &[f32; NOISY_FEATURES]) -> f32 {
    boosted_trees::log_odds(noisy_onset_trees::BIAS, &noisy_onset_trees::TREES, features)
}

/// A sound swells when it grew by this over the 80 ms before, dB, and an attack makes a step of this, dB.
const GROWING_DB: f32 = 4.0;
const STEP_DB: f32 = 6.0;

/// Whether a candidate may be a ripple on the slope of a sound that still swells: the level grew before, and no
/// signal of [`Start`] makes a step. Among true onsets one in hundreds looks like that.
pub(super) fn on_a_slope(c: &Candidate, start: &Start) -> bool {
    c.drift_db > GROWING_DB && start.plain_step_db < STEP_DB && start.upper_step_db < STEP_DB
}

/// The features of a candidate by itself and against the one before it.
pub(super) fn own_features(c: &Candidate, start: &Start, previous: Option<&Candidate>) -> [f32; OWN] {
    let recency = previous.map_or(0.0, |p| (-((c.frame - p.frame) as f32) / RECENT_FRAMES).exp());
    let overshadowed = recency * previous.map_or(0.0, |p| (p.near_db - c.near_db).max(0.0));
    let mut features = [0.0; OWN];
    for (name, value) in [
        (Feature::NearRise, c.near_db),
        (Feature::FarRise, c.far_db),
        (Feature::BestRegion, c.regions_db[0]),
        (Feature::SecondRegion, c.regions_db[1]),
        (Feature::ThirdRegion, c.regions_db[2]),
        (Feature::OverFloor, c.over_floor_db.min(40.0)),
        (Feature::OverRecent, c.over_recent_db.clamp(-40.0, 20.0)),
        (Feature::OverBefore, c.over_before_db.clamp(-10.0, 30.0)),
        (Feature::Lasting, c.lasting_db.clamp(-20.0, 20.0)),
        (Feature::PlainContrast, start.plain_contrast_db),
        (Feature::UpperContrast, start.upper_contrast_db),
        (Feature::ResidualContrast, start.residual_contrast_db),
        (Feature::Recency, recency),
        (Feature::Overshadowed, overshadowed),
        (Feature::Dip, c.dip_db),
        (Feature::Neighbours, c.neighbours.min(6) as f32),
        (Feature::Novelty, c.novelty_db),
        (Feature::Step, c.step_db.clamp(-20.0, 30.0)),
        (Feature::Drift, c.drift_db.clamp(-20.0, 20.0)),
        (Feature::Outdone, c.outdone_db.min(30.0)),
    ] {
        features[name as usize] = value;
    }
    features
}

/// All features of candidate `i`, from the starts of all (samples at `rate` Hz) and their own features.
pub(super) fn in_context(all: &[(usize, [f32; OWN])], i: usize, rate: f64) -> [f32; FEATURES] {
    let mut features = [0.0; FEATURES];
    features[..OWN].copy_from_slice(&all[i].1);
    let neighbours = [i.checked_sub(1), Some(i + 1)].map(|k| k.and_then(|k| all.get(k)));
    for (part, neighbour) in features[OWN..].chunks_exact_mut(OF_NEIGHBOURS.len() + 1).zip(neighbours) {
        let Some((start, own)) = neighbour else { continue };
        let near = (-(start.abs_diff(all[i].0) as f64) / rate / NEAR_S).exp() as f32;
        part[0] = near;
        part[1..].iter_mut().zip(OF_NEIGHBOURS).for_each(|(f, name)| *f = own[name as usize] * near);
    }
    features
}

/// All features of candidate `i` of a noisy take, from its `features` in any take and its level over its floor, dB.
pub(super) fn in_noise(
    features: &[f32; FEATURES],
    candidates: &[Candidate],
    i: usize,
    over_floor_db: f32,
) -> [f32; NOISY_FEATURES] {
    let evidence = |k: Option<usize>| k.and_then(|k| candidates.get(k)).and_then(|c| c.in_noise);
    let own = evidence(Some(i)).map_or([0.0; 4], |e| [e.attack_db, e.lasting_db, e.rise_db, e.best_db]);
    let mut noisy = [0.0; NOISY_FEATURES];
    noisy[..FEATURES].copy_from_slice(features);
    noisy[FEATURES..FEATURES + 4].copy_from_slice(&own);
    for (n, k) in [i.checked_sub(1), Some(i + 1)].into_iter().enumerate() {
        let near = features[OWN + n * (OF_NEIGHBOURS.len() + 1)];
        let of_it = evidence(k).map_or([0.0; 2], |e| [e.attack_db * near, e.lasting_db * near]);
        noisy[FEATURES + 4 + 2 * n..][..2].copy_from_slice(&of_it);
    }
    noisy[NOISY_FEATURES - 1] = over_floor_db;
    noisy
}

#[cfg(test)]
mod tests {
    use super::{super::boosted_trees::Node, *};

    #[test]
    fn every_branch_of_every_tree_ends_in_a_leaf() {
        for (tree, features) in TREES
            .map(|t| (t, FEATURES))
            .into_iter()
            .chain(noisy_onset_trees::TREES.map(|t| (t, NOISY_FEATURES)))
        {
            for (i, node) in tree.iter().enumerate() {
                if let Node::At(feature, threshold, further) = node {
                    assert!(usize::from(*feature) < features && threshold.is_finite());
                    assert!(*further > 1 && i + usize::from(*further) < tree.len());
                }
            }
            assert!(matches!(tree.last(), Some(Node::Leaf(_))));
        }
    }

    #[test]
    fn features_of_neighbours_fade_with_their_distance() {
        let own = |value: f32| [value; OWN];
        let all = [(0, own(1.0)), (4800, own(2.0)), (480_000, own(3.0))];
        let features = in_context(&all, 1, 48_000.0);
        assert_eq!(features[..OWN], own(2.0));
        let near = (-2.0_f64).exp() as f32;
        assert_eq!(features[OWN..OWN + 8], [near; 8]);
        assert!(features[OWN + 8..].iter().all(|f| f.abs() < 1e-30), "too far away to count");
    }
}
