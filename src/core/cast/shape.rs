//! One pad from the best of some hits: the role's recipe, the search, the removal of resonances and the tuning.

use super::{
    auditioner::{AUDITION_RATE, Auditioner},
    balance,
    candidate::Candidate,
    casting, chance, cohesion,
    companions::Companions,
    fit, morph,
    objective::Objective,
    onset_delay,
    recipe::{Source, recipe},
    resonances,
    tune::{self, HitPitch},
};
use crate::{
    error::Result,
    kit::{Key, Kit, Pad, Role, Slice, Target},
    progress::Progress,
};

/// When dips raise the loss by more than this, the other controls are searched again; in units of [`Objective::loss`]
/// (our choice: a small part of a hat's loss).
const DIPS_COST: f32 = 0.05;
/// Between hits for one pad, what a decibel of a tone that stands out of a shaker's noise costs beside the search: eight dips
/// are not enough for a hit that is all tones (found by trial).
const TONES_WEIGHT: f32 = 0.005;
/// A cost of fitting above which further hits are tried where a role has some (found by trial).
const WEAK: f32 = 3.0;
/// Largest further gain reduction of the last limiter after a pad follows velocity, dB (our choice).
const HELD_AGAIN_DB: f32 = 2.0;
/// Pads of one choke group: the hats.
const HAT_GROUP: u8 = 1;

/// How pads are shaped.
pub struct ShapeOptions<'a> {
    /// How far from the raw hit (0) to the role (1).
    pub fit: f32,
    /// A sound that takes the place of the role's profile.
    pub target: Option<&'a Target>,
    /// Pads with a pitch are tuned to this key.
    pub key: Option<Key>,
    /// The kick is tuned as well.
    pub tune_kick: bool,
    /// The recipe alone: nothing is searched.
    pub by_recipe: bool,
    /// The pad is heard for some seconds only, until another takes its place: nothing is measured either.
    pub for_now: bool,
    /// Share of the trials of each search, above 0 to 1.
    pub effort: f32,
}

impl<'a> ShapeOptions<'a> {
    /// As `kit` says, with this fit and target.
    pub fn of(kit: &Kit, fit: f32, target: Option<&'a Target>) -> Self {
        Self {
            fit,
            target,
            key: kit.doc.key,
            tune_kick: kit.doc.tune_kick,
            by_recipe: false,
            for_now: false,
            effort: 1.0,
        }
    }
}

/// A pad made of the best of some hits.
pub struct Shaped {
    /// Index of that hit among them.
    pub best: usize,
    /// Note, level and alternates are not set.
    pub pad: Pad,
    /// How far tuning has moved its pitch, cents; `None` when it was not tuned.
    pub tuned_ct: Option<f32>,
}

/// The pad that the best of some hits makes in a role: fitted, tuned, and following velocity. The first hit is taken
/// where nothing is searched; hits that the role does not always try are left out once one before serves well.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
///
/// # Panics
/// When there are no hits.
pub fn shape(
    auditioner: &mut Auditioner,
    role: Role,
    hits: &[&Candidate],
    options: &ShapeOptions<'_>,
    progress: &dyn Progress,
) -> Result<Shaped> {
    let (mut best, mut shaped) = (0, made_of(hits[0], role, options));
    // percussion is not fitted, and at fit 0 nothing of the search is heard
    let fits = (role != Role::Percussion || options.target.is_some()) && options.fit > 0.0;
    if fits && !options.by_recipe {
        let objective = Objective::of(role, options.target);
        (best, shaped) = best_of(auditioner, (role, options), hits, &objective, progress)?;
        if resonances::removes_resonances(role) {
            let loss = |auditioner: &mut Auditioner, pad: &Pad| {
                auditioner.try_out(pad).map_or(f32::MAX, |f| objective.loss(&f))
            };
            let before = loss(auditioner, &shaped);
            shaped = resonances::without_resonances(auditioner, &shaped, progress)?;
            if loss(auditioner, &shaped) > before + DIPS_COST {
                let start = fit::Start { effort: options.effort, ..hits[best].start(&shaped) };
                shaped = fit::refined(auditioner, start, &objective, progress)?;
            }
        }
    }
    let candidate = hits[best];
    let mut pad = morph::at(&shaped, options.fit);
    if options.for_now {
        cohesion::fall_as_without_chain(&mut pad);
    } else {
        chance::hold_starts(&mut pad);
        // dips are for the tones of one draw
        if pad.tone.dips.is_empty() {
            chance::calm(auditioner, &mut pad);
        }
        // what is not fitted keeps its sound, but percussion is in time as well
        fit_into_kit(auditioner, &mut pad, fits || role == Role::Percussion);
    }
    let mut tuned_ct = None;
    if let Some(key) = options.key.filter(|_| tune::has_pitch(role, options.tune_kick)) {
        let d = &candidate.hit.description;
        let ring_hz = |slice: &Slice| candidate.companions.ring.filter(|r| r.slice == *slice).map(|r| r.hz);
        let pitch = HitPitch { hz: d.pitch_hz, confidence: d.pitch_confidence, of_slice: &ring_hz };
        tuned_ct = tune::tune(auditioner, &mut pad, key, &pitch);
    }
    if tuned_ct.is_none() && !options.for_now {
        cohesion::lower_soft_strokes(auditioner, &mut pad);
    }
    if role.is_hat() {
        pad.settings.choke_group = HAT_GROUP;
    }
    Ok(Shaped { best, pad, tuned_ct })
}

/// The pad that the recipe of a role makes of a hit. One that is tuned has one pitch: no hit of another pitch rings along,
/// where its own has one.
fn made_of(hit: &Candidate, role: Role, options: &ShapeOptions<'_>) -> Pad {
    let tuned = options.key.is_some() && tune::has_pitch(role, options.tune_kick);
    let certain = hit.hit.description.pitch_confidence >= tune::MIN_CONFIDENCE;
    let source = hit.source();
    let ring = source.companions.ring.filter(|_| !(tuned && certain));
    let mut pad = recipe(role, &Source { companions: Companions { ring }, ..source });
    if tuned && certain {
        // a tail of tones is noise around them: its strongest one is any
        pad.layers.iter_mut().for_each(|layer| layer.settings.tail_ms = 0.0);
    }
    pad
}

/// The best of some hits for a role, as its index and the fitted pad; each is searched towards the objective.
fn best_of(
    auditioner: &mut Auditioner,
    (role, options): (Role, &ShapeOptions<'_>),
    hits: &[&Candidate],
    objective: &Objective,
    progress: &dyn Progress,
) -> Result<(usize, Pad)> {
    let mut found = (0, made_of(hits[0], role, options));
    let mut least = f32::INFINITY;
    let always = casting::tries(role).always;
    for (i, hit) in hits.iter().enumerate() {
        if i >= always && least <= WEAK {
            break;
        }
        let recipe = made_of(hit, role, options);
        let start = fit::Start { effort: options.effort, ..hit.start(&recipe) };
        let (mut cost, pad) = fit::fitted(auditioner, start, objective, progress)?;
        if resonances::removes_resonances(role) && hits.len() > 1 {
            cost += TONES_WEIGHT * resonances::resonances_db(&auditioner.sketch(&pad), AUDITION_RATE);
        }
        if cost < least {
            least = cost;
            found = (i, pad);
        }
    }
    Ok(found)
}

/// Makes a shaped pad one of a kit: in mono, in its peak, `in_time` and in its fall with velocity.
fn fit_into_kit(auditioner: &mut Auditioner, pad: &mut Pad, in_time: bool) {
    let crest_db = balance::max_crest_db(pad.role);
    cohesion::keep_in_mono(auditioner, pad);
    cohesion::hold_peak(auditioner, pad, crest_db, cohesion::max_held_db(pad.role));
    if in_time {
        onset_delay::reduce_onset_delay(auditioner, pad);
    }
    cohesion::follow_velocity(auditioner, pad);
    // a pad that follows velocity may be darker, and a dark snare softer below the same peak
    if cohesion::hold_peak(auditioner, pad, crest_db, HELD_AGAIN_DB) > 0.0 {
        cohesion::follow_velocity(auditioner, pad);
    }
    if in_time {
        // a darker pad may reach its level later
        onset_delay::reduce_onset_delay(auditioner, pad);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        cast::{features::Features, test_signal::plucked},
        progress::Quiet,
    };

    const OPTIONS: ShapeOptions<'_> = ShapeOptions {
        fit: 1.0,
        target: None,
        key: None,
        tune_kick: false,
        by_recipe: false,
        for_now: false,
        effort: 1.0,
    };

    fn candidate(kit: &Kit, take: usize, raw: Features) -> Candidate {
        Candidate {
            take,
            rate: AUDITION_RATE,
            hit_index: 0,
            hit: kit.doc.takes[take].hits[0].clone(),
            raw,
            companions: Companions::default(),
        }
    }

    #[test]
    fn the_hit_with_the_lower_cost_is_chosen_in_any_order() {
        let (mut kit, ringing) = plucked(147.0, 1.0);
        let (other, muted) = plucked(147.0, 120.0);
        kit.takes.extend(other.takes);
        kit.doc.takes.extend(other.doc.takes);
        let mut auditioner = Auditioner::new(&kit);
        let hits = [candidate(&kit, 0, ringing), candidate(&kit, 1, muted)];
        let mut made = |order: &[usize]| {
            let hits: Vec<&Candidate> = order.iter().map(|&i| &hits[i]).collect();
            let made = shape(&mut auditioner, Role::Clap, &hits, &OPTIONS, &Quiet).unwrap();
            (made.best, made.pad)
        };
        let (first, second) = (made(&[0]).1, made(&[1]).1);
        let (there, back) = (made(&[0, 1]), made(&[1, 0]));
        assert_eq!(there.0, 1 - back.0);
        assert_eq!(there.1, back.1);
        assert!(there.1 == if there.0 == 0 { first } else { second });
        let costs = hits.each_ref().map(|hit| {
            let recipe = recipe(Role::Clap, &hit.source());
            fit::fitted(&mut auditioner, hit.start(&recipe), &Objective::of(Role::Clap, None), &Quiet)
                .unwrap()
                .0
        });
        assert_eq!(there.0, usize::from(costs[1] < costs[0]), "{costs:?}");
    }

    #[test]
    fn a_snare_is_made_of_another_hit_only_where_the_first_serves_badly() {
        // a tone so high and long has no body
        let (mut kit, high) = plucked(1760.0, 0.5);
        let (other, muted) = plucked(196.0, 40.0);
        kit.takes.extend(other.takes);
        kit.doc.takes.extend(other.doc.takes);
        let mut auditioner = Auditioner::new(&kit);
        let hits = [candidate(&kit, 0, high), candidate(&kit, 1, muted)];
        let costs = hits.each_ref().map(|hit| {
            let recipe = recipe(Role::Snare, &hit.source());
            fit::fitted(&mut auditioner, hit.start(&recipe), &Objective::of(Role::Snare, None), &Quiet)
                .unwrap()
                .0
        });
        for order in [[0, 1], [1, 0]] {
            let tried: Vec<&Candidate> = order.iter().map(|&i| &hits[i]).collect();
            let made = shape(&mut auditioner, Role::Snare, &tried, &OPTIONS, &Quiet).unwrap();
            let [first, second] = order.map(|i| costs[i]);
            println!("costs {first:.2} and {second:.2}: {}", made.best);
            assert_eq!(made.best, usize::from(first > WEAK && second < first), "{costs:?}");
        }
        assert!(costs.iter().any(|c| *c > WEAK), "one of them has to serve badly: {costs:?}");
    }

    #[test]
    fn a_hat_that_loses_by_its_dips_is_searched_again() {
        let objective = Objective::of(Role::ClosedHat, None);
        let mut tried = Vec::new();
        // a tone whose dips cost something: which one does depends on where the search ends
        for hz in [1175.0, 1319.0, 1568.0, 1760.0, 2093.0, 2637.0, 3136.0] {
            let (kit, raw) = plucked(hz, 4.0);
            let mut auditioner = Auditioner::new(&kit);
            let hit = candidate(&kit, 0, raw);
            let recipe = recipe(Role::ClosedHat, &hit.source());
            let (_, fitted) = fit::fitted(&mut auditioner, hit.start(&recipe), &objective, &Quiet).unwrap();
            let dipped = resonances::without_resonances(&mut auditioner, &fitted, &Quiet).unwrap();
            let mut loss = |pad: &Pad| objective.loss(&auditioner.try_out(pad).unwrap());
            let [fitted, with_dips] = [&fitted, &dipped].map(&mut loss);
            tried.push(format!("{hz} Hz: {fitted:.2} fitted, {with_dips:.2} with dips"));
            if with_dips > fitted + DIPS_COST {
                let made = shape(&mut auditioner, Role::ClosedHat, &[&hit], &OPTIONS, &Quiet).unwrap().pad;
                let made = objective.loss(&auditioner.try_out(&made).unwrap());
                assert!(made < with_dips - DIPS_COST, "{tried:?}, {made:.2} at the end");
                return;
            }
        }
        panic!("dips cost nothing anywhere: {tried:?}");
    }
}
