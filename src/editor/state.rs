//! Everything the window remembers between frames: the selection, and what each view holds.

use super::{
    automation::Automation,
    compare::Compare,
    drop_targets::DropTargets,
    file_browser::FileBrowser,
    lights::Lights,
    memory::Memory,
    pad_editor::{
        last_cloud::LastCloud, live::Live, reductions::HeldReductions, spectrum::Spectrum, strokes::Strokes,
    },
    selection::Selection,
    side_input::SideInput,
    take_view::position::TakeView,
    wave::Waves,
};
use kitwright_core::kit::{Kit, PADS, Pad};
use std::sync::Arc;

/// Everything the window remembers between frames.
#[derive(Default)]
pub struct WindowState {
    /// What is remembered with the host's session.
    pub memory: Memory,
    /// What is chosen.
    pub selection: Selection,
    /// The take view.
    pub take: TakeView,
    /// Lights and meters of the pads.
    pub lights: Lights,
    /// The versions of A and B that are not heard.
    pub compare: Compare,
    /// The file browser, while it is open.
    pub browser: Option<FileBrowser>,
    /// The About box is open.
    pub about: bool,
    /// The kit's own settings are open.
    pub kit_settings: bool,
    /// A pad that was copied.
    pub clipboard: Option<Pad>,
    /// A fit that was moved; the session has not been asked for it yet.
    pub(super) pending_fit: Option<PendingFit>,
    /// The fit that the session is computing; shown until it is done.
    pub(super) sent_fit: Option<PendingFit>,
    /// Hits that "Next best" has tried, for each pad.
    pub(super) tried: [Vec<(usize, usize)>; PADS],
    /// Where files can be dropped.
    pub(super) drop_targets: DropTargets,
    pub(super) side: SideInput,
    pub(super) waves: Waves,
    pub(super) spectrum: Spectrum,
    pub(super) live: Live,
    pub(super) reductions: HeldReductions,
    pub(super) cloud: LastCloud,
    pub(super) strokes: Strokes,
    /// Trims that the host moved recently.
    pub(super) automation: Automation,
    /// The kit of the frame before, to notice changes.
    pub(super) last_kit: Option<Arc<Kit>>,
}

/// A fit that is sent to the session once the control has rested.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PendingFit {
    /// Pad, or the whole kit.
    pub pad: Option<usize>,
    /// 0 to 1.
    pub fit: f32,
    /// egui's time of the last movement, s.
    pub moved_at: f64,
    /// The control is still held.
    pub held: bool,
}

impl WindowState {
    /// A window that has not been opened yet, with what the host's session remembers.
    pub fn new(memory: Memory) -> Self {
        Self { memory, ..Self::default() }
    }

    /// Whether a thread of the window is still computing something to show: a wave, a spectrum, a folder's list.
    pub fn is_working(&self) -> bool {
        self.waves.is_working()
            || self.spectrum.is_working()
            || self.browser.as_ref().is_some_and(FileBrowser::is_working)
    }

    /// Closes the window: selection and clipboard stay; boxes, waves and held controls go.
    pub fn close(&mut self) {
        let memory = std::mem::take(&mut self.memory);
        *self = Self {
            memory,
            selection: self.selection,
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
        f.debug_struct("WindowState").field("selection", &self.selection).finish_non_exhaustive()
    }
}
