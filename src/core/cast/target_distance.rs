//! How far a pad is from the sound that the player gave as its target.

use super::{ShapeAs, auditioner::Auditioner, features::Features, group, make};
use crate::{kit::Kit, progress::Quiet};

/// Distances of a pad from its target, dB: root mean square difference of their bands over time, at the same level. Two
/// strokes of one drum differ by less than [`ONE_DRUM_DB`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetDistance {
    /// Of the pad as it is.
    pub db: f32,
    /// Of what its role's recipe alone makes of the hit.
    pub by_recipe_db: f32,
}

/// Sounds closer than this pass for two strokes of one drum, dB.
pub const ONE_DRUM_DB: f32 = group::MAX_DISTANCE_DB;

/// Plays a pad, and its hit by recipe, and measures how far they are from the pad's target. `None` for a pad without
/// target, without hit, or silent.
pub fn target_distance(kit: &Kit, pad: usize) -> Option<TargetDistance> {
    let built = kit.doc.pads.get(pad)?;
    let target = Features::from_row(&built.target.as_ref()?.measures)?;
    let hit = built.audition.as_ref()?;
    let by_recipe = ShapeAs { role: built.role, fit: built.shaped(), effort: 0.0 };
    let recipe = make::make_pad(kit, pad, (hit.take, hit.hit), by_recipe, &Quiet).ok()?;
    let mut auditioner = Auditioner::new(kit);
    let mut distance = |pad| Some(group::distance_db(&target, &auditioner.measure(pad)?));
    Some(TargetDistance { db: distance(built)?, by_recipe_db: distance(&recipe)? })
}
