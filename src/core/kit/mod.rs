//! The kit document: pads, layers, cloud and tone; plain data, immutable once handed out.
//!
//! An edit clones the [`Kit`] (takes are shared, not copied), changes the clone and swaps it in.
//! That is what makes undo, A/B, copy, paste, save and "load while playing" simple.

mod bounded;
pub mod by_hand;
mod check;
mod family;
mod file;
mod general_midi;
mod keep_used;
mod key_names;
mod key_part;
mod layer;
mod limits;
mod pad;
mod reach;
mod role;
mod tables;
mod tone;

pub use crate::music::{Key, Mode};
pub use family::Family;
pub use file::{EXTENSION, MAX_STATE_AUDIO};
pub use general_midi::{KeyMap, key_map};
pub use key_names::note_names;
pub use key_part::{
    FoundLoop, KEY_PART, KEY_PARTS, KeyLoop, KeyPart, KeyPartKind, KeyPartSettings, find_loop,
};
pub use layer::{CLOUD, Channels, Cloud, Draw, LAYER, Layer, LayerSettings, SLICE, Slice, Timing};
pub(crate) use layer::{NO_END_MS, TAIL_REACH_MS};
pub use limits::{LAYERS, MAX_HITS, MAX_SAMPLES, MAX_SLICES, MAX_TAGS, MAX_TAKES, PADS};
pub use pad::{Alternate, Audition, PAD, Pad, PadSettings, Target, VARIATION, Variation, VariationMode};
pub use role::Role;
pub use tables::TableVisitor;
pub use tone::{
    BAND, Band, COMPRESSOR, CUT, Character, Compressor, Cut, DIP_AMOUNT, LIMITER, LOW_BAND_EDGE, Limiter,
    MAX_DIPS, SATURATION, Saturation, Slope, TILT, TONE, Tone, ToneStage,
};

use crate::{
    listen::Hit,
    settings::{KitTrims, PadTrims},
    take::{LossyCodec, Take},
};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Version of the document this code writes; newer ones are refused.
pub const VERSION: u32 = 1;

/// A kit with its audio: what the engine plays, the files hold and undo remembers.
#[derive(Debug, Clone, Default)]
pub struct Kit {
    /// How everything is built.
    pub doc: Document,
    /// The recordings, in the order of `doc.takes`.
    pub takes: Vec<Arc<Take>>,
}

impl Kit {
    /// The pads that have something to play: index, pad and first slice.
    pub fn sounding(&self) -> impl Iterator<Item = (usize, &Pad, &Slice)> {
        self.doc.pads.iter().enumerate().filter_map(|(i, pad)| {
            let slice = pad.slices.first().or_else(|| pad.layers.iter().find_map(|l| l.slice.as_ref()))?;
            Some((i, pad, slice))
        })
    }
}

/// How a kit is built: everything but the audio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Document {
    /// Version of the document format.
    pub version: u32,
    /// Name to show.
    pub name: String,
    /// Words that the player gave the kit, to find it by; [`MAX_TAGS`] at most.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "bounded::list::<MAX_TAGS, _, _>"
    )]
    pub tags: Vec<String>,
    /// Decides every random draw together with the notes.
    pub seed: u64,
    /// How far fresh pads are shaped from the raw hit (0) to their role (1).
    pub fit: f32,
    /// The song's key, when given or found.
    pub key: Option<Key>,
    /// Whether the kick is tuned to the key as well.
    pub tune_kick: bool,
    /// Whether keys of the General MIDI percussion map that have no pad are played by the nearest drum.
    /// Missing in older kits, which read as `false`.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub general_midi: bool,
    /// The hits detected in each take, in the order of the kit's takes.
    #[serde(deserialize_with = "bounded::list::<MAX_TAKES, _, _>")]
    pub takes: Vec<TakeEntry>,
    /// The sixteen pads.
    #[serde(deserialize_with = "bounded::list::<PADS, _, _>")]
    pub pads: Vec<Pad>,
    /// Hits played over the keyboard, each on a MIDI channel of its own. Missing in older kits, which read as an empty list.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "bounded::list::<KEY_PARTS, _, _>"
    )]
    pub key_parts: Vec<KeyPart>,
    /// Trims as they were when the kit was saved; inside a host its parameters own them.
    pub trims: Trims,
}

/// Every trim of a kit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Trims {
    /// Trims of the whole kit.
    pub kit: KitTrims,
    /// Trims of each pad.
    pub pads: [PadTrims; PADS],
}

impl Default for Trims {
    fn default() -> Self {
        Self { kit: KitTrims::default(), pads: [PadTrims::default(); PADS] }
    }
}

/// A take as the document knows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeEntry {
    /// Name to show.
    pub name: String,
    /// Hz.
    pub sample_rate: u32,
    /// Length in frames.
    pub frames: u64,
    /// One or two.
    pub channels: u8,
    /// The hits detected, in order; [`MAX_HITS`] at most.
    #[serde(deserialize_with = "bounded::list::<MAX_HITS, _, _>")]
    pub hits: Vec<Hit>,
    /// Frames where a detected hit was removed or moved by hand: none is detected there again.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "bounded::list::<MAX_HITS, _, _>"
    )]
    pub set_aside: Vec<u64>,
    /// Constant offset of the longer take that this one was cut out of, left and right, as fractions of full scale;
    /// takes that were not cut have their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<[f32; 2]>,
    /// The lossy codec of the file that it was read from. Missing in older kits, and where there was none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lossy: Option<LossyCodec>,
}

impl TakeEntry {
    /// The entry of a take with its hits.
    pub fn new(take: &Take, hits: Vec<Hit>) -> Self {
        Self {
            name: take.name.clone(),
            sample_rate: take.sample_rate,
            frames: take.frames() as u64,
            channels: take.channels.len() as u8,
            hits,
            set_aside: Vec::new(),
            offset: None,
            lossy: take.lossy,
        }
    }
}

/// How far pads are shaped unless the player says otherwise: far enough that independent classifiers take them for
/// their role about as often as fully shaped ones (tests/SCORES.md).
pub const DEFAULT_FIT: f32 = 0.8;

impl Default for Document {
    fn default() -> Self {
        Self {
            version: VERSION,
            name: "Untitled".into(),
            tags: Vec::new(),
            seed: 1,
            fit: DEFAULT_FIT,
            key: None,
            tune_kick: false,
            general_midi: false,
            takes: Vec::new(),
            pads: Role::DEFAULT_PADS.iter().map(|&(note, role)| Pad::empty(note, role)).collect(),
            key_parts: Vec::new(),
            trims: Trims::default(),
        }
    }
}
