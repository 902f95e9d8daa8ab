//! What a pad is shaped towards: the profile of its role, or a drum sound that the player gave.

use super::{features::Features, score};
use crate::kit::{Role, Target};

/// What being typical of the role weighs beside being taken for it; found by trial.
const TYPICAL: f32 = 1.5;

/// What a search strives for.
#[derive(Debug, Clone)]
pub enum Objective {
    /// To be taken for this role, and to be typical of it.
    Role(Role),
    /// To sound like this.
    Sound(Box<Features>),
}

impl Objective {
    /// The target's sound when there is one that can be read, else the role.
    pub fn of(role: Role, target: Option<&Target>) -> Self {
        let sound = target.and_then(|t| Features::from_row(&t.measures));
        sound.map_or(Self::Role(role), |f| Self::Sound(Box::new(f)))
    }

    /// How far a sound is from it; the lower the better.
    pub fn loss(&self, features: &Features) -> f32 {
        match self {
            Self::Role(role) => {
                score::cross_entropy(*role, features) + TYPICAL * score::distance(*role, features)
            }
            Self::Sound(target) => score::apart(target, features),
        }
    }
}
