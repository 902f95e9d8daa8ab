//! Undo and redo: whole kits, which share their takes and cost little.

use crate::kit::{Kit, Trims};
use std::{
    collections::VecDeque,
    sync::Arc,
    time::{Duration, Instant},
};

/// Steps that can be taken back.
pub(super) const STEPS: usize = 200;
/// Edits of the same name within this time are one step: a control that is dragged.
const MERGE: Duration = Duration::from_secs(1);

#[derive(Debug, Default)]
pub(super) struct History {
    /// Oldest first; each with the kit before it.
    done: VecDeque<Step>,
    /// Latest taken back last; each with the kit after it.
    undone: Vec<Step>,
}

#[derive(Debug)]
struct Step {
    name: String,
    kit: Arc<Kit>,
    at: Instant,
    /// The host's trims that belong to the kit: only where a kit file brought others.
    trims: Option<Trims>,
}

/// What there is before a step is taken back or repeated.
pub(super) struct CurrentKit {
    pub kit: Arc<Kit>,
    pub trims: Option<Trims>,
}

/// What a step brings back.
pub(super) struct RestoredStep {
    pub name: String,
    pub kit: Arc<Kit>,
    pub trims: Option<Trims>,
}

impl Step {
    /// What this step brings, and the step of the same name that leads back to `now`.
    fn turn(self, now: CurrentKit) -> (RestoredStep, Step) {
        let trims = if self.trims.is_some() { now.trims } else { None };
        let way_back = Step { name: self.name.clone(), kit: now.kit, at: self.at, trims };
        (RestoredStep { name: self.name, kit: self.kit, trims: self.trims }, way_back)
    }
}

impl History {
    /// Notes that `before` was changed by `name` at `at`; merges with a step of the same name when
    /// `merge` and it is fresh. What was taken back is forgotten.
    pub(super) fn record(&mut self, name: &str, before: Arc<Kit>, at: Instant, merge: bool) {
        let continues = merge && self.undone.is_empty();
        self.undone.clear();
        if let Some(last) = self.done.back_mut()
            && continues
            && last.name == name
            && at.saturating_duration_since(last.at) < MERGE
        {
            last.at = at;
            return;
        }
        if self.done.len() == STEPS {
            self.done.pop_front();
        }
        self.done.push_back(Step { name: name.to_owned(), kit: before, at, trims: None });
    }

    /// The last step, when it has this name, brings back these trims as well.
    pub(super) fn bring_trims(&mut self, name: &str, trims: Option<Trims>) {
        if let Some(last) = self.done.back_mut().filter(|s| s.name == name) {
            last.trims = trims;
        }
    }

    /// Takes the last step back; `now` is kept for [`History::redo`].
    pub(super) fn undo(&mut self, now: CurrentKit) -> Option<RestoredStep> {
        let (back, way_back) = self.done.pop_back()?.turn(now);
        self.undone.push(way_back);
        Some(back)
    }

    /// Repeats the step last taken back; `now` is kept for [`History::undo`].
    pub(super) fn redo(&mut self, now: CurrentKit) -> Option<RestoredStep> {
        let (back, mut way_back) = self.undone.pop()?.turn(now);
        // no edit merges with a repeated step
        way_back.at = way_back.at.checked_sub(MERGE).unwrap_or(way_back.at);
        self.done.push_back(way_back);
        Some(back)
    }

    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }

    /// Newest first.
    pub(super) fn undo_names(&self) -> Vec<String> {
        self.done.iter().rev().map(|s| s.name.clone()).collect()
    }

    /// What redo would repeat, next first.
    pub(super) fn redo_names(&self) -> Vec<String> {
        self.undone.iter().rev().map(|s| s.name.clone()).collect()
    }
}
