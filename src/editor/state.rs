//! Everything the window keeps between frames: what is chosen, and the state of each view.

use super::{
    drops::DropTargets, file_browser::FileBrowser, frame_context::Readings, header::Header,
    library::LibraryView, pad_editor::PadEditor, regions::Regions, selection::Selection,
    side_input::SideInput, stored_window::StoredWindow, take_view::position::TakeView, unsaved::Unsaved,
};
use kitwright_core::{kit::Kit, session::Session};
use std::sync::Arc;

/// Everything the window keeps between frames. Views share the selection; each gets its own state besides.
#[derive(Default)]
pub struct WindowState {
    /// What is remembered with the host's session.
    pub memory: StoredWindow,
    /// What is chosen: the one thing that views share and change.
    pub selection: Selection,
    /// What is read from takes, engine and host for all views.
    pub readings: Readings,
    /// The top line and its boxes.
    pub header: Header,
    /// The take view.
    pub take: TakeView,
    /// The pad editor.
    pub pad_editor: PadEditor,
    /// The file browser, while it is open.
    pub browser: Option<FileBrowser>,
    /// The box of the kit library.
    pub library: LibraryView,
    /// The question about unsaved work.
    pub(super) unsaved: Unsaved,
    /// The regions that F6 goes through.
    pub(super) regions: Regions,
    /// Where files can be dropped.
    pub(super) drop_targets: DropTargets,
    /// Level of the side input.
    pub(super) side: SideInput,
    /// The kit of the frame before, to notice changes.
    pub(super) last_kit: Option<Arc<Kit>>,
}

impl WindowState {
    /// A window that has not been opened yet, with what the host's session remembers.
    pub fn new(memory: StoredWindow) -> Self {
        Self { memory, ..Self::default() }
    }

    /// Whether a thread of the window is still computing something to show: a wave, a spectrum, a folder's list.
    pub fn is_working(&self) -> bool {
        self.readings.waves.is_working()
            || self.readings.finished.is_working()
            || self.pad_editor.is_working()
            || self.library.is_working()
            || self.browser.as_ref().is_some_and(FileBrowser::is_working)
    }

    /// Asks whether the program may end although the kit was not saved.
    pub fn ask_before_end(&mut self) {
        self.unsaved.ask_before_end();
    }

    /// Whether the player has let the program end.
    pub fn ends(&self) -> bool {
        self.unsaved.ends()
    }

    /// Lets go what still sounds because it is held in the window: the window closes.
    pub fn let_go(&mut self, session: &Session) {
        self.readings.held.let_go(session);
        self.header.keys.let_go(session);
    }

    /// Closes the window: memory, selection and what each view keeps stay; boxes, waves and held controls go.
    pub fn close(&mut self) {
        let Self { memory, selection, mut header, take, mut pad_editor, last_kit, .. } = std::mem::take(self);
        header.close();
        pad_editor.close();
        *self = Self { memory, selection, header, take, pad_editor, last_kit, ..Self::default() };
    }
}

impl std::fmt::Debug for WindowState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WindowState").field("selection", &self.selection).finish_non_exhaustive()
    }
}
