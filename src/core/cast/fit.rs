//! Fitting: a search over the pad's settings, from the role's recipe towards the role's profile, while the
//! instrument stays recognisable.
//!
//! The optimiser is CMA-ES (Hansen and Ostermeier 2001; the `cmaes` crate), seeded and bounded in its number
//! of trials, so that the same hit gives the same pad. To play a trial takes longer than anything else, so each of its
//! trials is followed by one at the position that a model of all trials so far ([`LocalModel`]) expects to be the best: half
//! as many trials come as far (tests/SCORES.md). Its result consists of ordinary settings.

use super::{
    auditioner::{AUDITION_RATE, Auditioner},
    balance,
    controls::{Control, space},
    equalise,
    features::{COUNT, Features},
    group,
    local_model::LocalModel,
    objective::Objective,
    resonances,
};
use crate::{
    error::Result,
    kit::{Pad, Role},
    progress::Progress,
    units::{gain_to_db, power_to_db},
};
use cmaes::{CMAESOptions, DVector};

/// Number of trials for one pad; it bounds the time for a kit of sixteen. Toms converge soonest; hats are searched
/// once more after their resonances are dipped; of rims and claps two hits are searched; cymbals are long.
pub fn trials(role: Role) -> usize {
    match role {
        Role::LowTom | Role::MiddleTom | Role::HighTom => 25,
        Role::Crash | Role::Ride => 15,
        Role::PedalHat => 18,
        Role::ClosedHat | Role::OpenHat | Role::Clap => 30,
        Role::Rim => 32,
        _ => 40,
    }
}
/// Number of trials of the search after dips; more gain little (found by trial).
const REFINING_TRIALS: usize = 14;
/// Maximum number of copies in a trial. In a short dense cloud more copies cost time and hardly change the
/// measures; the bursts of a clap need all of theirs.
fn max_trial_copies(role: Role) -> u8 {
    match role {
        Role::ClosedHat | Role::PedalHat | Role::Snare => 10,
        Role::OpenHat => 12,
        Role::Crash | Role::Ride => 8,
        _ => u8::MAX,
    }
}
/// First guesses, each from the sound of the one before.
const GUESSES: usize = 2;
/// Number of best trials that are played again with all their copies; the best of them is chosen.
const FINALISTS: usize = 3;
/// First step of the search, as a share of each control's window.
const FIRST_STEP: f64 = 0.15;
/// Trials before the model is asked; its first step, its number of guesses, and what it costs to leave the best trial
/// by a quarter of a window (all found by trial).
const TRIALS_BEFORE_MODEL: usize = 8;
const MODEL_STEP: f64 = 0.08;
const MODEL_GUESSES: usize = 100;
const MODEL_DISTANCE: f64 = 0.05;
/// Weight of a decibel of distance from the raw hit: the instrument stays recognisable (found by trial).
const RAW_DISTANCE_WEIGHT: f32 = 0.02;
/// Weight of a decibel by which partials stand out of the noise of hats and shakers: a sound with fewer resonances
/// changes less when they are dipped. Twice the weight made open hats less recognisable (by trial).
const RESONANCES_WEIGHT: f32 = 0.0025;
/// Weight of a decibel of peak above what a snare's place in the balance allows: what a limiter would have to take away
/// afterwards (found by trial).
const CREST_WEIGHT: f32 = 0.2;
/// Penalty for leaving a window by its whole width; found by trial.
const OUTSIDE_PENALTY: f64 = 10.0;
/// Cost of a pad that makes no sound.
const SILENT_COST: f32 = 100.0;

/// Where a search begins.
#[derive(Clone, Copy)]
pub struct Start<'a> {
    /// A pad of the hit: by its role's recipe, or fitted.
    pub pad: &'a Pad,
    /// The measures of the hit as recorded.
    pub raw: &'a Features,
    /// Decides the search's draws.
    pub seed: u64,
    /// Share of the trials that are made, above 0 to 1.
    pub effort: f32,
}

impl Start<'_> {
    /// This start's share of so many trials, at least one.
    fn share_of(&self, trials: usize) -> usize {
        ((trials as f32 * self.effort).round() as usize).clamp(1, trials)
    }
}

/// The pad with its controls moved to where its cost by `objective` is lowest, and that cost.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn fitted(
    auditioner: &mut Auditioner,
    start: Start<'_>,
    objective: &Objective,
    progress: &dyn Progress,
) -> Result<(f32, Pad)> {
    let guess = first_guess(auditioner, &start, objective);
    let search = Search::new(&guess, objective, start.raw);
    search.best(auditioner, start.share_of(trials(start.pad.role)), start.seed, progress)
}

/// The pad with the EQ that its spectrum asks for, as long as that makes it better.
fn first_guess(auditioner: &mut Auditioner, start: &Start<'_>, objective: &Objective) -> Pad {
    let cost =
        |auditioner: &mut Auditioner, pad: &Pad| Search::new(pad, objective, start.raw).cost(auditioner, pad);
    let mut best = (cost(auditioner, start.pad), start.pad.clone());
    for _ in 0..GUESSES {
        let Some(sound) = auditioner.try_out(&best.1) else { break };
        let pad = equalise::equalised(&best.1, &sound, objective);
        let cost = cost(auditioner, &pad);
        if cost >= best.0 {
            break;
        }
        best = (cost, pad);
    }
    best.1
}

/// A fitted and dipped pad, searched again. Pitches and starts stay, so that the dips stay on their resonances.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn refined(
    auditioner: &mut Auditioner,
    start: Start<'_>,
    objective: &Objective,
    progress: &dyn Progress,
) -> Result<Pad> {
    let search = Search::in_place(start.pad, objective, start.raw);
    search.best(auditioner, start.share_of(REFINING_TRIALS), start.seed, progress).map(|(_, pad)| pad)
}

/// The controls to search and the objective.
pub struct Search<'a> {
    recipe: &'a Pad,
    objective: &'a Objective,
    raw: &'a Features,
    space: Vec<Control>,
}

impl<'a> Search<'a> {
    /// A search around `recipe`, a pad of the hit whose measures as recorded are `raw`.
    pub fn new(recipe: &'a Pad, objective: &'a Objective, raw: &'a Features) -> Self {
        Self { recipe, objective, raw, space: space(recipe, true) }
    }

    /// A search around a pad that leaves pitches and starts alone: dips stay on their resonances.
    fn in_place(pad: &'a Pad, objective: &'a Objective, raw: &'a Features) -> Self {
        Self { recipe: pad, objective, raw, space: space(pad, false) }
    }

    /// The recipe's position of each control in its window, 0 to 1.
    pub fn start(&self) -> Vec<f64> {
        self.space.iter().map(Control::position).collect()
    }

    /// The recipe with its controls at these positions (held to 0 to 1), and the penalty for positions outside of it.
    pub fn pad<'x>(&self, positions: impl Iterator<Item = &'x f64>) -> (Pad, f64) {
        let mut pad = self.recipe.clone();
        let mut outside = 0.0;
        for (control, &position) in self.space.iter().zip(positions) {
            control.apply(&mut pad, position);
            outside += (position - position.clamp(0.0, 1.0)).powi(2);
        }
        (pad, OUTSIDE_PENALTY * outside)
    }

    /// The best pad of so many trials, with its cost.
    fn best(
        &self,
        auditioner: &mut Auditioner,
        trials: usize,
        seed: u64,
        progress: &dyn Progress,
    ) -> Result<(f32, Pad)> {
        let mut best = (self.cost(auditioner, self.recipe), self.recipe.clone());
        let mut run = Run {
            search: self,
            auditioner,
            copies: max_trial_copies(self.recipe.role),
            left: trials,
            seed,
            model: LocalModel::default(),
            finalists: Vec::new(),
        };
        let try_out = |position: &DVector<f64>| {
            // a cancelled search runs out without playing anything
            if progress.cancelled() || run.left == 0 {
                return f64::MAX;
            }
            let cost = run.try_out(position);
            if run.left > 0 && run.model.len() >= TRIALS_BEFORE_MODEL {
                run.follow_model();
            }
            cost
        };
        let options = CMAESOptions::new(self.start(), FIRST_STEP).seed(seed).max_function_evals(trials);
        // the options are fixed and valid: a refusal would leave the recipe as it is
        if let Ok(mut run) = options.build(try_out) {
            run.run();
        }
        progress.check()?;
        let Run { copies, finalists, auditioner, .. } = run;
        for (tried, pad) in finalists {
            let cost = if pad.cloud.copies > copies { self.cost(auditioner, &pad) } else { tried };
            if cost < best.0 {
                best = (cost, pad);
            }
        }
        Ok(best)
    }

    /// Cost of a pad; the lower the better. [`SILENT_COST`] for silence.
    pub fn cost(&self, auditioner: &mut Auditioner, pad: &Pad) -> f32 {
        self.measures(auditioner, pad).map_or(SILENT_COST, |measures| self.cost_of(&measures))
    }

    /// What the cost of a pad is made of; `None` for silence.
    fn measures(&self, auditioner: &mut Auditioner, pad: &Pad) -> Option<Vec<f32>> {
        let sound = auditioner.sketch(pad);
        let mut row = Features::of(&sound, AUDITION_RATE)?.row();
        let penalised = self.penalises_resonances();
        row.push(if penalised { resonances::resonances_db(&sound, AUDITION_RATE) } else { 0.0 });
        row.push(self.crest_over_db(&sound));
        Some(row)
    }

    /// Cost of these measures: a row of features, then resonances and crest in dB.
    fn cost_of(&self, measures: &[f32]) -> f32 {
        let (row, &[tones_db, crest_db]) = measures.split_at(COUNT) else { return SILENT_COST };
        let Some(features) = Features::from_row(row) else { return SILENT_COST };
        self.objective.loss(&features)
            + RAW_DISTANCE_WEIGHT * group::distance_db(&features, self.raw)
            + RESONANCES_WEIGHT * tones_db.max(0.0)
            + CREST_WEIGHT * crest_db.max(0.0)
    }

    /// How far a snare's peak lies above what lets it be as loud beside the kick as it should be, dB; 0 below. Its
    /// loudness is that of 400 ms (ITU-R BS.1770-4) without the weighting of frequencies.
    fn crest_over_db(&self, sound: &[f32]) -> f32 {
        let role = self.recipe.role;
        if role != Role::Snare || !matches!(self.objective, Objective::Role(_)) {
            return 0.0;
        }
        let peak = sound.iter().fold(0.0f32, |a, x| a.max(x.abs()));
        let window = (0.4 * AUDITION_RATE) as usize;
        let energy: f32 = sound[..sound.len().min(window)].iter().map(|x| x * x).sum();
        // both channels carry the same
        let loudness_db = -0.691 + power_to_db((2.0 * energy / window as f32).max(1e-12));
        (gain_to_db(peak.max(1e-6)) - loudness_db - balance::max_crest_db(role)).max(0.0)
    }

    /// Whether resonances are penalised. A target sound may have resonances.
    fn penalises_resonances(&self) -> bool {
        matches!(self.objective, Objective::Role(role) if resonances::removes_resonances(*role))
    }
}

/// A search at work.
struct Run<'a, 'b> {
    search: &'a Search<'a>,
    auditioner: &'b mut Auditioner,
    /// Maximum number of copies in a trial.
    copies: u8,
    /// Trials that are left.
    left: usize,
    seed: u64,
    model: LocalModel,
    /// The best trials, lowest cost first: the cost as tried with reduced copies, and the pad with all its copies.
    finalists: Vec<(f32, Pad)>,
}

impl Run<'_, '_> {
    /// Plays the pad with its controls at this position; its cost, with the penalty for positions outside.
    fn try_out(&mut self, position: &DVector<f64>) -> f64 {
        self.left -= 1;
        let (pad, outside) = self.search.pad(position.iter());
        let mut tried = pad.clone();
        tried.cloud.copies = tried.cloud.copies.min(self.copies);
        let Some(measures) = self.search.measures(self.auditioner, &tried) else {
            return f64::from(SILENT_COST) + outside;
        };
        let cost = self.search.cost_of(&measures);
        let rank = self.finalists.partition_point(|(c, _)| *c <= cost);
        if rank < FINALISTS {
            self.finalists.insert(rank, (cost, pad));
            self.finalists.truncate(FINALISTS);
        }
        self.model.learn(position.map(|p| p.clamp(0.0, 1.0)), measures, cost);
        f64::from(cost) + outside
    }

    /// Tries the position near the best trial at which the model expects the lowest cost.
    fn follow_model(&mut self) {
        let Some(local) = self.model.around_best() else { return };
        let mut found: Option<(f64, DVector<f64>)> = None;
        let guess = |position: &DVector<f64>| {
            let held = position.map(|p| p.clamp(0.0, 1.0));
            let outside = (position - &held).norm_squared() * OUTSIDE_PENALTY;
            let far = (&held - local.centre()).norm_squared() / (0.25 * 0.25);
            let cost = f64::from(self.search.cost_of(&local.measures(&held)));
            let cost = cost + outside + MODEL_DISTANCE * far;
            if found.as_ref().is_none_or(|(least, _)| cost < *least) {
                found = Some((cost, held));
            }
            cost
        };
        let options = CMAESOptions::new(local.centre().clone(), MODEL_STEP)
            .seed(self.seed ^ self.left as u64)
            .max_function_evals(MODEL_GUESSES);
        if let Ok(mut run) = options.build(guess) {
            run.run();
        }
        if let Some((_, position)) = found {
            self.try_out(&position);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        cast::{
            companions::Companions,
            recipe::{Source, recipe},
            test_signal::plucked,
        },
        kit::Kit,
        progress::Quiet,
    };

    fn by_recipe(role: Role, kit: &Kit, raw: &Features) -> Pad {
        recipe(
            role,
            &Source {
                take: 0,
                rate: AUDITION_RATE,
                hit: &kit.doc.takes[0].hits[0],
                raw,
                companions: Companions::default(),
            },
        )
    }

    /// A tail is noise, without the tones that these tests are about.
    fn without_tails(mut pad: Pad) -> Pad {
        pad.layers.iter_mut().for_each(|layer| layer.settings.tail_ms = 0.0);
        pad
    }

    /// Dips against the tones of plucks cost an open hat some of its lows; a second search regains a little of that and
    /// loses nothing.
    #[test]
    fn refining_lowers_the_loss_after_dips_and_keeps_pitches_and_starts() {
        let objective = Objective::of(Role::OpenHat, None);
        let mut regained = 0.0;
        for hz in [440.0, 523.0, 622.0, 740.0] {
            let (kit, raw) = plucked(hz, 4.0);
            let mut auditioner = Auditioner::new(&kit);
            let recipe = without_tails(by_recipe(Role::OpenHat, &kit, &raw));
            let start = |pad| Start { pad, raw: &raw, seed: 3, effort: 1.0 };
            let (_, fitted) = fitted(&mut auditioner, start(&recipe), &objective, &Quiet).unwrap();
            let dipped = resonances::without_resonances(&mut auditioner, &fitted, &Quiet).unwrap();
            assert!(!dipped.tone.dips.is_empty(), "a pluck of {hz} Hz has tones");
            let refined = refined(&mut auditioner, start(&dipped), &objective, &Quiet).unwrap();
            let mut loss = |pad: &Pad| objective.loss(&auditioner.try_out(pad).unwrap());
            let [with_dips, made_up] = [&dipped, &refined].map(&mut loss);
            assert!(made_up <= with_dips + 0.05, "{hz} Hz: {with_dips:.2} with dips, {made_up:.2} refined");
            regained += with_dips - made_up;
            assert_eq!(refined.tone.dips, dipped.tone.dips);
            assert_eq!(refined.cloud.pitch_st, dipped.cloud.pitch_st);
            for (a, b) in refined.layers.iter().zip(&dipped.layers) {
                let pitch_and_start = |l: &crate::kit::Layer| (l.settings.pitch_st, l.settings.start_ms);
                assert_eq!(pitch_and_start(a), pitch_and_start(b));
            }
        }
        assert!(regained > 0.2, "{regained:.2} regained in all");
    }

    #[test]
    fn resonances_add_to_the_cost_of_hats_and_shakers_only() {
        let (kit, raw) = plucked(220.0, 4.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut extra = |role: Role, objective: Objective| {
            let pad = without_tails(by_recipe(role, &kit, &raw));
            let sound = auditioner.sketch(&pad);
            let heard = Features::of(&sound, AUDITION_RATE).unwrap();
            let rest = objective.loss(&heard) + RAW_DISTANCE_WEIGHT * group::distance_db(&heard, &raw);
            (
                Search::new(&pad, &objective, &raw).cost(&mut auditioner, &pad) - rest,
                resonances::resonances_db(&sound, AUDITION_RATE),
            )
        };
        for role in [Role::ClosedHat, Role::OpenHat, Role::Shaker] {
            let (cost, resonances_db) = extra(role, Objective::Role(role));
            assert!(resonances_db > 50.0, "a plucked {role:?} rings: {resonances_db:.1} dB");
            assert!(
                (cost - RESONANCES_WEIGHT * resonances_db).abs() < 1e-4,
                "{role:?}: {cost} for {resonances_db:.1} dB"
            );
            // a sound of the player's may ring
            let target = Objective::Sound(Box::new(raw.clone()));
            assert!(extra(role, target).0.abs() < 1e-4, "{role:?} towards a sound");
        }
        for role in [Role::Kick, Role::Rim, Role::LowTom] {
            assert!(extra(role, Objective::Role(role)).0.abs() < 1e-4, "{role:?}");
        }
    }

    #[test]
    fn a_snare_costs_what_its_peak_is_too_high_for_its_place_and_a_target_does_not() {
        let (kit, raw) = plucked(220.0, 4.0);
        let pad = by_recipe(Role::Snare, &kit, &raw);
        let objective = Objective::Role(Role::Snare);
        let search = Search::new(&pad, &objective, &raw);
        // 20 ms of noise-like square wave: its peak stands 13 dB over its level in 400 ms
        let mut click = vec![0.0f32; 19_200];
        click[..960].iter_mut().enumerate().for_each(|(i, x)| *x = if i % 7 < 3 { 0.5 } else { -0.5 });
        let crest_db = 10.0 * 20f32.log10() + 0.691 - 3.01;
        let over_db = crest_db - balance::max_crest_db(Role::Snare);
        let is = search.crest_over_db(&click);
        assert!((is - over_db.max(0.0)).abs() < 0.05, "{is} instead of {over_db}");
        let alone = vec![0.5f32; 1];
        assert!(search.crest_over_db(&alone) > 20.0, "a single sample is all peak");
        let target = Objective::Sound(Box::new(raw.clone()));
        assert_eq!(Search::new(&pad, &target, &raw).crest_over_db(&alone), 0.0);
        let kick = by_recipe(Role::Kick, &kit, &raw);
        assert_eq!(Search::new(&kick, &objective, &raw).crest_over_db(&alone), 0.0);
    }
}
