//! Waiting for a key that comes in as MIDI: a pad's note or a part's channel is set by playing it.

use egui::Ui;
use kitwright_core::session::ReceivedKey;

/// What takes the next key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LearnFor {
    /// A pad takes the note.
    Pad(usize),
    /// A key part takes the channel.
    Part(usize),
}

/// Waiting for a key.
#[derive(Debug, Default)]
pub struct Learn {
    /// For what, and the last key that had come in before.
    pub(super) waiting: Option<(LearnFor, u16)>,
}

impl Learn {
    /// Whether a key is waited for.
    pub fn waits_for(&self, what: LearnFor) -> bool {
        self.waiting.is_some_and(|w| w.0 == what)
    }

    /// Once a frame: the key that came in for what waits.
    pub(super) fn follow(
        &mut self,
        ui: &Ui,
        session: &kitwright_core::session::Session,
    ) -> Option<(LearnFor, ReceivedKey)> {
        let (what, before) = self.waiting?;
        let last = session.last_key();
        if last.count == before {
            ui.ctx().request_repaint_after(std::time::Duration::from_millis(50));
            return None;
        }
        self.waiting = None;
        Some((what, last))
    }
}
