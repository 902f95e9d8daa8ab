//! Groups of similar hits: alternates of one pad, and the soft and hard strokes of one sound.

use super::features::{BANDS, Features, STRETCHES};

/// Hits closer than this are one sound played twice, dB: see [`distance_db`] (found by trial).
pub const MAX_DISTANCE_DB: f32 = 6.0;

/// Distance of two sounds, dB: root mean square difference of their level-matched bands over time, without bands
/// that are below -40 dB in both.
pub fn distance_db(a: &Features, b: &Features) -> f32 {
    let (mut sum, mut count) = (0.0, 0.0f32);
    for s in 0..STRETCHES {
        for n in 0..BANDS {
            let (x, y) = (a.bands_db[s][n].max(-40.0), b.bands_db[s][n].max(-40.0));
            if x > -40.0 || y > -40.0 {
                sum += (x - y) * (x - y);
                count += 1.0;
            }
        }
    }
    (sum / count.max(1.0)).sqrt()
}

/// Groups of similar hits, as indices: each hit joins the first group whose first member is close to it, else it
/// begins a new one. `None` is a hit that cannot be measured; it is left out.
pub fn groups(hits: &[Option<Features>]) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (i, hit) in hits.iter().enumerate() {
        let Some(hit) = hit else { continue };
        let near = groups
            .iter_mut()
            .find(|g| hits[g[0]].as_ref().is_some_and(|f| distance_db(f, hit) < MAX_DISTANCE_DB));
        match near {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    groups
}

/// `groups` split until there are `wanted` of them or each has one hit, so that a take with one kind of hit fills
/// the kit as well. Each time the second hit of the largest group becomes a group.
pub fn spread(mut groups: Vec<Vec<usize>>, wanted: usize) -> Vec<Vec<usize>> {
    while groups.len() < wanted {
        let largest = (0..groups.len()).rev().max_by_key(|&i| groups[i].len());
        let Some(group) = largest.map(|i| &mut groups[i]).filter(|g| g.len() > 1) else { break };
        let hit = group.remove(1);
        groups.push(vec![hit]);
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn similar_hits_fill_a_kit_before_they_become_alternates() {
        let groups = vec![vec![0, 3, 4, 5], vec![1, 2]];
        assert_eq!(spread(groups.clone(), 2), groups);
        assert_eq!(spread(groups.clone(), 3), [vec![0, 4, 5], vec![1, 2], vec![3]]);
        assert_eq!(spread(groups, 16).len(), 6);
        assert!(spread(Vec::new(), 16).is_empty());
    }
}
