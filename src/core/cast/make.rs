//! From hits to a kit: audition, assignment, shaping, tuning, balance.

use super::{
    assign,
    auditioner::{Auditioner, drafts, on_all_cores},
    balance, cohesion, edit_summary,
    features::Features,
    group,
    options::{CastOptions, DetectedTake},
    recipe::{Ring, recipe},
    score,
    shape::{Candidate, ShapeOptions, shape},
    strokes, tune,
};
use crate::{
    error::{Error, Result},
    kit::{Audition, Document, Kit, Pad, Role, TakeEntry, Target},
    listen::Hit,
    progress::{Counter, Part, Progress},
    take::Take,
    units::ratio_to_cents,
};
use std::{collections::BTreeMap, sync::Arc};

/// Minimum length of a hit that is cast, seconds.
const MIN_HIT_S: f64 = 0.01;
/// Maximum length of a hit that is measured, seconds.
const MAX_MEASURED_S: f64 = 0.8;
/// Maximum length of a target sound that is measured, seconds.
const MAX_TARGET_S: f64 = 10.0;
/// Maximum number of copies in a cloud during the audition.
const MAX_AUDITION_COPIES: u8 = 12;
/// Number of next-best hits that the player is shown.
const NEXT_BEST: usize = 3;
/// Maximum pitch difference between the alternates of a tuned pad, cents: it stays in tune.
const MAX_ALTERNATES_CT: f32 = 5.0;

/// See [`super::make_kit`].
pub fn make_kit(takes: &[DetectedTake], options: &CastOptions, progress: &dyn Progress) -> Result<Kit> {
    let mut kit = empty_kit(takes, options);
    let candidates = candidates(&kit, progress)?;
    let pads = wanted(options);
    if candidates.is_empty() || pads.is_empty() {
        return Ok(kit);
    }
    let groups = group::spread(alike(&candidates), pads.len());
    let leaders: Vec<&Candidate> = groups.iter().map(|g| &candidates[g[0]]).collect();
    let drafts = drafts(&kit);
    let scores = audition(&kit, &drafts, &leaders, &roles_of(&pads), &Part::new(progress, 0.1, 0.5))?;
    let cast = cast(&pads, &leaders, &scores);
    let mut work: Vec<(usize, Vec<usize>)> = shortlist(&cast, &scores);
    // the slowest first, so that all cores end together: sounds of many copies, then pads that are fitted
    work.sort_by_key(|(pad, tried)| {
        let role = Role::DEFAULT_PADS[*pad].1;
        let copies = usize::from(recipe(role, &leaders[tried[0]].source()).cloud.copies);
        (role == Role::Percussion, std::cmp::Reverse(copies * tried.len()), *pad)
    });
    let shaping = Part::new(progress, 0.5, 1.0);
    let shaped = on_all_cores(&kit, &drafts, work.len(), |auditioner, i| {
        shaping.check()?;
        let (index, tried) = &work[i];
        let (note, role) = Role::DEFAULT_PADS[*index];
        let shaping_options = ShapeOptions::of(&kit, kit.doc.fit, options.targets.get(&role));
        let hits: Vec<&Candidate> = tried.iter().map(|&leader| leaders[leader]).collect();
        let (best, mut pad) = shape(auditioner, role, &hits, &shaping_options, &shaping)?;
        let leader = tried[best];
        pad.note = note;
        pad.target = options.targets.get(&role).cloned();
        let alike =
            groups[leader].iter().map(|&c| &candidates[c]).filter(|c| in_tune(role, leaders[leader], c));
        let strokes: Vec<(usize, &Hit)> = alike.map(|c| (c.take, &c.heard)).collect();
        pad.slices = strokes::slices(&strokes, cohesion::EFFECTIVE_VELOCITY_LEVEL);
        cohesion::even_alternates(auditioner, &mut pad);
        let mut report = report(&pad, leader, &leaders, &scores, role);
        report.score = auditioner.measure(&pad).map_or(0.0, |f| score::score(role, &f));
        pad.audition = Some(report);
        shaping.report("shaping pads", (i + 1) as f32 / work.len() as f32);
        Ok((*index, pad))
    });
    for shaped in shaped {
        let (index, pad) = shaped?;
        kit.doc.pads[index] = pad;
    }
    cohesion::order_toms(&mut Auditioner::with_drafts(&kit, &drafts), &mut kit);
    let levels = on_all_cores(&kit, &drafts, kit.doc.pads.len(), |auditioner, i| {
        let mut pad = kit.doc.pads[i].clone();
        let lufs = balance::level(auditioner, &mut pad, balance::KICK_LUFS);
        (pad, lufs)
    });
    let (pads, loud): (Vec<Pad>, Vec<Option<f32>>) = levels.into_iter().unzip();
    kit.doc.pads = pads;
    balance::whole(&mut kit, &loud);
    kit.doc.mend();
    Ok(kit)
}

/// Number of hits that are shaped for a role, the assigned one included. How well a hit can serve is known only
/// after it is shaped; a second candidate improved claps and rims (tests/SCORES.md) and costs little time there.
fn tries(role: Role) -> usize {
    if matches!(role, Role::Clap | Role::Rim) { 2 } else { 1 }
}

/// For each pad the hits to shape, as indices of leaders: the assigned one first, then the best of the hits that
/// no pad has. No hit is tried for two pads.
fn shortlist(cast: &BTreeMap<usize, usize>, scores: &[BTreeMap<Role, f32>]) -> Vec<(usize, Vec<usize>)> {
    let mut free: Vec<usize> = (0..scores.len()).filter(|l| !cast.values().any(|taken| taken == l)).collect();
    let tried = |(&pad, &leader): (&usize, &usize)| {
        let role = Role::DEFAULT_PADS[pad].1;
        free.sort_by(|&a, &b| scores[b][&role].total_cmp(&scores[a][&role]).then(a.cmp(&b)));
        let others = free.drain(..free.len().min(tries(role) - 1));
        (pad, std::iter::once(leader).chain(others).collect())
    };
    cast.iter().map(tried).collect()
}

/// See [`super::target_of`].
pub fn target_of(sound: &Take) -> Result<Target> {
    let rate = f64::from(sound.sample_rate);
    let end = sound.frames().min((MAX_TARGET_S * rate) as usize);
    let features = mono(&sound.channels, 0, end).and_then(|mono| Features::of(&mono, rate));
    let features = features.ok_or_else(|| {
        Error::invalid(format!("{}: there is nothing to hear in this sound; choose another", sound.name))
    })?;
    Ok(Target { name: sound.name.clone(), measures: features.row() })
}

/// See [`super::score_hits`].
pub fn score_hits(
    take: &Arc<Take>,
    hits: &[Hit],
    progress: &dyn Progress,
) -> Result<Vec<BTreeMap<Role, f32>>> {
    let kit = empty_kit(&[(take.clone(), hits.to_vec())], &CastOptions::default());
    let candidates = candidates(&kit, progress)?;
    let all: Vec<&Candidate> = candidates.iter().collect();
    let scores = audition(&kit, &drafts(&kit), &all, &Role::ALL, &Part::new(progress, 0.1, 1.0))?;
    let mut table = vec![Role::ALL.map(|r| (r, 0.0)).into_iter().collect::<BTreeMap<_, _>>(); hits.len()];
    for (candidate, scores) in candidates.iter().zip(scores) {
        table[candidate.hit] = scores;
    }
    Ok(table)
}

/// See [`super::make_pad`].
pub fn make_pad(
    kit: &Kit,
    pad: usize,
    source: (usize, usize),
    role: Role,
    fit: f32,
    progress: &dyn Progress,
) -> Result<Pad> {
    let old = kit.doc.pads.get(pad).ok_or_else(|| Error::invalid(format!("there is no pad {}", pad + 1)))?;
    let hit = kit.doc.takes.get(source.0).and_then(|t| t.hits.get(source.1));
    hit.ok_or_else(|| Error::invalid(format!("pad {}: this hit is not there; choose another", pad + 1)))?;
    progress.check()?;
    let candidate = candidate(kit, source.0, source.1, ring_of(kit))
        .ok_or_else(|| Error::invalid(format!("pad {}: this hit is silent; choose another", pad + 1)))?;
    // a target was given for a role
    let target = old.target.clone().filter(|_| old.role == role);
    let mut auditioner = Auditioner::with_drafts(kit, &drafts(kit));
    let shaping_options = ShapeOptions::of(kit, fit, target.as_ref());
    let (_, mut made) = shape(&mut auditioner, role, &[&candidate], &shaping_options, progress)?;
    let kick_lufs = balance::kick_lufs(&mut auditioner, kit, pad).unwrap_or(balance::KICK_LUFS);
    balance::level(&mut auditioner, &mut made, kick_lufs);
    let score = auditioner.measure(&made).map_or(0.0, |f| score::score(role, &f));
    made.note = old.note;
    made.target = target.clone();
    made.settings.pan = old.settings.pan;
    let same = old.audition.as_ref().filter(|a| (a.take, a.hit) == source && old.role == role);
    if let (Some(_), Some(first)) = (same, old.slices.first()) {
        made.slices[0].velocities = first.velocities;
        made.slices.extend(&old.slices[1..]);
    }
    made.audition = Some(Audition {
        take: source.0,
        hit: source.1,
        score,
        next_best: same.map(|a| a.next_best.clone()).unwrap_or_default(),
        edit_summary: edit_summary::of(&made),
    });
    Ok(made)
}

fn empty_kit(takes: &[DetectedTake], options: &CastOptions) -> Kit {
    let fit = if options.fit.is_nan() { 0.0 } else { options.fit.clamp(0.0, 1.0) };
    let entries = takes.iter().map(|(take, hits)| TakeEntry::new(take, hits.clone())).collect();
    Kit {
        doc: Document {
            name: options.name.clone(),
            seed: options.seed,
            fit,
            key: options.key,
            tune_kick: options.tune_kick,
            general_midi: true,
            takes: entries,
            ..Document::default()
        },
        takes: takes.iter().map(|(take, _)| take.clone()).collect(),
    }
}

/// Pads to be filled, by index.
fn wanted(options: &CastOptions) -> Vec<usize> {
    let asked = |role: &Role| options.roles.as_ref().is_none_or(|roles| roles.contains(role));
    (0..Role::DEFAULT_PADS.len()).filter(|&i| asked(&Role::DEFAULT_PADS[i].1)).collect()
}

fn roles_of(pads: &[usize]) -> Vec<Role> {
    let mut roles: Vec<Role> = pads.iter().map(|&i| Role::DEFAULT_PADS[i].1).collect();
    roles.sort();
    roles.dedup();
    roles
}

/// Every audible hit, measured as recorded.
fn candidates(kit: &Kit, progress: &dyn Progress) -> Result<Vec<Candidate>> {
    let places: Vec<(usize, usize)> =
        kit.doc.takes.iter().enumerate().flat_map(|(t, e)| (0..e.hits.len()).map(move |h| (t, h))).collect();
    let part = Part::new(progress, 0.0, 0.1);
    let ring = ring_of(kit);
    let found = on_all_cores(kit, &kit.takes, places.len(), |_, i| {
        part.check()?;
        part.report("measuring hits", i as f32 / places.len() as f32);
        let (take, hit) = places[i];
        Ok(candidate(kit, take, hit, ring))
    });
    Ok(found.into_iter().collect::<Result<Vec<_>>>()?.into_iter().flatten().collect())
}

/// The hit of the kit that rings best; `None` where nothing rings.
pub fn ring_of(kit: &Kit) -> Option<Ring> {
    let takes = kit.doc.takes.iter().enumerate();
    Ring::of(takes.flat_map(|(t, e)| e.hits.iter().map(move |h| (t, f64::from(e.sample_rate), h))))
}

fn candidate(kit: &Kit, take: usize, hit: usize, ring: Option<Ring>) -> Option<Candidate> {
    let heard = kit.doc.takes.get(take)?.hits.get(hit)?;
    let raw = measured(kit, take, heard)?;
    let rate = f64::from(kit.takes.get(take)?.sample_rate);
    Some(Candidate { take, rate, hit, heard: heard.clone(), raw, ring })
}

/// The measures of a hit as recorded; `None` when it is too short or silent.
pub fn measured(kit: &Kit, take: usize, heard: &Hit) -> Option<Features> {
    let audio = kit.takes.get(take)?;
    let rate = f64::from(audio.sample_rate);
    let start = usize::try_from(heard.start).ok()?;
    let end = usize::try_from(heard.end).ok()?.min(audio.frames());
    if start >= end || ((end - start) as f64) < MIN_HIT_S * rate {
        return None;
    }
    let end = end.min(start + (MAX_MEASURED_S * rate) as usize);
    Features::of(&mono(&audio.channels, start, end)?, rate)
}

/// The mean of the channels, or the stronger one where they cancel (a channel with its polarity turned).
fn mono(channels: &[Vec<f32>], start: usize, end: usize) -> Option<Vec<f32>> {
    let left = &channels.first()?[start..end];
    let Some(right) = channels.get(1).map(|c| &c[start..end]) else { return Some(left.to_vec()) };
    let mean: Vec<f32> = left.iter().zip(right).map(|(l, r)| (l + r) * 0.5).collect();
    let energy = |x: &[f32]| x.iter().map(|s| s * s).sum::<f32>();
    let stronger = if energy(left) >= energy(right) { left } else { right };
    // One silent channel leaves a quarter of the energy; less than a tenth is cancelling.
    Some(if energy(&mean) < 0.1 * energy(stronger) { stronger.to_vec() } else { mean })
}

/// Groups of similar hits as indices of candidates, the loudest of each first: it has the best signal-to-noise
/// ratio.
fn alike(candidates: &[Candidate]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|&a, &b| {
        let peak = |i: usize| candidates[i].heard.description.peak_db;
        peak(b).total_cmp(&peak(a)).then(a.cmp(&b))
    });
    let features: Vec<_> = order.iter().map(|&i| Some(candidates[i].raw.clone())).collect();
    group::groups(&features).into_iter().map(|g| g.into_iter().map(|i| order[i]).collect()).collect()
}

/// Plays every hit in every role and scores the sound.
fn audition(
    kit: &Kit,
    drafts: &[Arc<Take>],
    candidates: &[&Candidate],
    roles: &[Role],
    progress: &dyn Progress,
) -> Result<Vec<BTreeMap<Role, f32>>> {
    let counter = Counter::new(progress, "auditioning hits", candidates.len());
    on_all_cores(kit, drafts, candidates.len(), |auditioner, i| {
        let mut scores = BTreeMap::new();
        for &role in roles {
            progress.check()?;
            let mut pad = recipe(role, &candidates[i].source());
            // the power of copies adds up like that of noise: fewer of them measure the same
            pad.cloud.copies = pad.cloud.copies.min(MAX_AUDITION_COPIES);
            scores.insert(role, auditioner.try_out(&pad).map_or(0.0, |f| score::score(role, &f)));
        }
        counter.one_done();
        Ok(scores)
    })
    .into_iter()
    .collect()
}

/// Pad to candidate. All roles but percussion are assigned together; percussion takes the best of the remaining
/// hits, each as different from the others as possible.
fn cast(pads: &[usize], candidates: &[&Candidate], scores: &[BTreeMap<Role, f32>]) -> BTreeMap<usize, usize> {
    let role = |pad: usize| Role::DEFAULT_PADS[pad].1;
    let (percussion, named): (Vec<usize>, Vec<usize>) =
        pads.iter().partition(|&&p| role(p) == Role::Percussion);
    let loudest = candidates.iter().map(|c| c.heard.description.peak_db).fold(f32::MIN, f32::max);
    let given = assign::best(named.len(), candidates.len(), |row, column| {
        let role = role(named[row]);
        scores[column][&role] - doubt(role, candidates[column], loudest)
    });
    let mut cast: BTreeMap<usize, usize> =
        named.iter().zip(given).filter_map(|(&pad, hit)| Some((pad, hit?))).collect();
    for pad in percussion {
        let free = (0..candidates.len()).filter(|c| !cast.values().any(|taken| taken == c));
        let best = free
            .map(|c| {
                let nearest = cast
                    .values()
                    .map(|&other| group::distance_db(&candidates[other].raw, &candidates[c].raw))
                    .fold(20.0f32, f32::min);
                (c, scores[c][&Role::Percussion] + nearest / 20.0)
            })
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
        if let Some((hit, _)) = best {
            cast.insert(pad, hit);
        }
    }
    cast
}

/// Hits this much softer than the loudest of the takes are as good as it, dB...
const SOFT_DB: f32 = 12.0;
/// ...and each further decibel counts against a hit by this much of a score, up to [`MAX_DOUBT`] (our choice).
const DOUBT_PER_DB: f32 = 0.01;
const MAX_DOUBT: f32 = 0.3;
/// Shorter hits are fragments for drums with a body or a tail, ms; what they lose at a length of 0 (our choice).
const WHOLE_MS: f64 = 90.0;
const FRAGMENT_DOUBT: f32 = 0.3;

/// What speaks against a hit beside its score: a soft one brings the noise of its take along, a fragment is all shaping
/// and little of the instrument.
fn doubt(role: Role, hit: &Candidate, loudest_db: f32) -> f32 {
    let soft_db = (loudest_db - hit.heard.description.peak_db - SOFT_DB).max(0.0);
    let length_ms = 1000.0 * hit.heard.end.saturating_sub(hit.heard.start) as f64 / hit.rate;
    let bodied =
        matches!(role, Role::Kick | Role::Snare | Role::OpenHat | Role::LowTom | Role::HighTom | Role::Rim);
    let missing = if bodied { (1.0 - length_ms / WHOLE_MS).max(0.0) as f32 } else { 0.0 };
    (DOUBT_PER_DB * soft_db).min(MAX_DOUBT) + FRAGMENT_DOUBT * missing
}

/// Whether a hit can alternate with `leader` on a pad of this role: the alternates of a tuned pad have one pitch.
fn in_tune(role: Role, leader: &Candidate, other: &Candidate) -> bool {
    let pitch = |c: &Candidate| {
        let d = &c.heard.description;
        d.pitch_hz.filter(|_| d.pitch_confidence >= tune::MIN_CONFIDENCE)
    };
    match (pitch(leader), pitch(other)) {
        (Some(a), Some(b)) if tune::has_pitch(role, true) => ratio_to_cents(b / a).abs() <= MAX_ALTERNATES_CT,
        _ => true,
    }
}

/// How the hit was chosen, for the player.
fn report(
    pad: &Pad,
    leader: usize,
    leaders: &[&Candidate],
    scores: &[BTreeMap<Role, f32>],
    role: Role,
) -> Audition {
    let mut others: Vec<usize> = (0..leaders.len()).filter(|&i| i != leader).collect();
    others.sort_by(|&a, &b| scores[b][&role].total_cmp(&scores[a][&role]).then(a.cmp(&b)));
    let place = |i: usize| (leaders[i].take, leaders[i].hit, scores[i][&role]);
    let (take, hit, score) = place(leader);
    Audition {
        take,
        hit,
        score,
        next_best: others.into_iter().take(NEXT_BEST).map(place).collect(),
        edit_summary: edit_summary::of(pad),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cast::{auditioner::RATE, test_signal::plucked};

    #[test]
    fn loud_whole_hits_are_preferred_to_soft_ones_and_to_fragments() {
        let (kit, raw) = plucked(147.0, 6.0);
        let hit = |peak_db: f32, ms: u64| {
            let mut heard = kit.doc.takes[0].hits[0].clone();
            heard.description.peak_db = peak_db;
            heard.end = heard.start + ms * RATE as u64 / 1000;
            Candidate { take: 0, rate: RATE, hit: 0, heard, raw: raw.clone(), ring: None }
        };
        let hits = [hit(-34.0, 300), hit(-4.0, 34), hit(-6.0, 300)];
        let candidates: Vec<&Candidate> = hits.iter().collect();
        // the soft hit and the fragment score a little better
        let scores: Vec<_> = [0.80, 0.75, 0.70].map(|s| BTreeMap::from([(Role::Kick, s)])).into();
        let kick = Role::DEFAULT_PADS.iter().position(|(_, r)| *r == Role::Kick).unwrap();
        assert_eq!(super::cast(&[kick], &candidates, &scores), BTreeMap::from([(kick, 2)]));
        // shorter hits are no worse for what is short anyway
        assert_eq!(doubt(Role::ClosedHat, &hits[1], -4.0), 0.0);
    }

    #[test]
    fn claps_are_also_shaped_from_the_best_hit_that_no_pad_has() {
        let pad_of = |role| Role::DEFAULT_PADS.iter().position(|(_, r)| *r == role).unwrap();
        let (kick, clap) = (pad_of(Role::Kick), pad_of(Role::Clap));
        let scores: Vec<_> =
            [0.9, 0.8, 0.3, 0.6].map(|s| BTreeMap::from([(Role::Kick, 0.5), (Role::Clap, s)])).into();
        let cast = BTreeMap::from([(kick, 1), (clap, 0)]);
        assert_eq!(shortlist(&cast, &scores), [(kick, vec![1]), (clap, vec![0, 3])]);
        assert_eq!(shortlist(&cast, &scores[..2]), [(kick, vec![1]), (clap, vec![0])], "none is left");
    }
}
