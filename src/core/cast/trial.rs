//! The search of one pad, step by step, for the scores that compare it with another optimiser.

use super::{
    auditioner::{Auditioner, drafts},
    candidate,
    companions::Companions,
    features::Features,
    fit::{self, Search},
    objective::Objective,
    recipe, score,
};
use crate::{
    error::{Error, Result},
    kit::{Kit, Pad, Role},
    progress::Quiet,
};

/// A hit in a role, before it is fitted.
pub struct Trial {
    auditioner: Auditioner,
    recipe: Pad,
    objective: Objective,
    raw: Features,
    seed: u64,
}

impl Trial {
    /// Hit `hit` of take `take` of `kit` in `role`.
    ///
    /// # Errors
    /// One sentence when the hit does not exist or is silent.
    pub fn new(kit: &Kit, (take, hit): (usize, usize), role: Role) -> Result<Self> {
        let found = kit.doc.takes.get(take).and_then(|t| t.hits.get(hit));
        let raw = found.and_then(|hit| candidate::measured(kit, take, hit));
        let (Some(found), Some(raw)) = (found, raw) else {
            return Err(Error::invalid(format!("hit {hit} of take {take} is not there or silent")));
        };
        let rate = f64::from(kit.takes[take].sample_rate);
        let recipe = recipe::recipe(
            role,
            &recipe::Source { take, rate, hit: found, raw: &raw, companions: Companions::of(kit) },
        );
        let auditioner = Auditioner::with_drafts(kit, &drafts(kit));
        Ok(Self { auditioner, recipe, objective: Objective::of(role, None), seed: found.start, raw })
    }

    /// How well the recipe serves as it is, 0 to 1.
    pub fn recipe_score(&mut self) -> f32 {
        self.auditioner.measure(&self.recipe).map_or(0.0, |f| score::score(self.recipe.role, &f))
    }

    /// The start of the search: the position of each control in its window, 0 to 1.
    pub fn start(&self) -> Vec<f64> {
        Search::new(&self.recipe, &self.objective, &self.raw).start()
    }

    /// Cost of the controls at these positions, with the penalty for positions outside of 0 to 1.
    pub fn cost(&mut self, positions: &[f64]) -> f64 {
        let search = Search::new(&self.recipe, &self.objective, &self.raw);
        let (pad, outside) = search.pad(positions.iter());
        f64::from(search.cost(&mut self.auditioner, &pad)) + outside
    }

    /// Cost of the result of our own search, and its number of trials.
    ///
    /// # Errors
    /// None: only cancelling stops a search, and this one cannot be cancelled.
    pub fn found(&mut self) -> Result<(f64, usize)> {
        let start = fit::Start { pad: &self.recipe, raw: &self.raw, seed: self.seed, effort: 1.0 };
        let (_, pad) = fit::fitted(&mut self.auditioner, start, &self.objective, &Quiet)?;
        let search = Search::new(&self.recipe, &self.objective, &self.raw);
        Ok((f64::from(search.cost(&mut self.auditioner, &pad)), fit::trials(self.recipe.role)))
    }
}
