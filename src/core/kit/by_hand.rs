//! Settings that a player changed: they stay when a pad is shaped or cast again, until they are let go.

use super::{Pad, TableVisitor};
use crate::settings::Setting;
use std::{collections::BTreeMap, fmt::Arguments};

/// The name in [`Pad::by_hand`] of the hit that was chosen.
pub const HIT: &str = "hit";
/// The name of the role.
pub const ROLE: &str = "role";
/// The name of the MIDI note.
pub const NOTE: &str = "note";
/// The name of the pad's own fit.
pub const FIT: &str = "fit";
/// The name of the list of layers, once one was added or removed.
const LAYERS: &str = "layers";
/// The name of the order of the tone chain.
const ORDER: &str = "tone order";
/// What says which sound a pad is made of, rather than how it is shaped.
const CHOICES: [&str; 4] = [HIT, ROLE, NOTE, FIT];

impl Pad {
    /// Changes the pad and marks the settings that differ afterwards as set by hand.
    pub fn change_by_hand(&mut self, change: impl FnOnce(&mut Self)) {
        let mut before = self.clone();
        change(self);
        let old = values(&mut before);
        let same_layers = self.layers.len() == before.layers.len();
        let mut changed: Vec<String> = values(self)
            .into_iter()
            .filter(|(name, value)| {
                // a removed layer gives its place to the next one
                let counts = same_layers || !name.starts_with("layer ");
                counts && old.get(name).is_some_and(|old| old.to_bits() != value.to_bits())
            })
            .map(|(name, _)| name)
            .collect();
        let parts = [
            (ROLE, self.role != before.role),
            (NOTE, self.note != before.note),
            (LAYERS, !same_layers),
            (ORDER, self.tone.order != before.tone.order),
        ];
        changed.extend(parts.into_iter().filter(|p| p.1).map(|p| p.0.to_owned()));
        changed.iter().for_each(|name| self.mark_by_hand(name));
    }

    /// Marks what this name stands for as set by hand.
    pub fn mark_by_hand(&mut self, name: &str) {
        if let Err(at) = self.by_hand.binary_search_by(|n| n.as_str().cmp(name)) {
            self.by_hand.insert(at, name.to_owned());
        }
    }

    /// Whether what this name stands for was set by hand; see [`setting_name`].
    pub fn is_by_hand(&self, name: &str) -> bool {
        self.by_hand.binary_search_by(|n| n.as_str().cmp(name)).is_ok()
    }

    /// The names of the settings that the fit does not move: all that were set by hand but hit, role, note and fit.
    pub fn held_settings(&self) -> impl Iterator<Item = &str> {
        self.by_hand.iter().map(String::as_str).filter(|n| !CHOICES.contains(n))
    }

    /// The names of [`Pad::held_settings`] with the words to show for each: "cloud copies".
    pub fn held_words(&self) -> Vec<(String, String)> {
        let mut words = Words(BTreeMap::new());
        self.clone().each_table(&mut words);
        let shown = |name: &str| words.0.get(name).cloned().unwrap_or_else(|| name.to_owned());
        self.held_settings().map(|name| (name.to_owned(), shown(name))).collect()
    }

    /// Lets a setting follow the fit again, or every one (`None`). The values stay until the pad is shaped again.
    pub fn let_go(&mut self, name: Option<&str>) {
        match name {
            Some(name) => self.by_hand.retain(|n| n != name),
            None => self.by_hand.retain(|n| CHOICES.contains(&n.as_str())),
        }
    }

    /// Gives a pad that was made again what the player had set by hand on `old`, and its lock.
    pub fn keep_by_hand(&mut self, old: &Self) {
        self.locked = old.locked;
        self.by_hand.clone_from(&old.by_hand);
        if self.is_by_hand(LAYERS) {
            self.layers.clone_from(&old.layers);
        }
        self.grow_to_hold(old);
        if self.is_by_hand(ORDER) {
            self.tone.order = old.tone.order;
        }
        let kept = values(&mut old.clone());
        let held = |name: &str| self.by_hand.binary_search_by(|n| n.as_str().cmp(name)).is_ok();
        let kept: BTreeMap<String, f32> = kept.into_iter().filter(|(name, _)| held(name)).collect();
        self.each_table(&mut Put(kept));
    }

    /// Adds the layers and dips of `old` that hold settings set by hand and have no place here.
    fn grow_to_hold(&mut self, old: &Self) {
        let count = |list: &str| {
            let numbers =
                old.by_hand.iter().filter_map(|n| n.strip_prefix(list)?.split(' ').next()?.parse().ok());
            numbers.max().unwrap_or(0_usize)
        };
        let (layers, dips) = (count("layer "), count("dip "));
        let missing = |have: usize, want: usize, all: usize| have.min(all)..want.clamp(have.min(all), all);
        self.layers.extend_from_slice(&old.layers[missing(self.layers.len(), layers, old.layers.len())]);
        let dips = missing(self.tone.dips.len(), dips, old.tone.dips.len());
        self.tone.dips.extend_from_slice(&old.tone.dips[dips]);
    }

    /// Forgets names that stand for nothing in this pad.
    pub(super) fn mend_by_hand(&mut self) {
        if self.by_hand.is_empty() {
            return;
        }
        let known = values(self);
        let others = [LAYERS, ORDER];
        self.by_hand.retain(|n| {
            known.contains_key(n) || CHOICES.contains(&n.as_str()) || others.contains(&n.as_str())
        });
        self.by_hand.sort();
        self.by_hand.dedup();
    }
}

/// The name in [`Pad::by_hand`] of the setting `id` of a structure: nothing for the pad's own settings, "cloud",
/// "variation", "layer 2", "low cut" and so on, as [`Pad::each_table`] names them.
pub fn setting_name(owner: &str, id: &str) -> String {
    let owner = owner.trim_start_matches(", ");
    if owner.is_empty() { id.to_owned() } else { format!("{owner} {id}") }
}

/// Every setting of a pad by name.
fn values(pad: &mut Pad) -> BTreeMap<String, f32> {
    let mut values = Values(BTreeMap::new());
    pad.each_table(&mut values);
    values.0
}

struct Values(BTreeMap<String, f32>);

impl TableVisitor for Values {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>) {
        let owner = owner.to_string();
        // slices belong to the hit
        if !owner.contains("slice") {
            self.0.extend(table.iter().map(|s| (setting_name(&owner, s.id), (s.get)(value))));
        }
    }
}

struct Words(BTreeMap<String, String>);

impl TableVisitor for Words {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], _: &mut T, owner: Arguments<'_>) {
        let owner = owner.to_string();
        let words = |s: &Setting<T>| setting_name(&owner, &s.name.to_lowercase());
        self.0.extend(table.iter().map(|s| (setting_name(&owner, s.id), words(s))));
    }
}

struct Put(BTreeMap<String, f32>);

impl TableVisitor for Put {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>) {
        let owner = owner.to_string();
        for setting in table {
            if let Some(kept) = self.0.get(&setting_name(&owner, setting.id)) {
                (setting.set)(value, *kept);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Layer, Role};

    fn changed() -> Pad {
        let mut pad = Pad::empty(36, Role::Kick);
        pad.change_by_hand(|p| {
            p.settings.choke_group = 3;
            p.cloud.copies = 12;
            p.layers[0].settings.pitch_st = -5.0;
        });
        pad
    }

    #[test]
    fn what_differs_is_marked_and_nothing_else() {
        let mut pad = changed();
        assert_eq!(pad.by_hand, ["choke_group", "cloud copies", "layer 1 pitch_st"]);
        pad.change_by_hand(|p| p.cloud.copies = 12);
        assert_eq!(pad.by_hand.len(), 3, "an edit without a difference marks nothing");
        assert!(pad.is_by_hand(&setting_name("cloud", "copies")));
    }

    #[test]
    fn a_pad_that_is_made_again_keeps_what_was_set_by_hand() {
        let old = changed();
        let mut made = Pad::empty(36, Role::Kick);
        made.cloud.spread_ms = 77.0;
        made.layers[0].settings.decay_ms = 123.0;
        made.keep_by_hand(&old);
        assert_eq!((made.settings.choke_group, made.cloud.copies), (3, 12));
        assert_eq!(made.layers[0].settings.pitch_st, -5.0);
        assert_eq!(
            (made.cloud.spread_ms, made.layers[0].settings.decay_ms),
            (77.0, 123.0),
            "the rest is new"
        );
        assert_eq!(made.by_hand, old.by_hand);
    }

    #[test]
    fn a_setting_or_all_of_them_are_let_go() {
        let mut pad = changed();
        pad.mark_by_hand(HIT);
        pad.let_go(Some("cloud copies"));
        assert_eq!(pad.by_hand, ["choke_group", HIT, "layer 1 pitch_st"]);
        pad.let_go(None);
        assert_eq!(pad.by_hand, [HIT], "the hit stays the one that was chosen");
    }

    #[test]
    fn layers_added_by_hand_stay() {
        let mut old = Pad::empty(36, Role::Kick);
        old.change_by_hand(|p| p.layers.push(Layer::default()));
        old.change_by_hand(|p| p.layers[1].settings.pitch_st = 7.0);
        let mut made = Pad::empty(36, Role::Kick);
        made.keep_by_hand(&old);
        assert_eq!((made.layers.len(), made.layers[1].settings.pitch_st), (2, 7.0));
        old.let_go(Some("layers"));
        let mut made = Pad::empty(36, Role::Kick);
        made.keep_by_hand(&old);
        assert_eq!(made.layers.len(), 2, "a layer whose pitch was set by hand has to be there");
    }

    #[test]
    fn names_of_unknown_settings_are_dropped() {
        let mut pad = changed();
        pad.by_hand.extend(["nothing".into(), "choke_group".into(), "layer 4 pitch_st".into()]);
        pad.mend_by_hand();
        assert_eq!(pad.by_hand, ["choke_group", "cloud copies", "layer 1 pitch_st"]);
    }
}
