//! How far pads read into their slices: until their envelopes have ended, at the highest pitch that they play.
//!
//! Every figure is an upper bound of what the engine does ([`crate::kit::LayerSettings`], [`crate::kit::Cloud`]).

use super::{
    Document, LAYERS, LayerSettings, PADS, Pad, Slice, Trims,
    general_midi::{KeyMap, key_map},
    layer::{Draw, TAIL_REACH_MS},
};
use crate::{
    settings::PadTrims,
    units::{ms_to_frames, st_to_ratio},
};
use std::ops::Range;

/// Frames around what a pad reads: the longest kernel reads 384 beside its position.
const ROOM: u64 = 512;
/// Frames around what a key part reads: its loop reads 1,024 before its start.
const KEY_PART_ROOM: u64 = 1280;
/// By how much the trims of pad and kit widen the variation of a start, at most (their tables: 4 and 2).
const WIDEST_VARIATION: f64 = 8.0;
/// How much more than now a pad may read, as a factor: with "Length" up to half as long again, or up to 7 semitones
/// higher, it still sounds the same.
const SPARE: f64 = 1.5;
/// Added to each envelope, ms: its ramps against clicks (0.5 ms each) and the rounding of its parts to frames.
const ENVELOPE_SLACK_MS: f64 = 2.0;
/// A pad with more slices than this may be denied some of its tails (`engine::pad_tails`): then it plays recordings instead.
const SURE_OF_TAILS: usize = 16;
/// Steps in which a pitch drop is followed, ms: longer than the engine's at any sample rate from 8 kHz up.
const DROP_STEP_MS: f64 = 4.0;

/// A part of a take that is played.
pub(super) struct Played {
    /// What stays in the take: the slice, with what the kernel, a loop and variation read around it.
    pub whole: Range<u64>,
    /// What is read of it.
    pub read: Vec<Range<u64>>,
}

/// What pads and key parts play of a take, with these trims.
pub(super) fn played(doc: &Document, trims: &Trims, take: usize) -> Vec<Played> {
    let Some(entry) = doc.takes.get(take) else { return Vec::new() };
    let keys = key_map(doc);
    let mut all = Vec::new();
    for (index, pad) in doc.pads.iter().take(PADS).enumerate() {
        let reader = PadReader::new(doc, trims, index, &keys);
        for slice in pad.all_slices().filter(|slice| slice.take == take) {
            all.push(reader.played(slice, f64::from(entry.sample_rate), entry.frames));
        }
    }
    for slice in doc.key_parts.iter().filter_map(|part| part.slice).filter(|slice| slice.take == take) {
        // its loop may be switched off and its start moved: all of it
        let whole = slice.start.saturating_sub(KEY_PART_ROOM)..(slice.end + KEY_PART_ROOM).min(entry.frames);
        all.push(Played { read: vec![whole.clone()], whole });
    }
    all
}

/// How a pad reads.
struct PadReader<'a> {
    pad: &'a Pad,
    trims: &'a PadTrims,
    /// Variation at these trims, as a factor.
    vary: f64,
    /// What keys, trims and variation add to the pitch at most, semitones.
    added_st: f64,
    /// Whether it has a cloud, and what that adds to the pitch at most, semitones.
    cloud_st: Option<f64>,
}

impl<'a> PadReader<'a> {
    fn new(doc: &'a Document, trims: &'a Trims, index: usize, keys: &KeyMap) -> Self {
        let (pad, kit_trims, trims) = (&doc.pads[index], &trims.kit, &trims.pads[index]);
        let vary = f64::from(trims.vary) * f64::from(kit_trims.vary);
        let highest = (0..128).filter(|&key| keys.plays(key, index)).map(|key| keys.of(key).1);
        let added_st = f64::from(trims.pitch_st)
            + f64::from(trims.fine_ct) / 100.0
            + f64::from(kit_trims.pitch_st)
            + f64::from(pad.variation.pitch_ct) / 100.0 * vary
            + f64::from(highest.fold(0.0, f32::max));
        let cloud = &pad.cloud;
        let copies = (f64::from(cloud.copies) * f64::from(trims.copies)).round();
        let cloud_st = (copies > 0.0).then(|| {
            let range = f64::from(cloud.pitch_st) * f64::from(trims.scatter);
            let range = if cloud.pitch_draw == Draw::Gaussian { 3.0 * range } else { range };
            if cloud.pitch_steps { range.ceil() } else { range }
        });
        Self { pad, trims, vary, added_st, cloud_st }
    }

    /// What is played of a slice in a take of so many `frames` at `rate` Hz.
    fn played(&self, slice: &Slice, rate: f64, frames: u64) -> Played {
        let early = ms_to_frames(f64::from(self.pad.variation.start_ms) * WIDEST_VARIATION, rate);
        let start = slice.start.saturating_sub(ROOM + early.ceil() as u64);
        let whole = start..(slice.end + ROOM).min(frames);
        let layers = self.pad.layers.iter().take(LAYERS);
        // a slice that takes turns is read by layers without an own one; by any layer once theirs are taken away
        let mut own: Vec<_> = layers.clone().filter(|l| l.slice.as_ref() == Some(slice)).collect();
        if self.pad.slices.contains(slice) {
            own.extend(layers.clone().filter(|l| l.slice.is_none()));
        }
        if own.is_empty() {
            own.extend(layers);
        }
        let mut read = Vec::new();
        for layer in own {
            let s = &layer.settings;
            let length = ms_to_frames(self.length_ms(s), rate);
            let from = |ms: f64| slice.start as f64 + ms_to_frames(ms, rate);
            let stop = from(f64::from(s.end_ms)).min(slice.end as f64);
            let turned = self.cloud_st.is_some() && self.pad.cloud.reverse_chance > 0.0;
            if !s.reverse || turned {
                let latest = f64::from(s.start_ms)
                    + f64::from(self.trims.start_ms)
                    + f64::from(self.pad.variation.start_ms) * self.vary;
                let recorded = from(latest).min(stop) + length;
                let slice_frames = slice.end.min(frames).saturating_sub(slice.start);
                // with a tail the envelope goes on in noise, but copies that are turned read the recording
                let end = match s.tail_from(slice_frames, rate) {
                    Some(begins) => {
                        let tail = (slice.start + begins) as f64 + ms_to_frames(TAIL_REACH_MS, rate);
                        let only_tail = !turned && self.pad.slices.len() <= SURE_OF_TAILS;
                        if only_tail { tail } else { tail.max(recorded) }
                    }
                    None => recorded,
                };
                read.push(start..(end.min(stop).ceil() as u64 + ROOM).min(whole.end));
            }
            if s.reverse || turned {
                let first = (stop - length).max(start as f64).floor() as u64;
                read.push(first.saturating_sub(ROOM).max(start)..(stop.ceil() as u64 + ROOM).min(whole.end));
            }
        }
        Played { whole, read }
    }

    /// How much of the take a layer reads at most, [`SPARE`] included, in ms of the take; infinite where a key may hold
    /// it.
    fn length_ms(&self, s: &LayerSettings) -> f64 {
        let held = self.pad.settings.held;
        if held && (s.sustain > 0.0 || s.loop_on) {
            return f64::INFINITY;
        }
        let window_ms = if self.cloud_st.is_some() { self.pad.cloud.window_ms } else { 0.0 };
        let attack_ms = (s.attack_ms + self.trims.attack_ms).max(window_ms);
        let release_ms = if held { s.release_ms } else { 0.0 };
        let fall_ms = f64::from(s.hold_ms + s.decay_ms + release_ms) * f64::from(self.trims.length);
        let ms = f64::from(attack_ms) + fall_ms + ENVELOPE_SLACK_MS;
        let softest = f64::from(-s.velocity_pitch_st).max(0.0) * f64::from(self.trims.velocity);
        let st = f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0 + self.added_st + softest;
        let st = st + self.cloud_st.unwrap_or(0.0);
        // a pitch that rises reads faster in the end than on average
        (SPARE * source_ms(ms, st, s)).max(source_ms(SPARE * ms, st, s))
    }
}

/// What is read in `ms` at a pitch of `st` semitones with the layer's drop, in ms of the take.
fn source_ms(ms: f64, st: f64, s: &LayerSettings) -> f64 {
    if s.drop_st == 0.0 {
        return ms * st_to_ratio(st);
    }
    let drop = |at: f64| f64::from(s.drop_st) * (-at / f64::from(s.drop_ms.max(1.0))).exp();
    let steps = (ms / DROP_STEP_MS).ceil() as usize;
    let highest = |step: usize| {
        let at = step as f64 * DROP_STEP_MS;
        drop(at).max(drop(at + DROP_STEP_MS))
    };
    (0..steps).map(|step| DROP_STEP_MS * st_to_ratio(st + highest(step))).sum()
}
