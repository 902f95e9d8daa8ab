//! A kit prepared for playing: settings clamped and slices checked once, off the audio thread.

use super::{
    dsp::reader::Reader,
    key_parts::PlayKeyPart,
    pad_tails::add_tails,
    play_layer::PlayLayer,
    play_slice::{PlaySlice, SampleSource, clamp_settings, pan},
    tail::Tail,
};
use crate::{
    kit::{KEY_PARTS, KeyMap, Kit, LAYERS, MAX_DIPS, PADS, Pad, TableVisitor, key_map},
    settings::Setting,
    units::{db_to_gain, st_to_ratio},
};
use std::{fmt::Arguments, sync::Arc};

/// A kit prepared for playing at one sample rate.
#[derive(Debug)]
pub struct PlayKit {
    /// The kit it was made from, with its takes.
    pub kit: Arc<Kit>,
    /// Sample rate of the engine, Hz.
    pub sample_rate: f64,
    pub(super) pads: Vec<PlayPad>,
    /// The pads that each key plays.
    pub(super) keys: KeyMap,
    /// The parts that are on, by their place in the kit.
    pub(super) key_parts: [Option<PlayKeyPart>; KEY_PARTS],
}

/// A pad with every setting inside its range and every slice inside its take.
#[derive(Debug)]
pub(super) struct PlayPad {
    pub pad: Pad,
    pub slices: Vec<PlaySlice>,
    pub layers: Vec<PlayLayer>,
    /// The tails that its layers play.
    pub tails: Vec<Arc<Tail>>,
    /// Left and right, as amplitude ratios: the pad's own level and pan, without trims.
    pub gains: [f32; 2],
    /// Fundamental of the pad after the pitch of its first layer, Hz.
    pub note_hz: Option<f32>,
}

impl PlayKit {
    /// Prepares `kit` for an engine at `sample_rate` Hz. Allocates: not for the audio thread. Settings outside
    /// their range are clamped, slices outside their take are left out.
    pub fn new(kit: Arc<Kit>, sample_rate: f64) -> Self {
        Reader::prepare();
        let empty = Pad { note: u8::MAX, ..Pad::default() };
        let pads = (0..PADS).map(|p| PlayPad::new(&kit, p, kit.doc.pads.get(p).unwrap_or(&empty))).collect();
        let keys = key_map(&kit.doc);
        let part = |p: usize| PlayKeyPart::new(&kit.takes, kit.doc.key_parts.get(p)?);
        let key_parts = std::array::from_fn(part);
        Self { kit, sample_rate, pads, keys, key_parts }
    }

    /// The channels of a source.
    pub(super) fn channels(&self, source: SampleSource) -> &[Vec<f32>] {
        match source {
            SampleSource::Take(take) => &self.kit.takes[take].channels,
            SampleSource::Tail(pad, tail) => &self.pads[usize::from(pad)].tails[usize::from(tail)].channels,
        }
    }

    /// Whether pad `pad` sounds the same in both kits, so that it may play on when one replaces the other.
    pub(super) fn same_pad(&self, other: &PlayKit, pad: usize) -> bool {
        let (a, b) = (&self.pads[pad], &other.pads[pad]);
        let slices = a.slices.iter().chain(a.layers.iter().filter_map(|l| l.slice.as_ref()));
        self.kit.doc.seed == other.kit.doc.seed
            && self.sample_rate == other.sample_rate
            && a.pad == b.pad
            && a.slices == b.slices
            && a.note_hz == b.note_hz
            && a.tails.len() == b.tails.len()
            && slices.into_iter().all(|slice| {
                let SampleSource::Take(t) = slice.source else { return false };
                self.kit.takes.get(t).zip(other.kit.takes.get(t)).is_some_and(|(x, y)| Arc::ptr_eq(x, y))
            })
    }
}

impl PlayPad {
    fn new(kit: &Kit, index: usize, pad: &Pad) -> Self {
        let mut pad = pad.clone();
        pad.tone.dips.truncate(MAX_DIPS);
        pad.each_table(&mut ClampSettings);
        let slices: Vec<_> = pad.slices.iter().filter_map(|s| PlaySlice::new(&kit.takes, s)).collect();
        let mut layers: Vec<_> = pad
            .layers
            .iter()
            .take(LAYERS)
            .filter(|l| l.settings.on)
            .filter_map(|l| {
                let slice = match &l.slice {
                    Some(own) => Some(PlaySlice::new(&kit.takes, own)?),
                    None => None,
                };
                Some(PlayLayer { settings: l.settings, slice, with_tails: Vec::new() })
            })
            .filter(|l| l.slice.is_some() || !slices.is_empty())
            .collect();
        let tails = add_tails(kit, index, &pad, &slices, &mut layers);
        let level = db_to_gain(f64::from(pad.settings.level_db)) as f32;
        let gains = pan(f64::from(pad.settings.pan)).map(|g| g * level);
        let note_hz = note_hz(kit, &pad);
        Self { pad, slices, layers, tails, gains, note_hz }
    }

    /// Whether a trigger makes no sound.
    pub fn is_empty(&self) -> bool {
        self.layers.is_empty()
    }
}

/// Fundamental of the pad's first hit, transposed by its first layer's pitch, Hz.
fn note_hz(kit: &Kit, pad: &Pad) -> Option<f32> {
    let layer = pad.layers.iter().find(|l| l.settings.on)?;
    let slice = layer.slice.as_ref().or(pad.slices.first())?;
    let hits = &kit.doc.takes.get(slice.take)?.hits;
    let hit = hits.iter().find(|h| h.start <= slice.start && slice.start < h.end)?;
    let st = f64::from(layer.settings.pitch_st) + f64::from(layer.settings.fine_ct) / 100.0;
    hit.description.pitch_hz.map(|hz| (f64::from(hz) * st_to_ratio(st)) as f32)
}

/// Moves every setting that it visits into its range.
struct ClampSettings;

impl TableVisitor for ClampSettings {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        clamp_settings(table, value);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        kit::{Band, Layer, Slice},
        listen::{Description, Hit},
        settings::Unit,
        take::Take,
    };

    /// A place beside or at an end of a setting's range.
    #[derive(Debug, Clone, Copy)]
    enum Place {
        Min,
        Max,
        BelowMin,
        AboveMax,
    }

    /// Puts setting number `wanted` of a pad at a place of its range, or reads it.
    struct Nth {
        wanted: usize,
        place: Option<Place>,
        /// Its owner and id, the end of the range at that place, and its value now.
        found: Option<(String, f32, f32)>,
    }

    impl TableVisitor for Nth {
        fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>) {
            if self.found.is_some() {
                return;
            }
            if let Some(s) = table.get(self.wanted) {
                let step = if s.unit == Unit::Count { 1.0 } else { 0.001 * (s.max - s.min) };
                let (to, end) = match self.place {
                    None => ((s.get)(value), 0.0),
                    Some(Place::Min) => (s.min, s.min),
                    Some(Place::Max) => (s.max, s.max),
                    Some(Place::BelowMin) => (s.min - step, s.min),
                    Some(Place::AboveMax) => (s.max + step, s.max),
                };
                (s.set)(value, to);
                self.found = Some((format!("pad 1{owner}: {}", s.id), end, (s.get)(value)));
            } else {
                self.wanted -= table.len();
            }
        }
    }

    fn nth(pad: &mut Pad, wanted: usize, place: Option<Place>) -> Option<(String, f32, f32)> {
        let mut nth = Nth { wanted, place, found: None };
        pad.each_table(&mut nth);
        nth.found
    }

    /// A kit whose first pad has one of everything that has settings.
    fn kit() -> Kit {
        let take = Arc::new(Take::from_samples("take", 48_000, vec![vec![0.5; 100]]));
        let slice = Slice { take: 0, start: 0, end: 100, gain_db: 0.0, velocities: [0.0, 1.0] };
        let mut kit = Kit::default();
        kit.doc.takes = vec![crate::kit::TakeEntry::new(&take, Vec::new())];
        kit.takes = vec![take];
        let pad = &mut kit.doc.pads[0];
        pad.slices = vec![slice];
        pad.layers = vec![Layer { slice: Some(slice), ..Layer::default() }];
        pad.tone.dips = vec![Band::default()];
        kit
    }

    #[test]
    fn a_pad_whose_hit_has_another_pitch_is_another_pad() {
        let kit = kit();
        let pitched = |hz| {
            let mut kit = kit.clone();
            let description = Description { pitch_hz: Some(hz), ..Description::default() };
            kit.doc.takes[0].hits = vec![Hit { start: 0, end: 100, by_hand: false, description }];
            PlayKit::new(Arc::new(kit), 48_000.0)
        };
        assert!(pitched(110.0).same_pad(&pitched(110.0), 0));
        assert!(!pitched(110.0).same_pad(&pitched(220.0), 0), "its note bell lies elsewhere");
    }

    #[test]
    fn the_engine_plays_every_setting_over_the_whole_range_that_a_valid_kit_may_have() {
        let mut settings = 0;
        while nth(&mut kit().doc.pads[0], settings, None).is_some() {
            for place in [Place::Min, Place::Max, Place::BelowMin, Place::AboveMax] {
                let mut kit = kit();
                let (what, end, now) = nth(&mut kit.doc.pads[0], settings, Some(place)).unwrap();
                let valid = kit.doc.check(&kit.takes).is_ok();
                // a switch, a word or a count cannot hold every value beside its range
                assert_eq!(valid, now == end, "{what} at {now} ({place:?})");
                let played = PlayKit::new(Arc::new(kit), 48_000.0);
                let mut pad = played.pads[0].pad.clone();
                assert_eq!(nth(&mut pad, settings, None).unwrap().2, end, "{what} is played at {place:?}");
                assert_eq!(played.pads[0].slices[0].gain_db, pad.slices[0].gain_db);
            }
            settings += 1;
        }
        assert!(settings > 100, "{settings} settings seen");
    }
}
