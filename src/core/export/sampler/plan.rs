//! What is sampled of a kit: velocities, alternates and keys of each pad.

use crate::{
    error::{Error, Result},
    kit::{Document, KEY_PART, Kit, PAD, PADS, Pad, Slice, Tone, VariationMode, key_map},
    settings::{PAD_TRIMS, PadTrims, setting},
};
use std::ops::RangeInclusive;

/// Least and most velocities at which a pad is sampled.
pub const MIN_VELOCITIES: u8 = 4;
/// See [`MIN_VELOCITIES`].
pub const MAX_VELOCITIES: u8 = 32;
/// Strokes that a pad which varies from stroke to stroke gives at least, however few hits it has. Common practice, no
/// source.
const MIN_VARIED: usize = 4;
/// Alternates at most: what `seq_length` holds (SFZ version 1).
const MAX_ALTERNATES: usize = 100;

/// How a kit is sampled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleOptions {
    /// Rate of the samples, Hz: 8,000 to 384,000.
    pub rate: u32,
    /// Velocities at which each pad is sampled, [`MIN_VELOCITIES`] to [`MAX_VELOCITIES`]; where hits of a pad change with
    /// the velocity there are more.
    pub velocities: u8,
    /// Whether the samples have the pads' tone chains in them.
    pub tone: bool,
}

impl Default for SampleOptions {
    fn default() -> Self {
        Self { rate: 48_000, velocities: MIN_VELOCITIES, tone: true }
    }
}

impl SampleOptions {
    /// These options, if they lie within their ranges.
    pub(super) fn checked(self) -> Result<Self> {
        if !(8_000..=384_000).contains(&self.rate) {
            let rate = self.rate;
            return Err(Error::invalid(format!(
                "the rate is {rate} Hz, it must lie between 8000 and 384000"
            )));
        }
        if !(MIN_VELOCITIES..=MAX_VELOCITIES).contains(&self.velocities) {
            return Err(Error::invalid(format!(
                "{} velocities are asked for, it must be {MIN_VELOCITIES} to {MAX_VELOCITIES}",
                self.velocities
            )));
        }
        Ok(self)
    }
}

/// Velocities that one set of alternates plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Step {
    /// Lowest MIDI velocity, at least 1.
    pub low: u8,
    /// Highest MIDI velocity: the one that is recorded.
    pub high: u8,
    /// Strokes that take turns.
    pub alternates: usize,
}

/// How a pad is sampled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PadPlan {
    /// Index of the pad.
    pub pad: usize,
    /// Start of its files' names: "38-snare".
    pub stem: String,
    /// MIDI note of the pad.
    pub note: u8,
    /// Keys that play it, with what is added to its pitch, semitones.
    pub keys: Vec<(u8, f32)>,
    /// 0 is none.
    pub choke_group: u8,
    /// Whether it ends with the key.
    pub held: bool,
    /// Time to silence after the key is let go, seconds; counts for held pads only.
    pub release_s: f32,
    /// From the softest to the loudest; together they hold the velocities 1 to 127.
    pub steps: Vec<Step>,
}

impl PadPlan {
    /// Plans the pad of this index, which sounds.
    pub fn new(doc: &Document, index: usize, stem: String, options: &SampleOptions) -> Self {
        let pad = &doc.pads[index];
        let keys = key_map(doc);
        let longest = pad.layers.iter().map(|layer| layer.settings.release_ms).fold(0.0, f32::max);
        Self {
            pad: index,
            stem,
            note: pad.note,
            keys: (0..128).filter(|&key| keys.plays(key, index)).map(|key| (key, keys.of(key).1)).collect(),
            choke_group: pad.settings.choke_group,
            held: pad.settings.held,
            release_s: longest / 1000.0 * doc.trims.pads[index].length,
            steps: steps(doc, index, options.velocities),
        }
    }

    /// "38-snare-v3-a2.wav": counted from 1.
    pub fn sample_file(&self, step: usize, alternate: usize) -> String {
        format!("{}-v{}-a{}.wav", self.stem, step + 1, alternate + 1)
    }
}

/// The kit as it is sampled: no pad muted, the ceiling on, the kit's level in the key parts and in the pads of the main
/// output, with or without tone.
pub(super) fn neutral(kit: &Kit, options: &SampleOptions) -> Kit {
    let mut kit = kit.clone();
    let trims = &mut kit.doc.trims;
    trims.kit.ceiling_on = true;
    for (trims_of_pad, pad) in trims.pads.iter_mut().zip(&mut kit.doc.pads) {
        (trims_of_pad.mute, trims_of_pad.solo) = (false, false);
        if trims_of_pad.in_main {
            let wanted_db = trims_of_pad.level_db + trims.kit.level_db;
            trims_of_pad.level_db = setting(&PAD_TRIMS, "level_db").clamp(wanted_db);
            // what the trim has no room for: the pad's own level acts at the same place
            let rest_db = wanted_db - trims_of_pad.level_db;
            pad.settings.level_db = setting(&PAD, "level_db").clamp(pad.settings.level_db + rest_db);
        }
    }
    for part in &mut kit.doc.key_parts {
        let settings = &mut part.settings;
        settings.level_db =
            setting(&KEY_PART, "level_db").clamp(settings.level_db + kit.doc.trims.kit.level_db);
    }
    if !options.tone {
        // the trim would bypass the chains at the loudness that they have had so far
        kit.doc.pads.iter_mut().for_each(|pad| pad.tone = Tone::default());
        let none = PadTrims::default();
        for pad in &mut kit.doc.trims.pads {
            (pad.low_cut_hz, pad.high_cut_hz) = (none.low_cut_hz, none.high_cut_hz);
            (pad.tilt_db, pad.drive_db) = (none.tilt_db, none.drive_db);
        }
    }
    kit
}

/// Equal steps of the velocities, divided further where the pad's hits change.
fn steps(doc: &Document, index: usize, count: u8) -> Vec<Step> {
    let pad = &doc.pads[index];
    let mut steps: Vec<(Step, (u16, Vec<usize>))> = Vec::new();
    for velocity in 1..=127 {
        let hits = fitting(&pad.slices, doc.trims.kit.curved(f64::from(velocity) / 127.0));
        let place = (u16::from(velocity - 1) * u16::from(count) / 127, hits);
        match steps.last_mut() {
            Some((step, last)) if *last == place => step.high = velocity,
            _ => {
                let alternates = alternates(doc, index, place.1.len());
                steps.push((Step { low: velocity, high: velocity, alternates }, place));
            }
        }
    }
    steps.into_iter().map(|(step, _)| step).collect()
}

/// Indices of the slices that play at a velocity, or of those nearest to it, as the engine chooses them.
fn fitting(slices: &[Slice], velocity: f64) -> Vec<usize> {
    let distance = |slice: &Slice| {
        let [low, high] = slice.velocities.map(f64::from);
        if low <= high { (low - velocity).max(velocity - high).max(0.0) } else { 0.0 }
    };
    let nearest = slices.iter().map(distance).fold(f64::INFINITY, f64::min);
    (0..slices.len()).filter(|&s| distance(&slices[s]) == nearest).collect()
}

/// Strokes until a pad that plays so many hits in turn repeats itself; at least [`MIN_VARIED`] where strokes of one hit
/// differ.
fn alternates(doc: &Document, index: usize, hits: usize) -> usize {
    let pad = &doc.pads[index];
    let hits = hits.clamp(1, MAX_ALTERNATES);
    if pad.variation.mode == VariationMode::Held {
        1
    } else if varies(doc, index, pad) {
        MIN_VARIED.next_multiple_of(hits).max(hits)
    } else {
        hits
    }
}

fn varies(doc: &Document, index: usize, pad: &Pad) -> bool {
    let trims = (&doc.trims.kit, &doc.trims.pads[index.min(PADS - 1)]);
    let v = &pad.variation;
    let ranges = [v.start_ms, v.pitch_ct, v.level_db, v.cut_oct];
    let drawn = trims.0.vary * trims.1.vary > 0.0 && ranges.iter().any(|range| *range > 0.0);
    drawn || (pad.cloud.copies > 0 && trims.1.copies > 0.0)
}

/// Divides a range of velocities into `count` parts that are as equal as can be; fewer where it is too narrow.
pub(super) fn parts(low: u8, high: u8, count: usize) -> Vec<RangeInclusive<u8>> {
    let width = usize::from(high - low) + 1;
    let count = count.clamp(1, width);
    let edge = |i: usize| low + (i * width / count) as u8;
    (0..count).map(|i| edge(i)..=edge(i + 1) - 1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Role, Variation};

    fn still() -> Variation {
        Variation { start_ms: 0.0, pitch_ct: 0.0, level_db: 0.0, cut_oct: 0.0, ..Variation::default() }
    }

    fn doc(velocities: &[[f32; 2]]) -> Document {
        let mut pad = Pad { variation: still(), ..Pad::empty(38, Role::Snare) };
        let slice = |&velocities| Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities };
        pad.slices = velocities.iter().map(slice).collect();
        Document { pads: vec![pad], ..Document::default() }
    }

    fn ranges(doc: &Document, count: u8) -> Vec<(u8, u8, usize)> {
        steps(doc, 0, count).iter().map(|s| (s.low, s.high, s.alternates)).collect()
    }

    #[test]
    fn steps_hold_every_velocity_once_and_end_where_hits_change() {
        let whole = [0.0, 1.0];
        assert_eq!(ranges(&doc(&[whole; 3]), 4), [(1, 32, 3), (33, 64, 3), (65, 96, 3), (97, 127, 3)]);
        let split = doc(&[[0.0, 0.3], [0.31, 1.0], [0.31, 1.0]]);
        assert_eq!(ranges(&split, 4), [(1, 32, 1), (33, 38, 1), (39, 64, 2), (65, 96, 2), (97, 127, 2)]);
        for count in MIN_VELOCITIES..=MAX_VELOCITIES {
            let all = ranges(&split, count);
            assert_eq!((all[0].0, all[all.len() - 1].1), (1, 127));
            assert!(all.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0), "{all:?}");
        }
    }

    #[test]
    fn pads_that_vary_have_whole_rounds_of_their_hits() {
        let whole = [0.0, 1.0];
        for (hits, rounds) in [(1, 4), (2, 4), (3, 6), (4, 4), (5, 5), (7, 7)] {
            let mut doc = doc(&vec![whole; hits]);
            assert_eq!(alternates(&doc, 0, hits), hits);
            doc.pads[0].variation = Variation::default();
            assert_eq!(alternates(&doc, 0, hits), rounds, "{hits} hits");
            doc.pads[0].variation.mode = VariationMode::Held;
            assert_eq!(alternates(&doc, 0, hits), 1);
        }
    }

    #[test]
    fn the_kits_level_is_in_the_pads_of_the_main_output_alone() {
        let mut kit = Kit::default();
        let trims = &mut kit.doc.trims;
        trims.kit.level_db = 6.0;
        (trims.pads[1].level_db, trims.pads[2].in_main) = (10.0, false);
        let doc = neutral(&kit, &SampleOptions::default()).doc;
        let levels = |pad: usize| (doc.trims.pads[pad].level_db, doc.pads[pad].settings.level_db);
        let own_db = kit.doc.pads[1].settings.level_db;
        assert_eq!(levels(0), (6.0, own_db));
        assert_eq!(levels(1), (12.0, own_db + 4.0), "more than the trim can hold");
        assert_eq!(levels(2), (0.0, own_db), "the kit's level acts on the main output alone");
    }

    #[test]
    fn parts_are_even_and_none_is_empty() {
        assert_eq!(parts(97, 127, 4), [97..=103, 104..=111, 112..=119, 120..=127]);
        assert_eq!(parts(5, 6, 4), [5..=5, 6..=6]);
        assert_eq!(parts(127, 127, 3), [127..=127]);
    }
}
