//! Fitting: a search over the pad's real controls, from the role's recipe towards what is typical of the
//! role while the hit can still be told.
//!
//! The optimiser is CMA-ES (Hansen and Ostermeier 2001; the `cmaes` crate), seeded and bounded in its number
//! of trials, so that the same hit gives the same pad. What it finds are ordinary settings.

use super::{aim::Aim, audition::Stage, features::Features, group};
use crate::{
    error::Result,
    kit::{Pad, Role},
    progress::Progress,
};
use cmaes::{CMAESOptions, DVector};

/// Trials for one pad: what keeps a kit of sixteen within its time. Toms are found soonest.
pub fn trials(role: Role) -> usize {
    if matches!(role, Role::LowTom | Role::HighTom) { 70 } else { 110 }
}
/// First step of the search, as a share of each control's window.
const STEP: f64 = 0.15;
/// What a decibel of distance from the raw hit costs: the instrument is still to be told.
const CHARACTER: f32 = 0.02;
/// What leaving the windows costs, for a whole window; found by trial.
const OUTSIDE: f64 = 10.0;
/// Cost of a pad that makes no sound.
const SILENT: f32 = 100.0;

/// `recipe` with its controls moved to where it serves the `aim` best; `raw` are the measures of the hit as
/// recorded.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn fitted(
    stage: &mut Stage,
    recipe: &Pad,
    aim: &Aim,
    raw: &Features,
    seed: u64,
    progress: &dyn Progress,
) -> Result<Pad> {
    let search = Search::new(recipe, aim, raw);
    let mut best = (search.cost(stage, recipe), recipe.clone());
    let try_out = |x: &DVector<f64>| {
        // a cancelled search runs out without playing anything
        if progress.cancelled() {
            return f64::MAX;
        }
        let (pad, outside) = search.pad(x.iter());
        let cost = search.cost(stage, &pad);
        if cost < best.0 {
            best = (cost, pad);
        }
        f64::from(cost) + outside
    };
    let options = CMAESOptions::new(search.start(), STEP).seed(seed).max_function_evals(trials(recipe.role));
    // the options are fixed and valid: a refusal would leave the recipe as it is
    if let Ok(mut run) = options.build(try_out) {
        run.run();
    }
    progress.check()?;
    Ok(best.1)
}

/// What is searched, and what is sought in it.
pub struct Search<'a> {
    recipe: &'a Pad,
    aim: &'a Aim,
    raw: &'a Features,
    space: Vec<Control>,
}

impl<'a> Search<'a> {
    /// A search around `recipe`, a pad of the hit whose measures as recorded are `raw`.
    pub fn new(recipe: &'a Pad, aim: &'a Aim, raw: &'a Features) -> Self {
        Self { recipe, aim, raw, space: space(recipe) }
    }

    /// Where the recipe has each control in its window, 0 to 1.
    pub fn start(&self) -> Vec<f64> {
        self.space.iter().map(Control::travel).collect()
    }

    /// The recipe with its controls at these places, and what leaving the windows costs.
    pub fn pad<'x>(&self, places: impl Iterator<Item = &'x f64>) -> (Pad, f64) {
        let mut pad = self.recipe.clone();
        let mut outside = 0.0;
        for (control, &t) in self.space.iter().zip(places) {
            control.apply(&mut pad, t);
            outside += (t - t.clamp(0.0, 1.0)).powi(2);
        }
        (pad, OUTSIDE * outside)
    }

    /// The lower the better.
    pub fn cost(&self, stage: &mut Stage, pad: &Pad) -> f32 {
        let Some(features) = stage.try_out(pad) else { return SILENT };
        self.aim.miss(&features) + CHARACTER * group::distance_db(&features, self.raw)
    }
}

type Set = Box<dyn Fn(&mut Pad, f32)>;

/// One control and the window in which it is sought.
struct Control {
    low: f32,
    high: f32,
    logarithmic: bool,
    value: f32,
    set: Set,
}

impl Control {
    /// Where in its window the recipe has it, 0 to 1.
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

/// Controls that are sought, with their windows around the recipe's values.
fn space(pad: &Pad) -> Vec<Control> {
    let mut all = Vec::new();
    for i in 0..pad.layers.len() {
        layer(pad, i, &mut all);
    }
    cloud(pad, &mut all);
    tone(pad, &mut all);
    all
}

fn layer(pad: &Pad, i: usize, all: &mut Vec<Control>) {
    let s = &pad.layers[i].settings;
    linear(all, s.start_ms, [0.0, s.start_ms + 25.0], move |p, v| p.layers[i].settings.start_ms = v);
    let pitch = [(s.pitch_st - 6.0).max(-48.0), (s.pitch_st + 6.0).min(48.0)];
    linear(all, s.pitch_st, pitch, move |p, v| p.layers[i].settings.pitch_st = v);
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

fn cloud(pad: &Pad, all: &mut Vec<Control>) {
    let c = &pad.cloud;
    if c.copies == 0 {
        return;
    }
    linear(all, c.cloud_db, [(c.cloud_db - 14.0).max(-40.0), 9.0], |p, v| p.cloud.cloud_db = v);
    scaled(all, c.spread_ms, 2.5, [2.0, 250.0], |p, v| p.cloud.spread_ms = v);
    linear(all, c.pitch_st, [0.5, 12.0], |p, v| p.cloud.pitch_st = v);
    // without any the cloud ends with its copies, and is to: smearing would make a tail
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

/// A control sought from a `factor`th of its value to `factor` times it, within the window.
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
