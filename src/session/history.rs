//! Undo and redo: whole kits, which share their takes and cost little.

use crate::kit::Kit;
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
        self.done.push_back(Step { name: name.to_owned(), kit: before, at });
    }

    /// The last step's name and the kit before it; `now` is kept for [`History::redo`].
    pub(super) fn undo(&mut self, now: Arc<Kit>) -> Option<(String, Arc<Kit>)> {
        let step = self.done.pop_back()?;
        self.undone.push(Step { name: step.name.clone(), kit: now, at: step.at });
        Some((step.name, step.kit))
    }

    /// The name of the step last taken back and the kit after it; `now` is kept for [`History::undo`].
    pub(super) fn redo(&mut self, now: Arc<Kit>) -> Option<(String, Arc<Kit>)> {
        let step = self.undone.pop()?;
        // no edit merges with a repeated step
        let at = step.at.checked_sub(MERGE).unwrap_or(step.at);
        self.done.push_back(Step { name: step.name.clone(), kit: now, at });
        Some((step.name, step.kit))
    }

    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }

    /// Newest first.
    pub(super) fn names(&self) -> Vec<String> {
        self.done.iter().rev().map(|s| s.name.clone()).collect()
    }

    /// What redo would repeat, next first.
    pub(super) fn undone_names(&self) -> Vec<String> {
        self.undone.iter().rev().map(|s| s.name.clone()).collect()
    }
}
