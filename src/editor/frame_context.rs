//! What every view gets in one frame: the session, the kit, the trims, and what the window has read for all views.

use super::{
    automation::Automation,
    file_browser::FilePurpose,
    finished::FinishedSounds,
    held_pads::{HeldBy, HeldPads},
    learn::Learn,
    lights::Lights,
    trims::{Trim, TrimAccess},
    wave::Waves,
    widgets::Moved,
};
use kitwright_core::{
    kit::{Kit, PADS, Pad},
    session::Session,
};
use std::{path::PathBuf, sync::Arc};

/// What is read from takes, engine and host for all views, kept between frames.
#[derive(Debug, Default)]
pub struct Readings {
    /// Waveforms of the takes.
    pub waves: Waves,
    /// Lights and meters of the pads.
    pub lights: Lights,
    /// The sounds of the pads as they are heard.
    pub finished: FinishedSounds,
    /// Pads that were struck in the window and wait to be let go.
    pub(super) held: HeldPads,
    /// What waits for a key on MIDI.
    pub(super) learn: Learn,
    /// The file or folder that was written last at the player's request.
    pub(super) written: Option<PathBuf>,
    /// Trims that the host moved recently.
    pub(super) automation: Automation,
}

/// The kit of this frame and the ways to change it.
pub struct FrameContext<'a> {
    /// Where edits and jobs go.
    pub session: &'a Session,
    /// The kit as it was when the frame began.
    pub kit: Arc<Kit>,
    /// The host's parameters, or plain values.
    pub trims: &'a mut dyn TrimAccess,
    /// Waves, lights and automation.
    pub readings: &'a mut Readings,
    /// A file browser that a view has asked for in this frame.
    pub(super) browse: Option<BrowseRequest>,
}

/// A request to open the file browser.
#[derive(Debug)]
pub(super) struct BrowseRequest {
    /// What the file is for.
    pub purpose: FilePurpose,
    /// The file name that is offered.
    pub name: String,
}

impl FrameContext<'_> {
    /// Pad 0 to 15 of this frame's kit.
    pub fn pad(&self, pad: usize) -> &Pad {
        &self.kit.doc.pads[pad]
    }

    /// Changes settings of a pad by hand; `what` completes the step's name: "pad 3 level".
    pub fn edit_pad(&self, pad: usize, what: &str, change: impl FnOnce(&mut Pad)) {
        self.session.edit_pad(pad, what, change);
    }

    /// Puts another pad in place of one, with what was set by hand on the other: "pad 3 paste".
    pub fn replace_pad(&self, pad: usize, what: &str, change: impl FnOnce(&mut Pad)) {
        self.session.edit(&format!("pad {} {what}", pad + 1), |kit| change(&mut kit.doc.pads[pad]));
    }

    /// Opens the file browser at the end of this frame, with `name` as proposal.
    pub(super) fn browse(&mut self, purpose: FilePurpose, name: &str) {
        self.browse = Some(BrowseRequest { purpose, name: name.to_owned() });
    }

    /// Strikes a pad, above 0 to 1, and lights it; one that ends with its key is let go when it is no longer held.
    pub(super) fn strike(&mut self, ui: &egui::Ui, pad: usize, velocity: f32, by: HeldBy) {
        let built = &self.kit.doc.pads[pad];
        let Readings { held, lights, .. } = &mut *self.readings;
        held.strike(ui, self.session, lights, (pad, built), velocity, by);
    }

    /// Passes a control's movement on to its trim.
    pub fn move_trim(&mut self, trim: Trim, moved: Moved) {
        if moved.began {
            self.trims.begin(trim);
        }
        if let Some(value) = moved.value {
            self.trims.set(trim, value);
        }
        if moved.ended {
            self.trims.end(trim);
        }
        if let Some(at) = moved.menu {
            self.trims.open_menu(trim, at);
        }
    }

    /// Opens the host's menu for a trim after a right click on its button.
    pub(super) fn menu_of_button(&mut self, trim: Trim, button: &egui::Response) {
        if let Some(at) = button.interact_pointer_pos().filter(|_| button.secondary_clicked()) {
            self.trims.open_menu(trim, at);
        }
    }

    /// Pads in the order of the keys that play them.
    pub fn pads_along_the_keys(&self) -> [usize; PADS] {
        let mut order = std::array::from_fn(|i| i);
        order.sort_by_key(|&i| self.kit.doc.pads[i].note);
        order
    }
}
