//! A layer prepared for playing.

use super::play_slice::PlaySlice;
use crate::kit::LayerSettings;

/// A layer that is on.
#[derive(Debug)]
pub(super) struct PlayLayer {
    pub settings: LayerSettings,
    /// Its own slice; `None` to play the one chosen for the trigger.
    pub slice: Option<PlaySlice>,
    /// What it plays instead of its own slice, or of each of the pad's: that slice with a tail, where it has one.
    pub with_tails: Vec<Option<PlaySlice>>,
}

impl PlayLayer {
    /// What it plays with a tail when slice `chosen` of the pad was chosen for the trigger; `None` without one.
    pub fn with_tail(&self, chosen: usize) -> Option<PlaySlice> {
        let index = if self.slice.is_some() { 0 } else { chosen };
        self.with_tails.get(index).copied().flatten()
    }
}
