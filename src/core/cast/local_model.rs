//! What trials of a pad tell about settings that have not been tried: near the best trial the measures of a sound change
//! in proportion to its settings.
//!
//! The measures, not their cost, are modelled: they bend less, and one trial tells as much about each of them. The model
//! is a ridge regression (Hoerl and Kennard, Technometrics 12(1), 1970) on the steps from the best trial, solved in its
//! dual form, since there are fewer trials than settings and measures; far trials count less. How models of an
//! objective save evaluations: Y. Jin, "Surrogate-assisted evolutionary computation", Swarm and Evolutionary
//! Computation 1(2), 2011.

use cmaes::DVector;
use nalgebra::{Cholesky, DMatrix, Dyn};

/// Penalty of the regression, in squares of settings' windows (found by trial).
const RIDGE: f64 = 0.005;
/// Distance at which a trial counts exp(-1/2) times as much as one beside the best, in windows (found by trial).
const REACH: f64 = 0.6;
/// The least that a trial counts.
const MIN_WEIGHT: f64 = 1e-3;

/// The trials of one search.
#[derive(Default)]
pub struct LocalModel {
    trials: Vec<Trial>,
}

struct Trial {
    /// Position of each control in its window, 0 to 1.
    position: DVector<f64>,
    measures: Vec<f32>,
    cost: f32,
}

impl LocalModel {
    /// Adds a trial.
    pub fn learn(&mut self, position: DVector<f64>, measures: Vec<f32>, cost: f32) {
        self.trials.push(Trial { position, measures, cost });
    }

    /// Number of trials.
    pub fn len(&self) -> usize {
        self.trials.len()
    }

    /// The model around the trial with the lowest cost; `None` without trials.
    pub fn around_best(&self) -> Option<Around<'_>> {
        let best = self.trials.iter().min_by(|a, b| a.cost.total_cmp(&b.cost))?;
        let steps: Vec<DVector<f64>> = self.trials.iter().map(|t| &t.position - &best.position).collect();
        let weight =
            |step: &DVector<f64>| (-0.5 * step.norm_squared() / (REACH * REACH)).exp().max(MIN_WEIGHT);
        let products = DMatrix::from_fn(steps.len(), steps.len(), |i, j| {
            steps[i].dot(&steps[j]) + if i == j { RIDGE / weight(&steps[i]) } else { 0.0 }
        });
        let differences = self
            .trials
            .iter()
            .map(|trial| trial.measures.iter().zip(&best.measures).map(|(x, b)| x - b).collect());
        Some(Around { best, differences: differences.collect(), solver: products.cholesky()?, steps })
    }
}

/// The measures near the best trial.
pub struct Around<'a> {
    best: &'a Trial,
    /// Steps from the best trial to each trial, and what changed in the measures.
    steps: Vec<DVector<f64>>,
    differences: Vec<Vec<f32>>,
    solver: Cholesky<f64, Dyn>,
}

impl Around<'_> {
    /// Position of the best trial.
    pub fn centre(&self) -> &DVector<f64> {
        &self.best.position
    }

    /// The measures that are expected at `position`.
    pub fn measures(&self, position: &DVector<f64>) -> Vec<f32> {
        let step = position - &self.best.position;
        let along = DVector::from_iterator(self.steps.len(), self.steps.iter().map(|s| s.dot(&step)));
        let shares = self.solver.solve(&along);
        let mut measures = self.best.measures.clone();
        for (share, difference) in shares.iter().zip(&self.differences) {
            let share = *share as f32;
            measures.iter_mut().zip(difference).for_each(|(m, d)| *m += share * d);
        }
        measures
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two measures that change in proportion to three settings.
    fn plane(position: &DVector<f64>) -> Vec<f32> {
        vec![(3.0 * position[0] - 2.0 * position[1]) as f32, (5.0 + 4.0 * position[2]) as f32]
    }

    #[test]
    fn measures_that_change_in_proportion_are_foretold() {
        let mut model = LocalModel::default();
        assert!(model.around_best().is_none());
        let corners = [[0.5, 0.5, 0.5], [0.8, 0.5, 0.5], [0.5, 0.2, 0.5], [0.5, 0.5, 0.7]];
        for (cost, corner) in corners.into_iter().enumerate() {
            let position = DVector::from_row_slice(&corner);
            model.learn(position.clone(), plane(&position), cost as f32);
        }
        let around = model.around_best().unwrap();
        assert_eq!(around.centre().as_slice(), corners[0]);
        assert_eq!(around.measures(around.centre()), plane(around.centre()));
        let position = DVector::from_row_slice(&[0.7, 0.3, 0.6]);
        for (is, should) in around.measures(&position).iter().zip(plane(&position)) {
            // the penalty of the regression shortens each step a little
            assert!((is - should).abs() < 0.15, "{is} instead of {should}");
        }
    }

    #[test]
    fn directions_without_trials_change_nothing() {
        let mut model = LocalModel::default();
        for (cost, x) in [0.5, 0.7].into_iter().enumerate() {
            let position = DVector::from_row_slice(&[x, 0.5, 0.5]);
            model.learn(position.clone(), plane(&position), cost as f32);
        }
        let around = model.around_best().unwrap();
        let elsewhere = DVector::from_row_slice(&[0.5, 0.9, 0.1]);
        assert_eq!(around.measures(&elsewhere), plane(around.centre()));
    }
}
