//! Fitting: a search over the pad's settings, from the role's recipe towards the role's profile, while the
//! instrument stays recognisable.
//!
//! The optimiser is CMA-ES (Hansen and Ostermeier 2001; the `cmaes` crate), seeded and bounded in its number
//! of trials, so that the same hit gives the same pad. Its result consists of ordinary settings.

use super::{
    auditioner::{AUDITION_RATE, Auditioner},
    balance, equalise,
    features::Features,
    group,
    objective::Objective,
    resonances,
};
use crate::{
    error::Result,
    kit::{LAYER, Pad, Role},
    progress::Progress,
    settings::setting,
    units::{gain_to_db, power_to_db},
};
use cmaes::{CMAESOptions, DVector};

/// Number of trials for one pad; it bounds the time for a kit of sixteen. Toms converge soonest; hats are searched
/// once more after their resonances are dipped; of rims and claps two hits are searched; cymbals are long.
pub fn trials(role: Role) -> usize {
    match role {
        Role::LowTom | Role::MiddleTom | Role::HighTom => 50,
        Role::Crash | Role::Ride | Role::PedalHat => 30,
        Role::ClosedHat | Role::OpenHat | Role::Rim | Role::Clap => 60,
        _ => 80,
    }
}
/// Number of trials of the search after dips; more gain little (found by trial).
const REFINING_TRIALS: usize = 25;
/// Maximum number of copies in a trial. In a short dense cloud more copies cost time and hardly change the
/// measures; the bursts of a clap and the tail of an open hat need all of theirs.
fn max_trial_copies(role: Role) -> u8 {
    match role {
        Role::ClosedHat | Role::PedalHat | Role::Snare => 10,
        Role::OpenHat | Role::Crash | Role::Ride => 24,
        _ => u8::MAX,
    }
}
/// Number of layers of which every control is searched; of the others level and decay are.
const MAIN_LAYERS: usize = 2;
/// First guesses, each from the sound of the one before.
const GUESSES: usize = 2;
/// Number of best trials that are played again with all their copies; the best of them is chosen.
const FINALISTS: usize = 6;
/// First step of the search, as a share of each control's window.
const FIRST_STEP: f64 = 0.15;
/// Weight of a decibel of distance from the raw hit: the instrument stays recognisable (found by trial).
const RAW_DISTANCE: f32 = 0.02;
/// Weight of a decibel by which partials stand out of the noise of hats and shakers: a sound with fewer resonances
/// changes less when they are dipped. Twice the weight made open hats less recognisable (by trial).
const RESONANCES: f32 = 0.0025;
/// Weight of a decibel of peak above what a snare's place in the balance allows: what a limiter would have to take away
/// afterwards (found by trial).
const CREST: f32 = 0.2;
/// Penalty for leaving a window by its whole width; found by trial.
const OUTSIDE: f64 = 10.0;
/// Cost of a pad that makes no sound.
const SILENT: f32 = 100.0;

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

    /// The recipe's place of each control in its window, 0 to 1.
    pub fn start(&self) -> Vec<f64> {
        self.space.iter().map(Control::travel).collect()
    }

    /// The recipe with its controls at these places (held to 0 to 1), and the penalty for places outside of it.
    pub fn pad<'x>(&self, places: impl Iterator<Item = &'x f64>) -> (Pad, f64) {
        let mut pad = self.recipe.clone();
        let mut outside = 0.0;
        for (control, &t) in self.space.iter().zip(places) {
            control.apply(&mut pad, t);
            outside += (t - t.clamp(0.0, 1.0)).powi(2);
        }
        (pad, OUTSIDE * outside)
    }

    /// The best pad of so many trials, with its cost.
    fn best(
        &self,
        auditioner: &mut Auditioner,
        trials: usize,
        seed: u64,
        progress: &dyn Progress,
    ) -> Result<(f32, Pad)> {
        let copies = max_trial_copies(self.recipe.role);
        let mut best = (self.cost(auditioner, self.recipe), self.recipe.clone());
        let mut finalists: Vec<(f32, Pad)> = Vec::new();
        let try_out = |x: &DVector<f64>| {
            // a cancelled search runs out without playing anything
            if progress.cancelled() {
                return f64::MAX;
            }
            let (pad, outside) = self.pad(x.iter());
            let mut tried = pad.clone();
            tried.cloud.copies = tried.cloud.copies.min(copies);
            let cost = self.cost(auditioner, &tried);
            let place = finalists.partition_point(|(c, _)| *c <= cost);
            if place < FINALISTS {
                finalists.insert(place, (cost, pad));
                finalists.truncate(FINALISTS);
            }
            f64::from(cost) + outside
        };
        let options = CMAESOptions::new(self.start(), FIRST_STEP).seed(seed).max_function_evals(trials);
        // the options are fixed and valid: a refusal would leave the recipe as it is
        if let Ok(mut run) = options.build(try_out) {
            run.run();
        }
        progress.check()?;
        for (tried, pad) in finalists {
            let cost = if pad.cloud.copies > copies { self.cost(auditioner, &pad) } else { tried };
            if cost < best.0 {
                best = (cost, pad);
            }
        }
        Ok(best)
    }

    /// Cost of a pad; the lower the better. [`SILENT`] for silence.
    pub fn cost(&self, auditioner: &mut Auditioner, pad: &Pad) -> f32 {
        let sound = auditioner.sketch(pad);
        let Some(features) = Features::of(&sound, AUDITION_RATE) else { return SILENT };
        let tones = if self.penalises_resonances() {
            RESONANCES * resonances::resonances_db(&sound, AUDITION_RATE)
        } else {
            0.0
        };
        self.objective.loss(&features)
            + RAW_DISTANCE * group::distance_db(&features, self.raw)
            + tones
            + CREST * self.crest_over_db(&sound)
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

type Set = Box<dyn Fn(&mut Pad, f32)>;

/// One control and the window in which it is searched.
struct Control {
    low: f32,
    high: f32,
    logarithmic: bool,
    value: f32,
    set: Set,
}

impl Control {
    /// The recipe's place in the window, 0 to 1.
    fn travel(&self) -> f64 {
        let t = if self.logarithmic {
            (self.value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (self.value - self.low) / (self.high - self.low)
        };
        f64::from(t.clamp(0.0, 1.0))
    }

    fn apply(&self, pad: &mut Pad, travel: f64) {
        let t = travel.clamp(0.0, 1.0) as f32;
        let value = if self.logarithmic {
            self.low * (self.high / self.low).powf(t)
        } else {
            self.low + (self.high - self.low) * t
        };
        (self.set)(pad, value.clamp(self.low, self.high));
    }
}

/// Controls that are searched, with their windows around the pad's values; pitches and starts only with `shift`.
fn space(pad: &Pad, shift: bool) -> Vec<Control> {
    let mut all = Vec::new();
    for i in 0..pad.layers.len() {
        layer(pad, i, shift, &mut all);
    }
    cloud(pad, shift, &mut all);
    tone(pad, &mut all);
    all
}

fn layer(pad: &Pad, i: usize, shift: bool, all: &mut Vec<Control>) {
    let s = &pad.layers[i].settings;
    if i >= MAIN_LAYERS {
        // so few trials find their way among so many controls only
        linear(all, s.level_db, [s.level_db - 8.0, s.level_db + 6.0], move |p, v| {
            p.layers[i].settings.level_db = v
        });
        scaled(all, s.decay_ms, 1.6, [3.0, 2000.0], move |p, v| p.layers[i].settings.decay_ms = v);
        return;
    }
    if shift {
        linear(all, s.start_ms, [0.0, s.start_ms + 25.0], move |p, v| p.layers[i].settings.start_ms = v);
        let allowed = setting(&LAYER, "pitch_st");
        let pitch = [(s.pitch_st - 6.0).max(allowed.min), (s.pitch_st + 6.0).min(allowed.max)];
        linear(all, s.pitch_st, pitch, move |p, v| p.layers[i].settings.pitch_st = v);
    }
    scaled(all, s.decay_ms, 3.0, [3.0, 2000.0], move |p, v| p.layers[i].settings.decay_ms = v);
    linear(all, s.decay_curve, [0.2, 1.0], move |p, v| p.layers[i].settings.decay_curve = v);
    if s.drop_st > 0.0 {
        linear(all, s.drop_st, [0.0, 18.0], move |p, v| p.layers[i].settings.drop_st = v);
    }
    if s.attack_ms > 0.0 {
        linear(all, s.attack_ms, [0.7 * s.attack_ms, 2.0 * s.attack_ms], move |p, v| {
            p.layers[i].settings.attack_ms = v
        });
    }
    if s.low_cut_hz > 20.0 {
        scaled(all, s.low_cut_hz, 2.0, [20.0, 12_000.0], move |p, v| p.layers[i].settings.low_cut_hz = v);
    }
    if s.high_cut_hz < 20_000.0 {
        scaled(all, s.high_cut_hz, 2.5, [150.0, 18_000.0], move |p, v| p.layers[i].settings.high_cut_hz = v);
    }
    if i > 0 {
        linear(all, s.level_db, [-24.0, 12.0], move |p, v| p.layers[i].settings.level_db = v);
    } else {
        linear(all, s.hold_ms, [0.0, 2.0 * s.hold_ms + 6.0], move |p, v| p.layers[i].settings.hold_ms = v);
    }
}

fn cloud(pad: &Pad, shift: bool, all: &mut Vec<Control>) {
    let c = &pad.cloud;
    if c.copies == 0 {
        return;
    }
    linear(all, c.cloud_db, [(c.cloud_db - 14.0).max(-40.0), (c.cloud_db + 8.0).min(9.0)], |p, v| {
        p.cloud.cloud_db = v
    });
    scaled(all, c.spread_ms, 2.5, [2.0, 1000.0], |p, v| p.cloud.spread_ms = v);
    if c.fall_db > 0.0 {
        linear(all, c.fall_db, [0.4 * c.fall_db, 1.6 * c.fall_db], |p, v| p.cloud.fall_db = v);
    }
    if shift {
        linear(all, c.pitch_st, [0.5, 12.0], |p, v| p.cloud.pitch_st = v);
    }
    // a recipe without diffusion wants none: it would add a tail
    if c.diffusion > 0.0 {
        linear(all, c.diffusion, [0.0, 1.0], |p, v| p.cloud.diffusion = v);
    }
}

fn tone(pad: &Pad, all: &mut Vec<Control>) {
    let t = &pad.tone;
    if t.low_cut.on {
        scaled(all, t.low_cut.hz, 2.0, [20.0, 12_000.0], |p, v| p.tone.low_cut.hz = v);
    }
    if t.high_cut.on {
        scaled(all, t.high_cut.hz, 2.0, [300.0, 18_000.0], |p, v| p.tone.high_cut.hz = v);
    }
    for (b, band) in t.bands.iter().enumerate().filter(|(_, b)| b.on) {
        linear(all, band.gain_db, [-18.0, 18.0], move |p, v| p.tone.bands[b].gain_db = v);
        scaled(all, band.hz, 1.6, [40.0, 14_000.0], move |p, v| p.tone.bands[b].hz = v);
    }
    linear(all, t.tilt_db, [-6.0, 6.0], |p, v| p.tone.tilt_db = v);
    if t.saturation.on {
        linear(all, t.saturation.drive_db, [0.0, 26.0], |p, v| p.tone.saturation.drive_db = v);
        linear(all, t.saturation.mix, [0.0, 1.0], |p, v| p.tone.saturation.mix = v);
    }
    if t.punch.on {
        scaled(all, t.punch.ratio, 2.5, [1.0, 10.0], |p, v| p.tone.punch.ratio = v);
    }
}

fn linear(all: &mut Vec<Control>, value: f32, [low, high]: [f32; 2], set: impl Fn(&mut Pad, f32) + 'static) {
    all.push(Control { low, high, logarithmic: false, value, set: Box::new(set) });
}

/// A logarithmic control searched from `1 / factor` of its value to `factor` times it, within the window.
fn scaled(
    all: &mut Vec<Control>,
    value: f32,
    factor: f32,
    [least, most]: [f32; 2],
    set: impl Fn(&mut Pad, f32) + 'static,
) {
    let low = (value / factor).max(least).min(most / 1.01);
    let high = (value * factor).min(most).max(low * 1.01);
    all.push(Control { low, high, logarithmic: true, value, set: Box::new(set) });
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

    #[test]
    fn refining_lowers_the_loss_after_dips_and_keeps_pitches_and_starts() {
        let objective = Objective::of(Role::OpenHat, None);
        let mut tried = Vec::new();
        // a tone whose dips cost something: which one does depends on where the search ends
        for hz in [440.0, 523.0, 622.0, 740.0, 880.0, 1047.0] {
            let (kit, raw) = plucked(hz, 4.0);
            let mut auditioner = Auditioner::new(&kit);
            let recipe = by_recipe(Role::OpenHat, &kit, &raw);
            let start = |pad| Start { pad, raw: &raw, seed: 3, effort: 1.0 };
            let (_, fitted) = fitted(&mut auditioner, start(&recipe), &objective, &Quiet).unwrap();
            let dipped = resonances::without_resonances(&mut auditioner, &fitted, &Quiet).unwrap();
            let mut loss = |pad: &Pad| objective.loss(&auditioner.try_out(pad).unwrap());
            let [plain, with_dips] = [&fitted, &dipped].map(&mut loss);
            tried.push(format!("{hz} Hz: {plain:.2} fitted, {with_dips:.2} with dips"));
            if with_dips <= plain + 0.05 {
                continue;
            }
            let refined = refined(&mut auditioner, start(&dipped), &objective, &Quiet).unwrap();
            let made_up = objective.loss(&auditioner.try_out(&refined).unwrap());
            assert!(made_up < plain + 0.5 * (with_dips - plain), "{tried:?}, {made_up:.2} refined");
            assert_eq!(refined.tone.dips, dipped.tone.dips);
            assert_eq!(refined.cloud.pitch_st, dipped.cloud.pitch_st);
            for (a, b) in refined.layers.iter().zip(&dipped.layers) {
                let place = |l: &crate::kit::Layer| (l.settings.pitch_st, l.settings.start_ms);
                assert_eq!(place(a), place(b));
            }
            return;
        }
        panic!("dips cost nothing anywhere: {tried:?}");
    }

    #[test]
    fn resonances_add_to_the_cost_of_hats_and_shakers_only() {
        let (kit, raw) = plucked(220.0, 4.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut extra = |role: Role, objective: Objective| {
            let pad = by_recipe(role, &kit, &raw);
            let sound = auditioner.sketch(&pad);
            let heard = Features::of(&sound, AUDITION_RATE).unwrap();
            let rest = objective.loss(&heard) + RAW_DISTANCE * group::distance_db(&heard, &raw);
            (
                Search::new(&pad, &objective, &raw).cost(&mut auditioner, &pad) - rest,
                resonances::resonances_db(&sound, AUDITION_RATE),
            )
        };
        for role in [Role::ClosedHat, Role::OpenHat, Role::Shaker] {
            let (cost, resonances_db) = extra(role, Objective::Role(role));
            assert!(resonances_db > 50.0, "a plucked {role:?} rings: {resonances_db:.1} dB");
            assert!(
                (cost - RESONANCES * resonances_db).abs() < 1e-4,
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
