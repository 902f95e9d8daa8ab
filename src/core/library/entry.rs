//! A kit of the library as lists show it.

use crate::kit::{Document, Role};
use std::{
    path::{Path, PathBuf},
    time::SystemTime,
};

/// A kit of the library, read without its audio.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The kit file.
    pub file: PathBuf,
    /// Name of the kit.
    pub name: String,
    /// Words that the player gave it.
    pub tags: Vec<String>,
    /// Roles of the pads that sound, each once.
    pub roles: Vec<Role>,
    /// Names of its takes.
    pub takes: Vec<String>,
    /// Size of the file, bytes.
    pub bytes: u64,
    /// When the file was written last, where the system tells.
    pub written: Option<SystemTime>,
}

impl Entry {
    pub(super) fn new(file: PathBuf, about: &std::fs::Metadata, document: &Document) -> Self {
        let mut roles: Vec<Role> = Vec::new();
        for pad in document.pads.iter().filter(|pad| !pad.is_empty()) {
            if !roles.contains(&pad.role) {
                roles.push(pad.role);
            }
        }
        Self {
            name: document.name.clone(),
            tags: document.tags.clone(),
            roles,
            takes: document.takes.iter().map(|take| take.name.clone()).collect(),
            bytes: about.len(),
            written: about.modified().ok(),
            file,
        }
    }

    /// Whether every word of `search` is part of the name, a tag, a role or a take's name; case does not count.
    pub fn matches(&self, search: &str) -> bool {
        let text = self.searched();
        search.to_lowercase().split_whitespace().all(|word| text.contains(word))
    }

    fn searched(&self) -> String {
        let roles = self.roles.iter().map(Role::to_string);
        let words = self.tags.iter().chain(&self.takes).cloned().chain(roles);
        std::iter::once(self.name.clone()).chain(words).collect::<Vec<_>>().join("\n").to_lowercase()
    }
}

/// The kit `steps` further in a list (backwards where negative), going on at the other end; the first one where `now` is
/// not in the list. `None` for an empty list.
pub fn neighbour<'a>(entries: &'a [Entry], now: Option<&Path>, steps: isize) -> Option<&'a Entry> {
    let at = now.and_then(|now| entries.iter().position(|entry| entry.file == now));
    match at {
        Some(at) => entries.get((at as isize + steps).rem_euclid(entries.len() as isize) as usize),
        None if steps < 0 => entries.last(),
        None => entries.first(),
    }
}
