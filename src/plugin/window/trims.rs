//! Trims through the host, so that it can record and automate them.

use super::parts::Parts;
use crate::{
    editor::{
        Indication, Track,
        trims::{Trim, TrimAccess},
    },
    plugin::{host_menu::MenuRequest, params::TrimParam},
};
use kitwright_core::settings::{KIT_TRIMS, PAD_TRIMS};
use nice_plug::prelude::ParamSetter;

/// The host's parameters for one frame.
pub(super) struct HostTrims<'a> {
    /// Sends changes to the host.
    pub setter: &'a ParamSetter<'a>,
    /// The parameters, and the way to the host's main thread.
    pub parts: &'a Parts,
    /// Pixels in a point of the window; on macOS points of the system.
    pub scale: f32,
    /// Gestures begun and not ended, over all frames.
    pub held: &'a mut Vec<Trim>,
}

impl HostTrims<'_> {
    fn param(&self, trim: Trim) -> &TrimParam {
        match trim {
            Trim::Kit(i) => &self.parts.params.kit[i],
            Trim::Pad(pad, i) => &self.parts.params.pads[pad][i],
        }
    }
}

impl TrimAccess for HostTrims<'_> {
    fn get(&self, trim: Trim) -> f32 {
        match trim {
            Trim::Kit(i) => self.param(trim).value(&KIT_TRIMS[i]),
            Trim::Pad(_, i) => self.param(trim).value(&PAD_TRIMS[i]),
        }
    }

    fn begin(&mut self, trim: Trim) {
        self.held.push(trim);
        self.param(trim).begin(self.setter);
    }

    fn set(&mut self, trim: Trim, value: f32) {
        let travel = match trim {
            Trim::Kit(i) => KIT_TRIMS[i].to_travel(value),
            Trim::Pad(_, i) => PAD_TRIMS[i].to_travel(value),
        };
        self.param(trim).set_travel(self.setter, travel);
    }

    fn track(&self) -> Option<Track> {
        self.parts.params.facts.track()
    }

    fn indication(&self, trim: Trim) -> Option<Indication> {
        self.parts.params.facts.indication(trim.index())
    }

    fn open_menu(&mut self, trim: Trim, at: egui::Pos2) {
        let at = [at.x, at.y].map(|points| (points * self.scale).round() as i32);
        self.parts.ask_menu(MenuRequest { param_index: trim.index(), at });
    }

    fn end(&mut self, trim: Trim) {
        self.held.retain(|held| *held != trim);
        self.param(trim).end(self.setter);
    }

    fn end_all(&mut self) {
        for trim in std::mem::take(self.held) {
            self.param(trim).end(self.setter);
        }
    }
}
