//! Undo and redo: each step keeps a whole kit; kits share their takes and take little memory.

use crate::kit::{Kit, Trims};
use std::{
    collections::VecDeque,
    path::PathBuf,
    sync::Arc,
    time::{Duration, Instant},
};

/// Steps that can be undone.
const MAX_STEPS: usize = 200;
/// Edits of the same name within this time are one step: a control that is dragged.
const MERGE: Duration = Duration::from_secs(1);

#[derive(Debug, Default)]
pub(super) struct History {
    /// Oldest first; each with the kit before it.
    done: VecDeque<HistoryStep>,
    /// Undone last comes last; each with the kit after it.
    undone: Vec<HistoryStep>,
}

#[derive(Debug)]
struct HistoryStep {
    name: String,
    kit: Arc<Kit>,
    at: Instant,
    /// The host's trims that belong to the kit; only of steps that loaded a kit file with others.
    trims: Option<Trims>,
    /// The file that the kit belongs to; only of steps that put another kit in place.
    file: Option<KitFile>,
}

/// The file that a kit belongs to, if any.
pub(super) type KitFile = Option<PathBuf>;

/// The kit, the host's trims and the kit's file before a step is undone or redone.
pub(super) struct CurrentKit {
    pub kit: Arc<Kit>,
    pub trims: Option<Trims>,
    pub file: KitFile,
}

/// What undoing or redoing a step restores.
pub(super) struct RestoredStep {
    pub name: String,
    pub kit: Arc<Kit>,
    pub trims: Option<Trims>,
    pub file: Option<KitFile>,
}

impl HistoryStep {
    /// What this step restores, and the step of the same name that leads back to `now`.
    fn reverse(self, now: CurrentKit) -> (RestoredStep, HistoryStep) {
        let trims = if self.trims.is_some() { now.trims } else { None };
        let file = self.file.is_some().then_some(now.file);
        let opposite = HistoryStep { name: self.name.clone(), kit: now.kit, at: self.at, trims, file };
        (RestoredStep { name: self.name, kit: self.kit, trims: self.trims, file: self.file }, opposite)
    }
}

impl History {
    /// Records that step `name` changed the kit `before` at time `at`. With `merge` it continues a step of the
    /// same name that is less than [`MERGE`] old. Undone steps are dropped.
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
        if self.done.len() == MAX_STEPS {
            self.done.pop_front();
        }
        self.done.push_back(HistoryStep { name: name.to_owned(), kit: before, at, trims: None, file: None });
    }

    /// Drops the last step, when it has this name and the kit `now` is what was before it.
    pub(super) fn forget_empty(&mut self, name: &str, now: &Kit) {
        if self.done.back().is_some_and(|s| s.name == name && s.kit.doc == now.doc) {
            self.done.pop_back();
        }
    }

    /// The last step, when it has this name, also restores this file when it is undone.
    pub(super) fn attach_file(&mut self, name: &str, file: KitFile) {
        if let Some(last) = self.done.back_mut().filter(|s| s.name == name) {
            last.file = Some(file);
        }
    }

    /// The last step, when it has this name, also restores these trims when it is undone.
    pub(super) fn attach_trims(&mut self, name: &str, trims: Option<Trims>) {
        if let Some(last) = self.done.back_mut().filter(|s| s.name == name) {
            last.trims = trims;
        }
    }

    /// Undoes the last step; `now` is kept for [`History::redo`].
    pub(super) fn undo(&mut self, now: CurrentKit) -> Option<RestoredStep> {
        let (back, opposite) = self.done.pop_back()?.reverse(now);
        self.undone.push(opposite);
        Some(back)
    }

    /// Redoes the step undone last; `now` is kept for [`History::undo`].
    pub(super) fn redo(&mut self, now: CurrentKit) -> Option<RestoredStep> {
        let (back, mut opposite) = self.undone.pop()?.reverse(now);
        // no edit merges with a redone step
        opposite.at = opposite.at.checked_sub(MERGE).unwrap_or(opposite.at);
        self.done.push_back(opposite);
        Some(back)
    }

    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }

    /// Newest first.
    pub(super) fn undo_names(&self) -> Vec<String> {
        self.done.iter().rev().map(|s| s.name.clone()).collect()
    }

    /// Steps that can be redone, next first.
    pub(super) fn redo_names(&self) -> Vec<String> {
        self.undone.iter().rev().map(|s| s.name.clone()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(name: &str) -> Arc<Kit> {
        let mut kit = Kit::default();
        name.clone_into(&mut kit.doc.name);
        Arc::new(kit)
    }

    #[test]
    fn a_dragged_control_is_one_step_and_a_new_drag_another() {
        let mut history = History::default();
        let start = Instant::now();
        let ms = |ms| start + Duration::from_millis(ms);
        for i in 0..300 {
            history.record("pad 1 pitch", named(&format!("{i}")), ms(10 * i), true);
        }
        assert_eq!(history.undo_names(), ["pad 1 pitch"]);
        let second_drag = 2990 + MERGE.as_millis() as u64;
        history.record("pad 1 pitch", named("between"), ms(second_drag), true);
        assert_eq!(history.undo_names(), ["pad 1 pitch"; 2]);
        let current = || CurrentKit { kit: named("now"), trims: None, file: None };
        assert_eq!(history.undo(current()).unwrap().kit.doc.name, "between");
        assert_eq!(history.undo(current()).unwrap().kit.doc.name, "0");
        assert!(history.undo(current()).is_none());
    }

    #[test]
    fn an_edit_does_not_merge_with_a_redone_step_or_another_name() {
        let mut history = History::default();
        let at = Instant::now();
        history.record("pan", named("first"), at, true);
        history.undo(CurrentKit { kit: named("second"), trims: None, file: None });
        history.redo(CurrentKit { kit: named("first"), trims: None, file: None });
        history.record("pan", named("second"), at, true);
        history.record("level", named("third"), at, true);
        assert_eq!(history.undo_names(), ["level", "pan", "pan"]);
    }
}
