//! From hits to a kit: audition, assignment, shaping, tuning, balance.

use super::{
    alternates,
    auditioner::{Auditioner, drafts, on_all_cores},
    balance,
    candidate::{Candidate, candidate, candidates, mono},
    casting, chance, cohesion,
    companions::Companions,
    edit_summary,
    features::Features,
    group, hats, onset_delay,
    options::{CastOptions, DetectedTake, ShapeAs},
    recipe::recipe,
    score,
    shape::{ShapeOptions, Shaped, shape},
    strokes, tails, toms, tune, weakness,
};
use crate::{
    error::{Error, Result},
    kit::{Audition, Document, Kit, Pad, Role, TakeEntry, Target},
    listen::Hit,
    progress::{Counter, Part, Progress},
    take::Take,
    units::ratio_to_cents,
};
use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{Arc, Mutex, PoisonError},
};

/// Maximum length of a target sound that is measured, seconds.
const MAX_TARGET_S: f64 = 10.0;
/// Leaders that are auditioned at most: the loud and whole ones that differ most. A long take repeats itself.
const MAX_AUDITIONED: usize = 30;
/// The first of them, of which a kit is made at once.
const FIRST_AUDITIONED: usize = 20;
/// Maximum number of copies in a cloud during the audition.
pub const MAX_AUDITION_COPIES: u8 = 12;
/// Number of next-best hits that the player is shown.
const NEXT_BEST: usize = 3;
/// Maximum pitch difference between the alternates of a tuned pad, cents: it stays in tune.
const MAX_ALTERNATES_CT: f32 = 5.0;

/// See [`super::make_kit_in_steps`].
pub fn make_kit(
    takes: &[DetectedTake],
    options: &CastOptions,
    progress: &dyn Progress,
    show: &(dyn Fn(&Kit) + Sync),
) -> Result<Kit> {
    let mut kit = empty_kit(takes, options);
    let mut candidates = candidates(&kit, progress)?;
    candidates.retain(|c| !options.left_out.contains(&c.index()));
    let pads = wanted(options);
    if candidates.is_empty() || pads.is_empty() {
        return Ok(kit);
    }
    let groups = leaders_of(&candidates, pads.len(), options);
    let leaders: Vec<&Candidate> = groups.iter().map(|g| &candidates[g[0]]).collect();
    let given = given(&pads, &leaders, options);
    let drafts = drafts(&kit);
    let mut maker =
        Maker { drafts, candidates: &candidates, groups, leaders, given, scores: Vec::new(), options };
    maker.by_recipe(&mut kit, &pads, &Part::new(progress, 0.1, 0.3))?;
    if options.quick {
        kit.doc.mend();
        return Ok(kit);
    }
    show(&kit);
    maker.audition_all(&kit, &Part::new(progress, 0.3, 0.5))?;
    let worths = casting::worths(&maker.leaders, &maker.scores);
    let cast = casting::cast(&pads, &maker.leaders, &worths, &maker.given);
    let mut work = casting::shortlist(&cast, &maker.leaders, &worths);
    // what the player gave is not compared with other hits
    work.iter_mut().filter(|(pad, _)| maker.given.contains_key(pad)).for_each(|(_, tried)| tried.truncate(1));
    work.sort_by_key(|(pad, _)| order_of(Role::DEFAULT_PADS[*pad].1));
    maker.put_pads(&mut kit, &work, false, &Part::new(progress, 0.5, 1.0), show)?;
    kit.doc.mend();
    Ok(kit)
}

/// Groups of similar hits, the leader of each first: hits that the player gave to a role lead groups of their own and
/// come first, then those that differ most.
fn leaders_of(candidates: &[Candidate], wanted: usize, options: &CastOptions) -> Vec<Vec<usize>> {
    let is_given = |c: usize| options.given.values().any(|index| *index == candidates[c].index());
    let mut groups = group::spread(alike(candidates), wanted);
    for group in &mut groups {
        group.retain(|&c| !is_given(c));
    }
    groups.retain(|group| !group.is_empty());
    let chosen: Vec<&Candidate> = groups.iter().map(|g| &candidates[g[0]]).collect();
    let chosen = casting::diverse(&chosen, MAX_AUDITIONED);
    let given = (0..candidates.len()).filter(|&c| is_given(c)).map(|c| vec![c]);
    given.chain(chosen.into_iter().map(|g| groups[g].clone())).collect()
}

/// Pads whose leader the player gave, by index.
fn given(pads: &[usize], leaders: &[&Candidate], options: &CastOptions) -> BTreeMap<usize, usize> {
    let pad_of = |role: Role| pads.iter().copied().find(|&p| Role::DEFAULT_PADS[p].1 == role);
    let leader_of = |index: (usize, usize)| leaders.iter().position(|l| l.index() == index);
    options.given.iter().filter_map(|(&role, &index)| Some((pad_of(role)?, leader_of(index)?))).collect()
}

/// The order in which pads are shaped: those that carry a song first, percussion last.
fn order_of(role: Role) -> usize {
    const ORDER: [Role; 13] = [
        Role::Kick,
        Role::Snare,
        Role::ClosedHat,
        Role::OpenHat,
        Role::Clap,
        Role::Crash,
        Role::Rim,
        Role::Ride,
        Role::Shaker,
        Role::LowTom,
        Role::HighTom,
        Role::MiddleTom,
        Role::PedalHat,
    ];
    ORDER.iter().position(|r| *r == role).unwrap_or(ORDER.len())
}

/// Makes the pads of a new kit.
struct Maker<'a> {
    drafts: Vec<Arc<Take>>,
    candidates: &'a [Candidate],
    /// Groups of similar hits, as indices of candidates.
    groups: Vec<Vec<usize>>,
    /// The first of each group.
    leaders: Vec<&'a Candidate>,
    /// Pads whose leader the player gave.
    given: BTreeMap<usize, usize>,
    /// How well each leader that has been auditioned serves each role.
    scores: Vec<BTreeMap<Role, f32>>,
    options: &'a CastOptions,
}

impl Maker<'_> {
    /// Fills the kit from the first few leaders with pads by recipe.
    fn by_recipe(&mut self, kit: &mut Kit, pads: &[usize], progress: &dyn Progress) -> Result<()> {
        let few = &self.leaders[..self.leaders.len().min(FIRST_AUDITIONED)];
        self.scores = self.audition(kit, few, &Part::new(progress, 0.0, 0.8))?;
        let cast = casting::cast(pads, few, &casting::worths(few, &self.scores), &self.given);
        let work: Vec<_> = cast.iter().map(|(&pad, &leader)| (pad, vec![leader])).collect();
        self.put_pads(kit, &work, true, &Part::new(progress, 0.8, 1.0), &|_| {})
    }

    /// Scores the leaders that have not been auditioned yet.
    fn audition_all(&mut self, kit: &Kit, progress: &dyn Progress) -> Result<()> {
        let rest = &self.leaders[self.scores.len()..];
        self.scores.extend(self.audition(kit, rest, progress)?);
        Ok(())
    }

    /// How well leaders serve each role, leaning towards what the player has chosen before.
    fn audition(
        &self,
        kit: &Kit,
        leaders: &[&Candidate],
        progress: &dyn Progress,
    ) -> Result<Vec<BTreeMap<Role, f32>>> {
        let roles: BTreeSet<Role> =
            wanted(self.options).into_iter().map(|pad| Role::DEFAULT_PADS[pad].1).collect();
        let mut scores = audition(kit, &self.drafts, leaders, &roles, progress)?;
        if let Some(preference) = &self.options.preference {
            preference.lean(leaders, &mut scores);
        }
        Ok(scores)
    }

    /// Whether pads are made to be heard for some seconds only: the recipes, where a search follows.
    fn is_for_now(&self, by_recipe: bool) -> bool {
        by_recipe && !self.options.quick
    }

    /// Makes pads of these leaders (of several for one pad the best), puts them into the kit and balances it. With
    /// `by_recipe` nothing is searched. `show` is told each time a pad was put into the kit.
    fn put_pads(
        &self,
        kit: &mut Kit,
        work: &[(usize, Vec<usize>)],
        by_recipe: bool,
        progress: &dyn Progress,
        show: &(dyn Fn(&Kit) + Sync),
    ) -> Result<()> {
        let before = kit.clone();
        let shown = Mutex::new(&mut *kit);
        let counter = Counter::new(progress, "shaping pads", work.len());
        let made = on_all_cores(&before, &self.drafts, work.len(), |auditioner, i| {
            progress.check()?;
            let (index, tried) = &work[i];
            let mut pad = self.pad(&before, *index, tried, by_recipe, auditioner, progress)?;
            let lufs = balance::level(auditioner, &mut pad, balance::KICK_LUFS);
            let mut kit = shown.lock().unwrap_or_else(PoisonError::into_inner);
            kit.doc.pads[*index] = pad;
            show(&kit);
            counter.one_done();
            Ok((*index, lufs))
        });
        let mut loud = vec![None; before.doc.pads.len()];
        for made in made {
            let (index, lufs) = made?;
            loud[index] = lufs;
        }
        let for_now = self.is_for_now(by_recipe);
        if !for_now {
            let auditioner = || Auditioner::with_drafts(&before, &self.drafts);
            let by_player = |pad: usize| {
                self.given.contains_key(&pad) || self.options.targets.contains_key(&Role::DEFAULT_PADS[pad].1)
            };
            toms::order(&mut [auditioner(), auditioner()], kit, |pad| !by_player(pad));
            let lengthened = hats::ring_longer(&mut auditioner(), kit);
            for (index, pad, lufs) in self.levelled(kit, lengthened) {
                (kit.doc.pads[index], loud[index]) = (pad, lufs);
            }
        }
        if for_now {
            // the groove's peak is set at the end
            balance::relative_to_kick(kit, &loud);
        } else {
            balance::whole(kit, &loud);
        }
        Ok(())
    }

    /// The toms of a kit and another pad, levelled and scored anew, with their index and loudness (LUFS).
    fn levelled(&self, kit: &Kit, other: Option<usize>) -> Vec<(usize, Pad, Option<f32>)> {
        let pads = kit.doc.pads.iter().enumerate().filter(|(_, pad)| !pad.is_empty());
        let pads: Vec<(usize, &Pad)> =
            pads.filter(|(index, pad)| pad.role.is_tom() || Some(*index) == other).collect();
        on_all_cores(kit, &self.drafts, pads.len(), |auditioner, i| {
            let (index, mut pad) = (pads[i].0, pads[i].1.clone());
            // at another pitch or length layers and channels may cancel more
            let before = pad.clone();
            if pad.role.is_tom() {
                chance::calm(auditioner, &mut pad);
            }
            cohesion::keep_in_mono(auditioner, &mut pad);
            if pad != before {
                onset_delay::reduce_onset_delay(auditioner, &mut pad);
                cohesion::follow_velocity(auditioner, &mut pad);
            }
            let lufs = balance::level(auditioner, &mut pad, balance::KICK_LUFS);
            let heard = auditioner.measure(&pad);
            let summary = edit_summary::of(&pad);
            if let Some(audition) = &mut pad.audition {
                weakness::judge(audition, pad.role, heard.as_ref());
                audition.edit_summary = summary;
            }
            (index, pad, lufs)
        })
    }

    /// The pad of this index, made of the best of some leaders and of the hits that are like it.
    fn pad(
        &self,
        kit: &Kit,
        index: usize,
        tried: &[usize],
        by_recipe: bool,
        auditioner: &mut Auditioner,
        progress: &dyn Progress,
    ) -> Result<Pad> {
        let (note, role) = Role::DEFAULT_PADS[index];
        let target = self.options.targets.get(&role);
        let shaping = ShapeOptions {
            by_recipe,
            for_now: self.is_for_now(by_recipe),
            effort: self.options.effort,
            ..ShapeOptions::of(kit, self.options.fit_of(role, kit.doc.fit), target)
        };
        let hits: Vec<&Candidate> = tried.iter().map(|&leader| self.leaders[leader]).collect();
        let Shaped { best, mut pad, tuned_ct } = shape(auditioner, role, &hits, &shaping, progress)?;
        let leader = tried[best];
        pad.note = note;
        pad.target = target.cloned();
        let alike = self.groups[leader].iter().map(|&c| &self.candidates[c]);
        let alike = alike.filter(|c| in_tune(role, self.leaders[leader], c));
        let strokes: Vec<(usize, &Hit)> = alike.map(|c| (c.take, &c.hit)).collect();
        pad.slices = strokes::slices(&strokes, cohesion::EFFECTIVE_VELOCITY_LEVEL);
        tails::begin_within_hits(&mut pad, |take| f64::from(kit.doc.takes[take].sample_rate));
        let told = report(&pad, leader, &self.leaders, &self.scores, role);
        let mut report = Audition { tuned_ct, by_recipe, ..told };
        if !self.is_for_now(by_recipe) {
            alternates::even_alternates(auditioner, &mut pad);
            weakness::judge(&mut report, role, auditioner.measure(&pad).as_ref());
        }
        pad.audition = Some(report);
        pad.mend_percussion();
        Ok(pad)
    }
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
    let roles = Role::ALL.into_iter().collect();
    let scores = audition(&kit, &drafts(&kit), &all, &roles, &Part::new(progress, 0.1, 1.0))?;
    let mut table = vec![Role::ALL.map(|r| (r, 0.0)).into_iter().collect::<BTreeMap<_, _>>(); hits.len()];
    for (candidate, scores) in candidates.iter().zip(scores) {
        table[candidate.hit_index] = scores;
    }
    Ok(table)
}

/// See [`super::make_pad`].
pub fn make_pad(
    kit: &Kit,
    pad: usize,
    source: (usize, usize),
    shape_as: ShapeAs,
    progress: &dyn Progress,
) -> Result<Pad> {
    let ShapeAs { role, fit, effort } = shape_as;
    let old = kit.doc.pads.get(pad).ok_or_else(|| Error::invalid(format!("there is no pad {}", pad + 1)))?;
    let hit = kit.doc.takes.get(source.0).and_then(|t| t.hits.get(source.1));
    hit.ok_or_else(|| Error::invalid(format!("pad {}: this hit is not there; choose another", pad + 1)))?;
    progress.check()?;
    let candidate = candidate(kit, source.0, source.1, Companions::of(kit))
        .ok_or_else(|| Error::invalid(format!("pad {}: this hit is silent; choose another", pad + 1)))?;
    // a target was given for a role
    let target = old.target.clone().filter(|_| old.role == role);
    let mut auditioner = Auditioner::with_drafts(kit, &drafts(kit));
    let by_recipe = effort <= 0.0;
    let shaping_options =
        ShapeOptions { by_recipe, for_now: by_recipe, effort, ..ShapeOptions::of(kit, fit, target.as_ref()) };
    let Shaped { pad: mut made, tuned_ct, .. } =
        shape(&mut auditioner, role, &[&candidate], &shaping_options, progress)?;
    let kick_lufs = balance::kick_lufs(&mut auditioner, kit, pad).unwrap_or(balance::KICK_LUFS);
    balance::level(&mut auditioner, &mut made, kick_lufs);
    let heard = auditioner.measure(&made);
    made.note = old.note;
    made.target = target.clone();
    made.settings.pan = old.settings.pan;
    let same = old.audition.as_ref().filter(|a| (a.take, a.hit) == source && old.role == role);
    if let (Some(_), Some(first)) = (same, old.slices.first()) {
        made.slices[0].velocities = first.velocities;
        made.slices.extend(&old.slices[1..]);
        tails::begin_within_hits(&mut made, |take| f64::from(kit.doc.takes[take].sample_rate));
        if !by_recipe {
            // the tone chain is another one than that for which their gains were found
            alternates::even_alternates(&mut auditioner, &mut made);
        }
    }
    let mut report = Audition {
        take: source.0,
        hit: source.1,
        by_recipe,
        tuned_ct,
        next_best: same.map(|a| a.next_best.clone()).unwrap_or_default(),
        edit_summary: edit_summary::of(&made),
        ..Audition::default()
    };
    weakness::judge(&mut report, role, heard.as_ref());
    made.audition = Some(report);
    made.mend_percussion();
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

/// Groups of similar hits as indices of candidates, the loudest of each first: it has the best signal-to-noise
/// ratio.
fn alike(candidates: &[Candidate]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|&a, &b| {
        let peak = |i: usize| candidates[i].hit.description.peak_db;
        peak(b).total_cmp(&peak(a)).then(a.cmp(&b))
    });
    let features: Vec<_> = order.iter().map(|&i| Some(candidates[i].raw.clone())).collect();
    group::groups(&features).into_iter().map(|g| g.into_iter().map(|i| order[i]).collect()).collect()
}

/// Plays every hit in those of `roles` whose recipes differ most and scores the sounds: toms differ in pitch only, the
/// hats that do not ring in little, cymbals and open hats in length. Percussion stays as it is and is not played. Scores
/// of other roles may be missing.
fn audition(
    kit: &Kit,
    drafts: &[Arc<Take>],
    candidates: &[&Candidate],
    roles: &BTreeSet<Role>,
    progress: &dyn Progress,
) -> Result<Vec<BTreeMap<Role, f32>>> {
    let counter = Counter::new(progress, "auditioning hits", candidates.len());
    on_all_cores(kit, drafts, candidates.len(), |auditioner, i| {
        let mut scores =
            BTreeMap::from([(Role::Percussion, score::score(Role::Percussion, &candidates[i].raw))]);
        for (role, alike) in AUDITIONS {
            if !roles.contains(&role) && !alike.iter().any(|role| roles.contains(role)) {
                continue;
            }
            progress.check()?;
            let mut pad = recipe(role, &candidates[i].source());
            // the power of copies adds up like that of noise: fewer of them measure the same
            pad.cloud.copies = pad.cloud.copies.min(MAX_AUDITION_COPIES);
            let sound = auditioner.try_out(&pad);
            for role in std::iter::once(&role).chain(alike) {
                scores.insert(*role, sound.as_ref().map_or(0.0, |f| score::fitness(*role, f)));
            }
        }
        counter.one_done();
        Ok(scores)
    })
    .into_iter()
    .collect()
}

/// The roles that are played in an audition, and those whose scores are read from the same sound.
const AUDITIONS: [(Role, &[Role]); 8] = [
    (Role::Kick, &[]),
    (Role::Snare, &[]),
    (Role::Rim, &[]),
    (Role::Clap, &[]),
    (Role::ClosedHat, &[Role::PedalHat]),
    (Role::OpenHat, &[Role::Crash, Role::Ride]),
    (Role::Shaker, &[]),
    (Role::LowTom, &[Role::MiddleTom, Role::HighTom]),
];

/// Whether a hit can alternate with `leader` on a pad of this role: the alternates of a tuned pad have one pitch.
fn in_tune(role: Role, leader: &Candidate, other: &Candidate) -> bool {
    let pitch = |c: &Candidate| {
        let d = &c.hit.description;
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
    let mut others: Vec<usize> = (0..scores.len()).filter(|&i| i != leader).collect();
    others.sort_by(|&a, &b| scores[b][&role].total_cmp(&scores[a][&role]).then(a.cmp(&b)));
    let place = |i: usize| (leaders[i].take, leaders[i].hit_index, scores[i][&role]);
    let (take, hit, score) = place(leader);
    Audition {
        take,
        hit,
        score,
        next_best: others.into_iter().take(NEXT_BEST).map(place).collect(),
        edit_summary: edit_summary::of(pad),
        ..Audition::default()
    }
}
