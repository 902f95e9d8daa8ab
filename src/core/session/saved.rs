//! Where the open kit belongs, and what of it was saved.

use super::history::KitFile;
use crate::kit::Kit;
use std::{path::PathBuf, sync::Arc};

/// Where the open kit belongs, and what of it was saved.
#[derive(Debug, Default)]
pub(super) struct Saved {
    /// The file that the kit was loaded from or saved to last.
    pub file: KitFile,
    /// The kit as a file or a project holds it.
    kit: Option<Arc<Kit>>,
    /// Files of jobs that have succeeded, until the window asks.
    pub opened: Vec<PathBuf>,
    /// What the last job has to say.
    pub note: Option<String>,
    /// An autosave that was restored: the kit goes on being saved there.
    pub adopted: Option<PathBuf>,
}

impl Saved {
    /// Another kit is open, which belongs to `file`; returns the file before.
    pub(super) fn belongs_to(&mut self, file: KitFile) -> KitFile {
        std::mem::replace(&mut self.file, file)
    }

    /// This kit has been saved.
    pub(super) fn keep(&mut self, kit: Arc<Kit>) {
        self.kit = Some(kit);
    }

    /// Whether `kit` is the one that was saved: the same one, as after an undo, too.
    pub(super) fn holds(&self, kit: &Arc<Kit>) -> bool {
        self.kit.as_ref().is_some_and(|saved| Arc::ptr_eq(saved, kit))
    }
}
