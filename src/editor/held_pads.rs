//! Pads that are struck in the window. One that ends with its key is let go when the pointer or the key is released.

use super::lights::Lights;
use egui::{Key, Ui};
use kitwright_core::{
    kit::Pad,
    session::{PadTrigger, Session},
};

/// How long a pad is held that a button plays, s: as in exported files.
const BUTTON_SECONDS: f64 = 0.5;

/// What holds a pad.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HeldBy {
    /// The pointer's button.
    Pointer,
    /// A key of the computer keyboard.
    Key(Key),
    /// A button that was clicked: the pad is let go by itself.
    Button,
}

/// Pads that wait to be let go.
#[derive(Debug, Default)]
pub struct HeldPads {
    held: Vec<(usize, HeldBy, f64)>,
}

impl HeldPads {
    /// Strikes a pad and lights it.
    pub fn strike(
        &mut self,
        ui: &Ui,
        session: &Session,
        lights: &mut Lights,
        (pad, built): (usize, &Pad),
        velocity: f32,
        by: HeldBy,
    ) {
        session.trigger(PadTrigger { pad, velocity: velocity.clamp(0.02, 1.0) });
        lights.light(pad);
        if built.settings.held {
            self.held.push((pad, by, ui.input(|i| i.time)));
        }
    }

    /// Once a frame: lets go what is no longer held.
    pub fn follow(&mut self, ui: &Ui, session: &Session) {
        if self.held.is_empty() {
            return;
        }
        let (time, pointer) = ui.input(|i| (i.time, i.pointer.any_down()));
        self.held.retain(|&(pad, by, since)| {
            // a press counts as held in the frame in which it came
            let fresh = time <= since;
            let holds = match by {
                HeldBy::Pointer => pointer || fresh,
                HeldBy::Key(key) => fresh || ui.input(|i| i.key_down(key)),
                HeldBy::Button => time - since < BUTTON_SECONDS,
            };
            if !holds {
                session.trigger(PadTrigger { pad, velocity: 0.0 });
            }
            holds
        });
        if !self.held.is_empty() {
            ui.ctx().request_repaint_after(std::time::Duration::from_millis(30));
        }
    }

    /// Lets everything go: the window closes.
    pub fn let_go(&mut self, session: &Session) {
        for (pad, ..) in self.held.drain(..) {
            session.trigger(PadTrigger { pad, velocity: 0.0 });
        }
    }
}
