//! Which pad gets which hit.

use super::{assign, candidate::Candidate, group, recipe, score};
use crate::kit::Role;
use std::collections::BTreeMap;

/// How much it speaks for a hit that it resembles recorded drums of a role as it was recorded, by its score in that role (our
/// choice): a low thump makes the more natural kick than a click that was bent into one.
const NATURAL: f32 = 0.3;
/// What speaks against a kick that is far from its pitch, for each octave beyond the first (our choice).
const BENT_PER_OCTAVE: f32 = 0.08;

/// What each hit is worth in each role: its score when shaped, and what speaks for and against it beside that.
pub fn worths(candidates: &[&Candidate], scores: &[BTreeMap<Role, f32>]) -> Vec<BTreeMap<Role, f32>> {
    let loudest = loudest_db(candidates);
    let worth = |candidate: &Candidate, role: Role, score: f32| {
        let natural = if role == Role::Kick { NATURAL * score::score(role, &candidate.raw) } else { 0.0 };
        let octaves = (candidate.source().low_hz() / recipe::KICK_HZ).log2().abs();
        let bent = if role == Role::Kick { BENT_PER_OCTAVE * (octaves - 1.0).max(0.0) } else { 0.0 };
        score + natural - bent - penalty(role, candidate, loudest)
    };
    candidates
        .iter()
        .zip(scores)
        .map(|(c, scores)| scores.iter().map(|(&role, &score)| (role, worth(c, role, score))).collect())
        .collect()
}

/// Peak of the loudest hit, dBFS.
fn loudest_db(candidates: &[&Candidate]) -> f32 {
    candidates.iter().map(|c| c.hit.description.peak_db).fold(f32::MIN, f32::max)
}

/// Pad to candidate, by what each is worth ([`worths`]). Pads that were `given` one keep it. All other roles but percussion
/// are assigned together, and no hit serves two pads while there are enough for all of them; percussion takes the best of
/// the remaining hits, each as different from the others as possible. Where none remains, it plays one of a drum as well, in
/// the instrument's own sound.
pub fn cast(
    pads: &[usize],
    candidates: &[&Candidate],
    worths: &[BTreeMap<Role, f32>],
    given: &BTreeMap<usize, usize>,
) -> BTreeMap<usize, usize> {
    let role = |pad: usize| Role::DEFAULT_PADS[pad].1;
    let (percussion, named): (Vec<usize>, Vec<usize>) =
        pads.iter().partition(|&&p| role(p) == Role::Percussion);
    let mut cast = given.clone();
    let mut open: Vec<usize> = named.into_iter().filter(|pad| !given.contains_key(pad)).collect();
    let taken: Vec<usize> = given.values().copied().collect();
    let free: Vec<usize> = (0..candidates.len()).filter(|c| !taken.contains(c)).collect();
    let free = if free.is_empty() { (0..candidates.len()).collect() } else { free };
    // where there are fewer hits than pads, each hit serves one more pad in each round
    while !open.is_empty() && !candidates.is_empty() {
        let best = assign::best(open.len(), free.len(), |row, column| {
            let (role, hit) = (role(open[row]), free[column]);
            importance(open[row]) * worths[hit][&role]
        });
        cast.extend(open.iter().zip(&best).filter_map(|(&pad, hit)| Some((pad, free[(*hit)?]))));
        open.retain(|pad| !cast.contains_key(pad));
    }
    for pad in percussion.into_iter().filter(|pad| !given.contains_key(pad)) {
        if let Some(hit) = most_different(&cast, candidates, worths) {
            cast.insert(pad, hit);
        }
    }
    cast
}

/// The hit for a percussion pad: good and far from the hits of all pads, or, where each has a pad already, from those of the
/// percussion so far.
fn most_different(
    cast: &BTreeMap<usize, usize>,
    candidates: &[&Candidate],
    worths: &[BTreeMap<Role, f32>],
) -> Option<usize> {
    let is_percussion = |pad: usize| Role::DEFAULT_PADS[pad].1 == Role::Percussion;
    let all: Vec<usize> = cast.values().copied().collect();
    let percussion: Vec<usize> =
        cast.iter().filter(|(pad, _)| is_percussion(**pad)).map(|(_, hit)| *hit).collect();
    let everything = (0..candidates.len()).collect::<Vec<_>>();
    let without =
        |taken: &[usize]| everything.iter().copied().filter(|c| !taken.contains(c)).collect::<Vec<_>>();
    let (free, others) = [all, percussion]
        .into_iter()
        .map(|taken| (without(&taken), taken))
        .find(|(free, _)| !free.is_empty())
        .unwrap_or((everything.clone(), Vec::new()));
    let worth = |c: usize| {
        let apart_db = |&other: &usize| group::distance_db(&candidates[other].raw, &candidates[c].raw);
        let nearest_db = others.iter().map(apart_db).fold(MAX_APART_DB, f32::min);
        worths[c][&Role::Percussion] + nearest_db / MAX_APART_DB
    };
    free.into_iter().max_by(|&a, &b| worth(a).total_cmp(&worth(b)).then(b.cmp(&a)))
}

/// The candidates that differ most, `count` at most, as indices: the loudest first, then each time the one furthest from
/// all chosen ones. What is soft or a fragment counts as so much nearer.
pub fn diverse(candidates: &[&Candidate], count: usize) -> Vec<usize> {
    let loudest = loudest_db(candidates);
    let handicap: Vec<f32> =
        candidates.iter().map(|c| HANDICAP_DB * penalty(Role::Kick, c, loudest)).collect();
    let mut nearest = vec![f32::MAX; candidates.len()];
    let mut chosen: Vec<usize> = Vec::new();
    while chosen.len() < count.min(candidates.len()) {
        let furthest = |&a: &usize, &b: &usize| {
            let worth = |i: usize| nearest[i].min(MAX_APART_DB) - handicap[i];
            worth(a).total_cmp(&worth(b)).then(b.cmp(&a))
        };
        let free = (0..candidates.len()).filter(|i| !chosen.contains(i));
        let Some(next) = free.max_by(furthest) else { break };
        chosen.push(next);
        for (i, near) in nearest.iter_mut().enumerate() {
            *near = near.min(group::distance_db(&candidates[next].raw, &candidates[i].raw));
        }
    }
    chosen
}

/// Sounds further apart than this are wholly different, dB.
const MAX_APART_DB: f32 = 20.0;
/// How much nearer a hit counts for each unit of [`penalty`], dB (our choice).
const HANDICAP_DB: f32 = 30.0;

/// How much a score of this pad's role counts: the drums that carry a song get the best hits, second ones and the less
/// frequent cymbals what is left (our choice).
fn importance(pad: usize) -> f32 {
    let (_, role) = Role::DEFAULT_PADS[pad];
    let second = Role::DEFAULT_PADS[..pad].iter().any(|(_, before)| *before == role);
    if second || matches!(role, Role::PedalHat | Role::MiddleTom | Role::Crash | Role::Ride) {
        0.6
    } else {
        1.0
    }
}

/// Hits this much softer than the loudest of the takes are as good as it, dB...
const SOFT_DB: f32 = 12.0;
/// ...and each further decibel counts against a hit by this much of a score, up to [`MAX_SOFT_PENALTY`] (our choice).
const SOFT_PENALTY_PER_DB: f32 = 0.03;
const MAX_SOFT_PENALTY: f32 = 0.7;
/// Shorter hits are fragments for drums with a body or a tail, ms; what they lose at a length of 0 (our choice).
const WHOLE_MS: f64 = 90.0;
const FRAGMENT_PENALTY: f32 = 1.0;
/// What loses more than this is not tried beside the hit that a pad was assigned (our choice).
const MAX_TRIED_PENALTY: f32 = 0.3;

/// What speaks against a hit beside its score: a soft one brings the noise of its take along, a fragment is all shaping
/// and little of the instrument.
fn penalty(role: Role, candidate: &Candidate, loudest_db: f32) -> f32 {
    let soft_db = (loudest_db - candidate.hit.description.peak_db - SOFT_DB).max(0.0);
    let length_ms = 1000.0 * candidate.hit.end.saturating_sub(candidate.hit.start) as f64 / candidate.rate;
    let bodied = role.is_tom()
        || matches!(role, Role::Kick | Role::Snare | Role::Rim | Role::OpenHat | Role::Crash | Role::Ride);
    let missing = if bodied { (1.0 - length_ms / WHOLE_MS).max(0.0) as f32 } else { 0.0 };
    (SOFT_PENALTY_PER_DB * soft_db).min(MAX_SOFT_PENALTY) + FRAGMENT_PENALTY * missing
}

/// Number of hits that are shaped for a role, the assigned one included.
pub struct Tries {
    /// In any case.
    pub always: usize,
    /// Where those before came to nothing good.
    pub most: usize,
}

/// How well a hit can serve is known only after it is shaped. A second candidate improved claps and rims, which cost
/// little time; further ones improved snares, rims, shakers and rides that were far off (tests/SCORES.md), and no other role.
pub fn tries(role: Role) -> Tries {
    let (always, most) = match role {
        Role::Clap => (2, 2),
        Role::Rim => (2, 4),
        Role::Snare | Role::Shaker | Role::Ride => (1, 3),
        _ => (1, 1),
    };
    Tries { always, most }
}

/// For each pad the hits to shape, as indices of leaders: the assigned one first, then the best of the hits that
/// no pad has, by what they are worth, without soft ones and fragments. No hit is tried for two pads; what is tried in any
/// case is chosen first.
pub fn shortlist(
    cast: &BTreeMap<usize, usize>,
    candidates: &[&Candidate],
    worths: &[BTreeMap<Role, f32>],
) -> Vec<(usize, Vec<usize>)> {
    let loudest = loudest_db(candidates);
    let mut free: Vec<usize> = (0..worths.len()).filter(|l| !cast.values().any(|taken| taken == l)).collect();
    let mut tried: Vec<(usize, Vec<usize>)> =
        cast.iter().map(|(&pad, &leader)| (pad, vec![leader])).collect();
    for count in [|tries: Tries| tries.always, |tries: Tries| tries.most] {
        for (pad, hits) in &mut tried {
            let role = Role::DEFAULT_PADS[*pad].1;
            free.sort_by(|&a, &b| worths[b][&role].total_cmp(&worths[a][&role]).then(a.cmp(&b)));
            let missing = count(tries(role)).saturating_sub(hits.len());
            // a soft rustle may be the only noise of a take
            let serves = |l: &&usize| {
                role == Role::Shaker || penalty(role, candidates[**l], loudest) <= MAX_TRIED_PENALTY
            };
            let tried: Vec<usize> = free.iter().filter(serves).take(missing).copied().collect();
            free.retain(|l| !tried.contains(l));
            hits.extend(tried);
        }
    }
    tried
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cast::{auditioner::AUDITION_RATE, companions::Companions, test_signal::plucked};

    /// A hit of this pitch, peak and length.
    fn candidate(hz: f32, peak_db: f32, ms: u64) -> Candidate {
        let (kit, raw) = plucked(f64::from(hz), 6.0);
        let mut hit = kit.doc.takes[0].hits[0].clone();
        hit.description.peak_db = peak_db;
        hit.end = hit.start + ms * AUDITION_RATE as u64 / 1000;
        let companions = Companions::default();
        Candidate { take: 0, rate: AUDITION_RATE, hit_index: 0, hit, raw, companions }
    }

    fn pad_of(role: Role) -> usize {
        Role::DEFAULT_PADS.iter().position(|(_, r)| *r == role).unwrap()
    }

    #[test]
    fn a_low_thump_makes_the_kick_rather_than_a_high_hit_that_is_bent_into_one() {
        let hits = [candidate(600.0, -6.0, 300), candidate(75.0, -6.0, 300)];
        let candidates: Vec<&Candidate> = hits.iter().collect();
        let scores: Vec<_> = [0.80, 0.75].map(|s| BTreeMap::from([(Role::Kick, s)])).into();
        let kick = pad_of(Role::Kick);
        assert_eq!(cast(&[kick], &candidates, &worths(&candidates, &scores), &BTreeMap::new())[&kick], 1);
    }

    #[test]
    fn soft_hits_are_not_tried_before_loud_ones_and_make_no_percussion_while_there_are_loud_ones() {
        let hits = [-6.0, -36.0, -10.0].map(|db| candidate(200.0, db, 300));
        let candidates: Vec<&Candidate> = hits.iter().collect();
        let score = |s| BTreeMap::from([(Role::Clap, s), (Role::Percussion, s)]);
        let scores: Vec<_> = [0.9, 0.7, 0.6].map(score).into();
        let worths = worths(&candidates, &scores);
        let clap = pad_of(Role::Clap);
        assert_eq!(shortlist(&[(clap, 0)].into(), &candidates, &worths), [(clap, vec![0, 2])]);
        let percussion = pad_of(Role::Percussion);
        let made = cast(&[clap, percussion], &candidates, &worths, &BTreeMap::new());
        assert_eq!((made[&clap], made[&percussion]), (0, 2));
    }

    #[test]
    fn percussion_shares_a_hit_where_none_is_left() {
        let hits = [candidate(200.0, -6.0, 300), candidate(400.0, -6.0, 300)];
        let score = |s| BTreeMap::from([(Role::Kick, s), (Role::Percussion, s)]);
        let pads: Vec<usize> = (0..Role::DEFAULT_PADS.len())
            .filter(|&pad| matches!(Role::DEFAULT_PADS[pad].1, Role::Kick | Role::Percussion))
            .collect();
        let made = |count: usize| -> Vec<usize> {
            let candidates: Vec<&Candidate> = hits[..count].iter().collect();
            let worths = worths(&candidates, &[0.9, 0.8].map(score)[..count]);
            cast(&pads, &candidates, &worths, &BTreeMap::new()).into_values().collect()
        };
        assert_eq!(made(1), [0, 0, 0]);
        // one is left for the first percussion pad; the second has what is not the first's
        let two = made(2);
        assert_eq!((two[1], two[2]), (1 - two[0], two[0]));
    }

    #[test]
    fn loud_whole_hits_are_preferred_to_soft_ones_and_to_fragments() {
        let hit = |peak_db: f32, ms: u64| candidate(147.0, peak_db, ms);
        let hits = [hit(-34.0, 300), hit(-4.0, 34), hit(-6.0, 300)];
        let candidates: Vec<&Candidate> = hits.iter().collect();
        // the soft hit and the fragment score a little better
        let scores: Vec<_> = [0.80, 0.75, 0.70].map(|s| BTreeMap::from([(Role::Kick, s)])).into();
        let scores = worths(&candidates, &scores);
        let kick = pad_of(Role::Kick);
        assert_eq!(cast(&[kick], &candidates, &scores, &BTreeMap::new()), BTreeMap::from([(kick, 2)]));
        assert_eq!(
            cast(&[kick], &candidates, &scores, &[(kick, 0)].into())[&kick],
            0,
            "what was given stays"
        );
        for role in [Role::MiddleTom, Role::Rim, Role::Crash] {
            assert!(penalty(role, &hits[1], -4.0) > 0.1, "a fragment makes no {role}");
        }
        // shorter hits are no worse for what is short anyway
        assert_eq!(penalty(Role::ClosedHat, &hits[1], -4.0), 0.0);
    }

    #[test]
    fn claps_are_also_shaped_from_the_best_hit_that_no_pad_has() {
        let (kick, clap) = (pad_of(Role::Kick), pad_of(Role::Clap));
        let scores: Vec<_> =
            [0.9, 0.8, 0.3, 0.6].map(|s| BTreeMap::from([(Role::Kick, 0.5), (Role::Clap, s)])).into();
        let cast = BTreeMap::from([(kick, 1), (clap, 0)]);
        let hits: Vec<Candidate> = (0..4).map(|_| candidate(200.0, -6.0, 300)).collect();
        let hits: Vec<&Candidate> = hits.iter().collect();
        assert_eq!(shortlist(&cast, &hits, &scores), [(kick, vec![1]), (clap, vec![0, 3])]);
        assert_eq!(
            shortlist(&cast, &hits[..2], &scores[..2]),
            [(kick, vec![1]), (clap, vec![0])],
            "none is left"
        );
        let soft = candidate(200.0, -36.0, 300);
        let hits = [hits[0], hits[1], hits[2], &soft];
        assert_eq!(
            shortlist(&cast, &hits, &scores),
            [(kick, vec![1]), (clap, vec![0, 2])],
            "a soft one is not"
        );
    }

    #[test]
    fn snares_have_further_hits_after_claps_have_theirs() {
        let (snare, clap) = (pad_of(Role::Snare), pad_of(Role::Clap));
        let scores: Vec<_> =
            [0.9, 0.8, 0.3, 0.6, 0.5].map(|s| BTreeMap::from([(Role::Snare, s), (Role::Clap, s)])).into();
        let cast = BTreeMap::from([(snare, 1), (clap, 0)]);
        let hits: Vec<Candidate> = (0..5).map(|_| candidate(200.0, -6.0, 300)).collect();
        let hits: Vec<&Candidate> = hits.iter().collect();
        assert_eq!(shortlist(&cast, &hits, &scores), [(snare, vec![1, 4, 2]), (clap, vec![0, 3])]);
    }
}
