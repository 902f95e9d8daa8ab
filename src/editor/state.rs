//! What the window itself remembers: what is chosen, where one looks, what is being typed.

use super::{
    compare::Compare, drops::Tiles, file_browser::FileBrowser, kit_view::Lights, record::SideInput,
    take_view::TakeView, wave::Waves,
};
use kitwright_core::kit::{Kit, PADS, Pad};
use serde::{Deserialize, Serialize};
use std::{path::PathBuf, sync::Arc};

/// What is remembered with the host's session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Memory {
    /// Width of the window, logical pixels.
    pub width: u32,
    /// Height of the window, logical pixels.
    pub height: u32,
    /// Zoom, 0.75 to 3.
    pub zoom: f32,
    /// Folder shown last by the file browser.
    pub folder: Option<PathBuf>,
    /// Files opened last, newest first.
    pub recent: Vec<PathBuf>,
}

impl Memory {
    /// Smallest size that the window is laid out for, points.
    pub const MIN_SIZE: [u32; 2] = [900, 600];
    /// Zooms on offer.
    pub const ZOOMS: [f32; 8] = [0.75, 0.9, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0];
    /// How many recent files are kept.
    const RECENT: usize = 8;

    /// Puts a file first among the recent ones.
    pub fn remember(&mut self, file: &std::path::Path) {
        self.recent.retain(|f| f != file);
        self.recent.insert(0, file.to_owned());
        self.recent.truncate(Self::RECENT);
    }

    /// Remembers the window's size, logical pixels.
    pub fn keep_size(&mut self, width: f64, height: f64) {
        self.width = width.round().max(1.0) as u32;
        self.height = height.round().max(1.0) as u32;
    }

    /// The zoom at which everything fits into a window of this size in logical pixels: the chosen one, or
    /// less where the host gives too little room.
    pub fn zoom_that_fits(&self, width: f64, height: f64) -> f32 {
        let [least_width, least_height] = Self::MIN_SIZE.map(f64::from);
        let room = (width / least_width).min(height / least_height) as f32;
        self.zoom.min(room).max(0.25)
    }

    /// The smallest window, logical pixels: the smallest layout at the smallest zoom.
    pub fn smallest() -> [u32; 2] {
        Self::MIN_SIZE.map(|side| (side as f32 * Self::ZOOMS[0]) as u32)
    }

    /// Values from an unknown source moved into what the window can show.
    pub fn mended(mut self) -> Self {
        let [width, height] = Self::smallest();
        self.width = self.width.clamp(width, 16_384);
        self.height = self.height.clamp(height, 16_384);
        self.zoom = if self.zoom.is_finite() { self.zoom.clamp(0.75, 3.0) } else { 1.0 };
        self.recent.truncate(Self::RECENT);
        self
    }
}

impl Default for Memory {
    fn default() -> Self {
        Self { width: 1120, height: 720, zoom: 1.0, folder: None, recent: Vec::new() }
    }
}

/// A step of a pad's path from hit to role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Station {
    /// Which hit, and what was done to it.
    #[default]
    Hit,
    /// The readings of the hit.
    Layers,
    /// The copies around it.
    Cloud,
    /// Filters, limiter, saturation, EQ, compressors.
    Tone,
    /// Level, place, manner of playing, variation.
    Place,
    /// What the host automates.
    Trims,
}

impl Station {
    /// In the order in which the sound passes.
    pub const ALL: [Station; 6] =
        [Self::Hit, Self::Layers, Self::Cloud, Self::Tone, Self::Place, Self::Trims];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hit => "Hit",
            Self::Layers => "Layers",
            Self::Cloud => "Cloud",
            Self::Tone => "Tone",
            Self::Place => "Place",
            Self::Trims => "Trims",
        }
    }
}

/// Everything the window remembers between frames.
#[derive(Default)]
pub struct WindowState {
    /// What is remembered with the host's session.
    pub memory: Memory,
    /// The pad on the bench, 0 to 15.
    pub pad: usize,
    /// The step of its path that is unfolded.
    pub station: Station,
    /// Its layer at hand.
    pub layer: usize,
    /// The stage of its tone chain at hand.
    pub stage: usize,
    /// Where one looks in the take.
    pub take: TakeView,
    /// Lights and meters of the pads.
    pub lights: Lights,
    /// The other side of A and B.
    pub compare: Compare,
    /// The file browser, while it is open.
    pub browser: Option<FileBrowser>,
    /// The About box is open.
    pub about: bool,
    /// The kit's own settings are open.
    pub kit_settings: bool,
    /// A pad that was copied.
    pub clipboard: Option<Pad>,
    /// A fit that the hand has set and the session has not been asked for yet.
    pub(super) pending_fit: Option<PendingFit>,
    /// The fit that the session is working out: shown until it is there.
    pub(super) sent_fit: Option<PendingFit>,
    /// Hits that "next best" went through, for each pad.
    pub(super) tried: [Vec<(usize, usize)>; PADS],
    /// Where the pads lie on the screen.
    pub(super) tiles: Tiles,
    /// Where the role of the pad on the bench stands: a sound dropped there is one to come close to.
    pub(super) aim: Option<egui::Rect>,
    pub(super) side: SideInput,
    pub(super) waves: Waves,
    pub(super) spectrum: super::bench::spectrum::Spectrum,
    pub(super) live: super::bench::live::Live,
    pub(super) reductions: super::bench::reductions::Held,
    pub(super) cloud: super::bench::cloud::Shown,
    pub(super) strokes: super::bench::strokes::Strokes,
    /// Trims that the host moved a moment ago.
    pub(super) automation: super::automation::Automation,
    /// The kit of the frame before: a new one may have other takes.
    pub(super) last_kit: Option<Arc<Kit>>,
}

/// A fit on its way to the session: work starts once the hand rests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PendingFit {
    /// Pad, or the whole kit.
    pub pad: Option<usize>,
    /// 0 to 1.
    pub fit: f32,
    /// egui's time of the last movement, s.
    pub moved_at: f64,
    /// The hand is still on it.
    pub held: bool,
}

impl WindowState {
    /// A window that has not been opened yet, with what the host's session remembers.
    pub fn new(memory: Memory) -> Self {
        Self { memory, ..Self::default() }
    }

    /// The window is closed: what was chosen and copied stays, boxes, waves and what the hand held go.
    pub fn close(&mut self) {
        let memory = std::mem::take(&mut self.memory);
        *self = Self {
            memory,
            pad: self.pad,
            station: self.station,
            layer: self.layer,
            stage: self.stage,
            take: std::mem::take(&mut self.take),
            compare: std::mem::take(&mut self.compare),
            clipboard: self.clipboard.take(),
            tried: std::mem::take(&mut self.tried),
            last_kit: self.last_kit.take(),
            ..Self::default()
        };
    }
}

impl std::fmt::Debug for WindowState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WindowState")
            .field("pad", &self.pad)
            .field("station", &self.station)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_memory_from_anywhere_is_mended() {
        let wild = Memory { width: 0, height: u32::MAX, zoom: f32::NAN, ..Memory::default() }.mended();
        assert_eq!((wild.width, wild.height, wild.zoom), (675, 16_384, 1.0));
        assert_eq!(Memory { zoom: 9.0, ..Memory::default() }.mended().zoom, 3.0);
    }

    #[test]
    fn a_zoom_that_does_not_fit_is_lowered() {
        let memory = Memory { zoom: 2.0, ..Memory::default() };
        assert_eq!(memory.zoom_that_fits(1800.0, 1200.0), 2.0);
        assert_eq!(memory.zoom_that_fits(1800.0, 900.0), 1.5);
        assert_eq!(Memory::default().zoom_that_fits(675.0, 450.0), 0.75);
        assert_eq!(Memory::default().zoom_that_fits(3840.0, 2160.0), 1.0);
    }

    #[test]
    fn recent_files_are_newest_first_and_few() {
        let mut memory = Memory::default();
        for i in 0..20 {
            memory.remember(std::path::Path::new(&format!("{i}.wav")));
        }
        memory.remember(std::path::Path::new("15.wav"));
        assert_eq!(memory.recent.len(), 8);
        assert_eq!(memory.recent[0], PathBuf::from("15.wav"));
        assert_eq!(memory.recent.iter().filter(|f| f.as_os_str() == "15.wav").count(), 1);
    }
}
