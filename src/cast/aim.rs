//! What a pad is shaped towards: the profile of its role, or a drum sound that the player gave.

use super::{features::Features, score};
use crate::kit::Role;

/// What being typical of the role weighs beside being taken for it; found by trial.
const TYPICAL: f32 = 0.75;

/// What a search strives for.
#[derive(Debug, Clone)]
pub enum Aim {
    /// To be taken for this role, and to be typical of it.
    Role(Role),
}

impl Aim {
    /// How far a sound is from it; the lower the better.
    pub fn miss(&self, features: &Features) -> f32 {
        match self {
            Self::Role(role) => score::surprise(*role, features) + TYPICAL * score::distance(*role, features),
        }
    }
}
