//! Which candidates are hits: boosted trees over what speaks for and against each.

use super::{
    onsets::Candidate,
    refine::Start,
    trees::{BIAS, TREES},
};

/// Measures of a candidate by itself.
const OWN: usize = 20;
/// Which of them are told of the candidates before and after as well.
const OF_NEIGHBOURS: [usize; 7] = [0, 1, 5, 9, 10, 11, 16];
/// Measures that are weighed: a candidate's own, and for each neighbour its measures and its nearness.
pub(super) const MEASURES: usize = OWN + 2 * (OF_NEIGHBOURS.len() + 1);
/// Time in which a neighbour's nearness falls to 1 / e, seconds.
const NEAR_S: f64 = 0.05;

/// A node of a tree, the nodes of each in depth-first order.
pub(super) enum Node {
    /// Whether this measure is at most this: on to the next node, or else to the one so many further on.
    At(u8, f32, u8),
    /// What the tree adds to the log odds.
    Leaf(f32),
}

/// Log odds that a candidate is the beginning of a hit: the sum of all trees (J. H. Friedman, "Greedy function
/// approximation: a gradient boosting machine", Annals of Statistics 29, 2001).
pub(super) fn log_odds(measures: &[f32; MEASURES]) -> f32 {
    BIAS + TREES.iter().map(|tree| vote(tree, measures)).sum::<f32>()
}

fn vote(tree: &[Node], measures: &[f32; MEASURES]) -> f32 {
    let mut at = 0;
    loop {
        match tree[at] {
            Node::Leaf(value) => return value,
            Node::At(measure, most, further) => {
                at += if measures[usize::from(measure)] <= most { 1 } else { usize::from(further) };
            }
        }
    }
}

/// A sound swells when it grew by this over the 80 ms before, dB, and an attack makes a step of this, dB.
const GROWING_DB: f32 = 4.0;
const STEP_DB: f32 = 6.0;

/// Whether a candidate may be a ripple on the slope of a sound that still swells: it grew before, and makes
/// no step in any reading. Of strokes that are true, one in hundreds looks like that.
pub(super) fn on_a_slope(c: &Candidate, start: &Start) -> bool {
    c.drift_db > GROWING_DB && start.plain_step_db < STEP_DB && start.upper_step_db < STEP_DB
}

/// The measures of a candidate by itself and against the one before it.
pub(super) fn own_measures(c: &Candidate, start: &Start, previous: Option<&Candidate>) -> [f32; OWN] {
    let recency = previous.map_or(0.0, |p| (-((c.frame - p.frame) as f32) / 10.0).exp());
    let overshadowed = recency * previous.map_or(0.0, |p| (p.near_db - c.near_db).max(0.0));
    [
        c.near_db,
        c.far_db,
        c.regions_db[0],
        c.regions_db[1],
        c.regions_db[2],
        c.over_floor_db.min(40.0),
        c.over_recent_db.clamp(-40.0, 20.0),
        c.over_before_db.clamp(-10.0, 30.0),
        c.lasting_db.clamp(-20.0, 20.0),
        start.plain_contrast_db,
        start.upper_contrast_db,
        start.surprise_db,
        recency,
        overshadowed,
        c.dip_db,
        c.neighbours.min(6) as f32,
        c.novelty_db,
        c.step_db.clamp(-20.0, 30.0),
        c.drift_db.clamp(-20.0, 20.0),
        c.outdone_db.min(30.0),
    ]
}

/// All that is weighed of candidate `i`, from the starts of all (samples at `rate` Hz) and their own measures.
pub(super) fn in_context(all: &[(usize, [f32; OWN])], i: usize, rate: f64) -> [f32; MEASURES] {
    let mut measures = [0.0; MEASURES];
    measures[..OWN].copy_from_slice(&all[i].1);
    let neighbours = [i.checked_sub(1), Some(i + 1)].map(|k| k.and_then(|k| all.get(k)));
    for (part, neighbour) in measures[OWN..].chunks_exact_mut(OF_NEIGHBOURS.len() + 1).zip(neighbours) {
        let Some((start, own)) = neighbour else { continue };
        let near = (-(start.abs_diff(all[i].0) as f64) / rate / NEAR_S).exp() as f32;
        part[0] = near;
        part[1..].iter_mut().zip(OF_NEIGHBOURS).for_each(|(m, k)| *m = own[k] * near);
    }
    measures
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_tree_ends_wherever_it_is_led() {
        for tree in TREES {
            for (i, node) in tree.iter().enumerate() {
                if let Node::At(measure, most, further) = node {
                    assert!(usize::from(*measure) < MEASURES && most.is_finite());
                    assert!(*further > 1 && i + usize::from(*further) < tree.len());
                }
            }
            assert!(matches!(tree.last(), Some(Node::Leaf(_))));
        }
    }
}
