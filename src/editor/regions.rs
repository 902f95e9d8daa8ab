//! F6 goes from one region of the window to the next: top line, take, pad editor, kit.

use egui::{Id, Key, Modifiers, Ui};

/// What of each region gets the keyboard, from top to bottom.
#[derive(Debug, Default)]
pub struct Regions {
    ids: Vec<Id>,
    /// The region that was gone to last.
    at: Option<usize>,
}

impl Regions {
    /// Takes the regions of this frame, and goes to the next one or, with Shift, to the one before.
    pub(super) fn follow(&mut self, ui: &Ui, ids: Vec<Id>) {
        self.ids = ids;
        let count = self.ids.len();
        // the focus may have been moved by hand meanwhile
        let focused = ui.memory(|m| m.focused());
        let here = self.ids.iter().position(|id| Some(*id) == focused).or(self.at);
        let pressed = |modifiers, key| ui.input_mut(|i| i.consume_key(modifiers, key));
        let next = if pressed(Modifiers::SHIFT, Key::F6) {
            here.map_or(count.saturating_sub(1), |at| (at + count - 1) % count.max(1))
        } else if pressed(Modifiers::NONE, Key::F6) {
            here.map_or(0, |at| (at + 1) % count.max(1))
        } else {
            return;
        };
        if let Some(id) = self.ids.get(next) {
            ui.memory_mut(|m| m.request_focus(*id));
            self.at = Some(next);
        }
    }
}
