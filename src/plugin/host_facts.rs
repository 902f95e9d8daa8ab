//! What the host has told of its track and of the parameters, for the window.

use super::lock::lock;
use crate::editor::{Indication, Track};
use std::{collections::BTreeMap, sync::Mutex};

/// What one parameter is used for.
#[derive(Debug, Clone, Default)]
struct Use {
    /// A controller is mapped to it.
    mapping: Option<Indication>,
    /// It is automated.
    automation: Option<Indication>,
}

/// What the host has told. Written on its main thread, read by the window.
#[derive(Debug, Default)]
pub struct HostFacts {
    track: Mutex<Option<Track>>,
    /// By the parameter's place in the order of the host's list.
    uses: Mutex<BTreeMap<usize, Use>>,
}

impl HostFacts {
    /// The track, once the host has told it.
    pub fn track(&self) -> Option<Track> {
        lock(&self.track).clone()
    }

    /// Keeps the track; one without name and colour says nothing.
    pub fn set_track(&self, track: Track) {
        *lock(&self.track) = (track != Track::default()).then_some(track);
    }

    /// What the host does with the parameter at this place.
    pub fn indication(&self, param: usize) -> Option<Indication> {
        let uses = lock(&self.uses);
        let used = uses.get(&param)?;
        let both = used.mapping.iter().chain(&used.automation);
        let words: Vec<&str> = both.clone().map(|i| i.words.as_str()).collect();
        let colour = both.clone().find_map(|i| i.colour);
        (!words.is_empty()).then(|| Indication { words: words.join(", "), colour })
    }

    /// A controller is mapped to the parameter, or none any more.
    pub fn set_mapping(&self, param: usize, mapping: Option<Indication>) {
        lock(&self.uses).entry(param).or_default().mapping = mapping;
    }

    /// The parameter is automated, or not any more.
    pub fn set_automation(&self, param: usize, automation: Option<Indication>) {
        lock(&self.uses).entry(param).or_default().automation = automation;
    }
}
