//! What casting is asked for.

use super::preference::Preference;
use crate::{
    kit::{DEFAULT_FIT, Key, Role, Target},
    listen::Hit,
    take::Take,
};
use std::{collections::BTreeMap, sync::Arc};

/// Options of casting.
#[derive(Debug, Clone, PartialEq)]
pub struct CastOptions {
    /// Name of the kit.
    pub name: String,
    /// How far pads are shaped from the raw hit (0) to their role (1).
    pub fit: f32,
    /// Seed of the draws when the kit is played. Casting and fitting do not depend on it; the level of the whole kit does
    /// (its groove is measured with it).
    pub seed: u64,
    /// Only these roles are filled; `None` fills all sixteen pads.
    pub roles: Option<Vec<Role>>,
    /// Pads with a pitch (rims and toms) are tuned to this key.
    pub key: Option<Key>,
    /// The kick is tuned as well.
    pub tune_kick: bool,
    /// Pads of these roles are shaped towards these sounds instead of the role's profile.
    pub targets: BTreeMap<Role, Target>,
    /// Hits that the player gave to roles, each as index of its take and index in it. Of a role with two pads the first
    /// one takes it.
    pub given: BTreeMap<Role, (usize, usize)>,
    /// Hits that no pad is made of, in the same way.
    pub left_out: Vec<(usize, usize)>,
    /// Pads are made by their role's recipe alone: no search, in a fraction of the time.
    pub quick: bool,
    /// Share of the trials by which each pad is searched, above 0 to 1: fewer are quicker and end further from the role.
    pub effort: f32,
    /// What the player has chosen before; `None` casts as without it.
    pub preference: Option<Preference>,
}

/// How a single pad is shaped from a hit.
#[derive(Debug, Clone, Copy)]
pub struct ShapeAs {
    /// What it is to become.
    pub role: Role,
    /// How far from the raw hit (0) to the role (1).
    pub fit: f32,
    /// Share of the search's trials that are made, to 1; at 0 the role's recipe alone is taken, close enough to be heard
    /// while the search works.
    pub effort: f32,
}

impl CastOptions {
    /// The fit of a role's pad where `fit` is the kit's, 0 to 1.
    pub(super) fn fit_of(&self, role: Role, fit: f32) -> f32 {
        self.preference.as_ref().map_or(fit, |preference| preference.fit(role, fit))
    }
}

impl Default for CastOptions {
    fn default() -> Self {
        Self {
            name: "Untitled".into(),
            fit: DEFAULT_FIT,
            seed: 1,
            roles: None,
            key: None,
            tune_kick: false,
            targets: BTreeMap::new(),
            given: BTreeMap::new(),
            left_out: Vec::new(),
            quick: false,
            effort: 1.0,
            preference: None,
        }
    }
}

/// A take with its hits, in order.
pub type DetectedTake = (Arc<Take>, Vec<Hit>);
