//! How the window reads and moves trims, whoever owns them: a host's parameters or plain values.

use egui::Pos2;
use kitwright_core::{
    kit::{PADS, Trims},
    settings::{KIT_TRIMS, PAD_TRIMS},
};

/// One trim of the kit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Trim {
    /// Entry of [`KIT_TRIMS`].
    Kit(usize),
    /// Pad (0 to 15) and entry of [`PAD_TRIMS`].
    Pad(usize, usize),
}

impl Trim {
    /// Entry of [`PAD_TRIMS`] with this id.
    ///
    /// # Panics
    /// When there is none: the ids are written in this module's callers.
    pub fn pad(pad: usize, id: &str) -> Self {
        let at = PAD_TRIMS.iter().position(|s| s.id == id);
        Self::Pad(pad, at.unwrap_or_else(|| panic!("no pad trim is called {id}")))
    }

    /// Its place among all trims, from 0: those of the kit, then those of each pad. Hosts list their parameters in this order.
    pub fn index(self) -> usize {
        match self {
            Self::Kit(i) => i,
            Self::Pad(pad, i) => KIT_TRIMS.len() + pad * PAD_TRIMS.len() + i,
        }
    }
}

/// The host's track.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Track {
    /// Its name; may be empty.
    pub name: String,
    /// Its colour: red, green, blue.
    pub colour: Option<[u8; 3]>,
}

/// What the host does with a trim.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Indication {
    /// "mapped to Macro 1", "automated".
    pub words: String,
    /// The host's colour for it: red, green, blue.
    pub colour: Option<[u8; 3]>,
}

/// Reads and moves trims. A gesture is `begin`, any number of `set`, `end`: hosts record it as one.
pub trait TrimAccess {
    /// The value, in the trim's own unit.
    fn get(&self, trim: Trim) -> f32;
    /// A gesture begins.
    fn begin(&mut self, trim: Trim);
    /// A new value, within the range.
    fn set(&mut self, trim: Trim, value: f32);
    /// The gesture ends.
    fn end(&mut self, trim: Trim);
    /// Ends every gesture that has begun and not ended.
    fn end_all(&mut self);

    /// The track that the plugin is on, where the host has told it.
    fn track(&self) -> Option<Track> {
        None
    }

    /// What the host does with a trim.
    fn indication(&self, _trim: Trim) -> Option<Indication> {
        None
    }

    /// Opens the host's own menu for a trim, where the host has one; `at` in points.
    fn open_menu(&mut self, _trim: Trim, _at: Pos2) {}

    /// A whole gesture at once.
    fn put(&mut self, trim: Trim, value: f32) {
        self.begin(trim);
        self.set(trim, value);
        self.end(trim);
    }

    /// Every trim that differs, a gesture each: those of a kit file that was loaded.
    fn put_all(&mut self, trims: &Trims) {
        let kit = KIT_TRIMS.iter().enumerate().map(|(i, s)| (Trim::Kit(i), (s.get)(&trims.kit)));
        let pads = trims.pads.iter().enumerate().flat_map(|(pad, trims)| {
            PAD_TRIMS.iter().enumerate().map(move |(i, s)| (Trim::Pad(pad, i), (s.get)(trims)))
        });
        for (trim, value) in kit.chain(pads) {
            if self.get(trim) != value {
                self.put(trim, value);
            }
        }
    }
}

/// Trims as plain values, for a window without a host.
#[derive(Debug, Clone, Default)]
pub struct PlainTrims {
    /// The values.
    pub trims: Trims,
    /// Gestures begun and not ended; 0 when no control is held.
    pub open_gestures: usize,
    /// A track, as a host would tell it.
    pub track: Option<Track>,
    /// A trim that a host would mark.
    pub indicated: Option<(Trim, Indication)>,
    /// The menu that a host would have opened last.
    pub menu: Option<(Trim, Pos2)>,
}

impl TrimAccess for PlainTrims {
    fn get(&self, trim: Trim) -> f32 {
        match trim {
            Trim::Kit(i) => (KIT_TRIMS[i].get)(&self.trims.kit),
            Trim::Pad(pad, i) => (PAD_TRIMS[i].get)(&self.trims.pads[pad % PADS]),
        }
    }

    fn begin(&mut self, _trim: Trim) {
        self.open_gestures += 1;
    }

    fn set(&mut self, trim: Trim, value: f32) {
        match trim {
            Trim::Kit(i) => (KIT_TRIMS[i].set)(&mut self.trims.kit, value),
            Trim::Pad(pad, i) => (PAD_TRIMS[i].set)(&mut self.trims.pads[pad % PADS], value),
        }
    }

    fn end(&mut self, _trim: Trim) {
        self.open_gestures -= 1;
    }

    fn end_all(&mut self) {
        self.open_gestures = 0;
    }

    fn track(&self) -> Option<Track> {
        self.track.clone()
    }

    fn indication(&self, trim: Trim) -> Option<Indication> {
        self.indicated.clone().filter(|(of, _)| *of == trim).map(|(_, indication)| indication)
    }

    fn open_menu(&mut self, trim: Trim, at: Pos2) {
        self.menu = Some((trim, at));
    }
}
