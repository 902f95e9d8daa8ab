//! The objective of fitting: the profile of a role, or a drum sound that the player gave.

use super::{
    features::{BANDS, Features, STRETCHES},
    group,
    likeness::Likeness,
    score::{self, LossTerms},
};
use crate::kit::{Role, Target};

/// Weight of the distance from the nearest kind beside the cross-entropy; found by trial.
const KIND_DISTANCE_WEIGHT: f32 = 1.0;
/// Weight of the cross-entropy of the likeness; found by trial. It is doubled for classes of which the models name less than
/// [`SURE`] right in collections that they have not met: there they say little, and likeness to recorded drums more
/// (tests/SCORES.md).
const LIKENESS_WEIGHT: f32 = 2.5;
const SURE: f32 = 0.65;
/// Weight of what lies outside of the range of recorded drums; found by trial.
const OUTSIDE_WEIGHT: f32 = 4.0;
/// Weight of an octave by which the centre of the spectrum lies below that of recorded drums; found by trial
/// (tests/SCORES.md).
const DARKER_WEIGHT: f32 = 1.0;

/// Weight of a decibel between the bands of a sound and those of the player's target: what is heard first of a likeness
/// is its spectrum over time (our choice).
const BANDS_WEIGHT: f32 = 0.25;

/// What a search minimises the loss of.
#[derive(Debug, Clone)]
pub enum Objective {
    /// To be classified as this role and to be close to its profile.
    Role(Role),
    /// To sound like this sound.
    Sound(Box<Features>),
}

impl Objective {
    /// The target's sound if its measures have the right count, else the role.
    pub fn of(role: Role, target: Option<&Target>) -> Self {
        let sound = target.and_then(|t| Features::from_row(&t.measures));
        sound.map_or(Self::Role(role), |f| Self::Sound(Box::new(f)))
    }

    /// Loss of a sound, 0 or more; the lower the better. For a role: cross-entropy plus weighted distances from
    /// the nearest kind of its drums, from the range of recorded drums, and from their brightness. For a sound: the
    /// distance from it in standard deviations, plus that of the bands.
    pub fn loss(&self, features: &Features) -> f32 {
        match self {
            Self::Role(role) => {
                let terms = LossTerms::of(*role, features);
                terms.cross_entropy
                    + likeness_weight(*role) * terms.likeness
                    + KIND_DISTANCE_WEIGHT * terms.distance
                    + OUTSIDE_WEIGHT * terms.outside
                    + DARKER_WEIGHT * score::darker_oct(*role, features)
            }
            Self::Sound(target) => {
                score::sound_distance(target, features) + BANDS_WEIGHT * group::distance_db(target, features)
            }
        }
    }

    /// The levels that the bands of a sound should have, which is like `features` now.
    pub fn wanted_bands(&self, features: &Features) -> WantedBands {
        match self {
            Self::Role(role) => {
                let kind = Likeness::of(&features.row()).nearest(score::class_of(*role));
                let of = |row: &[f32]| std::array::from_fn(|s| std::array::from_fn(|b| row[s * BANDS + b]));
                WantedBands { level_db: of(kind.centre), width_db: of(kind.width) }
            }
            Self::Sound(target) => {
                WantedBands { level_db: target.bands_db, width_db: [[1.0; BANDS]; STRETCHES] }
            }
        }
    }
}

/// Weight of the likeness to a role's kinds of drums.
fn likeness_weight(role: Role) -> f32 {
    if score::named_right(role) < SURE { 2.0 * LIKENESS_WEIGHT } else { LIKENESS_WEIGHT }
}

/// Levels of bands, `[stretch][band]`.
pub struct WantedBands {
    /// dB below the strongest.
    pub level_db: [[f32; BANDS]; STRETCHES],
    /// How exactly, dB: the less, the more a band counts.
    pub width_db: [[f32; BANDS]; STRETCHES],
}
