//! Casting: which hit serves which role, found by playing it in that role through the engine; and fitting: shaping
//! it towards the role.

mod alternates;
mod assign;
pub mod auditioner;
pub mod balance;
mod candidate;
mod casting;
mod chance;
pub mod cohesion;
mod companions;
mod controls;
mod edit_summary;
mod equalise;
pub mod features;
mod fit;
mod group;
pub mod hats;
mod kind;
mod likeness;
mod local_model;
mod make;
mod morph;
mod net;
mod objective;
mod onset_delay;
mod options;
mod partials;
mod preference;
mod profiles;
mod rank;
mod recipe;
pub mod resonances;
pub mod score;
mod shape;
mod strokes;
mod tails;
mod target_distance;
#[cfg(test)]
mod test_signal;
pub mod toms;
#[doc(hidden)]
pub mod trial;
mod tune;
mod typical;
mod weakness;

pub use options::{CastOptions, DetectedTake, ShapeAs};
pub use preference::{Lean, Preference};
pub use target_distance::{ONE_DRUM_DB, TargetDistance, target_distance};
pub use tune::set_key;
pub use typical::{TypicalBand, typical_bands};
pub use weakness::{unsure, unsure_role, weakness};

use crate::{
    error::Result,
    kit::{Kit, Pad, Role, Target},
    listen::Hit,
    progress::Progress,
    take::Take,
};
use std::{collections::BTreeMap, sync::Arc};

/// A whole kit from takes. Similar hits are grouped; the leaders of the up to 30 groups that differ most are auditioned in
/// every role (hits that the player gave come on top), and the assignment with the highest weighted sum of scores is taken.
/// Pads are fitted and balanced. Roles without a hit stay empty. All cores are used.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn make_kit(takes: &[DetectedTake], options: &CastOptions, progress: &dyn Progress) -> Result<Kit> {
    make::make_kit(takes, options, progress, &|_| {})
}

/// The same; `show` gets the kit as soon as it can be played, made by recipes, and again each time a pad was fitted, from
/// any thread and from one at a time.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn make_kit_in_steps(
    takes: &[DetectedTake],
    options: &CastOptions,
    progress: &dyn Progress,
    show: &(dyn Fn(&Kit) + Sync),
) -> Result<Kit> {
    make::make_kit(takes, options, progress, show)
}

/// A target for a pad instead of its role's profile: the measures of a drum sound. Only its first 10 s are read;
/// its audio is not kept.
///
/// # Errors
/// One sentence for a silent sound.
pub fn target_of(sound: &Take) -> Result<Target> {
    make::target_of(sound)
}

/// How well each hit of a take serves each role, 0 to 1, in the order of the hits; 0 for hits that are too short or
/// silent.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn score_hits(
    take: &Arc<Take>,
    hits: &[Hit],
    progress: &dyn Progress,
) -> Result<Vec<BTreeMap<Role, f32>>> {
    make::score_hits(take, hits, progress)
}

/// Pad `pad` of `kit`, made again from `source` (index of the take, index of the hit). Note and pan stay, and the target as
/// well while the role stays.
///
/// # Errors
/// [`crate::error::Error::Cancelled`], or one sentence when the pad or the hit does not exist or the hit is silent.
pub fn make_pad(
    kit: &Kit,
    pad: usize,
    source: (usize, usize),
    shape_as: ShapeAs,
    progress: &dyn Progress,
) -> Result<Pad> {
    make::make_pad(kit, pad, source, shape_as, progress)
}

/// Take, hit and score (0 to 1) of every hit of `kit` that can be a pad, in the order in which it serves `role`, best
/// first. Each is tried by its recipe, unshaped; percussion is scored as recorded. All cores are used.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn rank(kit: &Kit, role: Role, progress: &dyn Progress) -> Result<Vec<(usize, usize, f32)>> {
    rank::rank(kit, role, progress)
}
