//! A kit without what nobody hears of it: its takes cut down to what pads and key parts play.
//!
//! Every slice stays whole, with room around it for what the reader's kernel, a loop and variation reach at any setting
//! of the trims, so that the kit sounds the same to the bit.

use super::{Kit, Pad, Slice, TakeEntry};
use crate::{
    error::{Error, Result},
    listen::Hit,
    take::Take,
};
use std::{ops::Range, sync::Arc};

/// Frames around a slice that are kept: the longest kernel reads 384 beside its position, a key part's loop 1,024 before
/// its start.
const ROOM: u64 = 1280;
/// By how much the trims of pad and kit widen the variation of a start, at most (their tables: 4 and 2).
const WIDEST_VARIATION: f64 = 8.0;

/// What is kept of a take: stretches in order, apart from each other.
struct Cut {
    /// Frames of the take.
    kept: Vec<Range<u64>>,
}

impl Kit {
    /// The same kit with its takes cut down to what pads and key parts play; slices, loops, hits and markers move along.
    /// Hits that nothing plays are gone, and so are takes. A kit that plays everything is returned as it is.
    ///
    /// # Errors
    /// One sentence when no pad and no key part plays anything.
    pub fn keep_used(&self) -> Result<Kit> {
        let cuts: Vec<Cut> = (0..self.takes.len()).map(|take| self.cut(take)).collect();
        if cuts.iter().all(|cut| cut.kept.is_empty()) {
            return Err(Error::invalid(
                "no pad plays anything of the takes, so nothing would be kept; give the pads hits first",
            ));
        }
        if cuts.iter().zip(&self.doc.takes).all(|(cut, take)| cut.length() == take.frames) {
            return Ok(self.clone());
        }
        let mut kit = Kit { doc: self.doc.clone(), takes: Vec::new() };
        kit.doc.takes.clear();
        let mut hits = Vec::new();
        let mut places = Vec::new();
        for (index, ((take, entry), cut)) in self.takes.iter().zip(&self.doc.takes).zip(&cuts).enumerate() {
            if cut.kept.is_empty() {
                hits.push(vec![None; entry.hits.len()]);
                places.push(usize::MAX);
                continue;
            }
            places.push(kit.takes.len());
            let (entry, moved) = cut.entry(entry, take, &self.used_slices(index));
            hits.push(moved);
            kit.takes.push(Arc::new(cut.samples(take)));
            kit.doc.takes.push(entry);
        }
        let moved = Moved { cuts, places, hits };
        kit.doc.pads.iter_mut().for_each(|pad| moved.pad(pad));
        for part in &mut kit.doc.key_parts {
            if let (Some(sustain), Some(slice)) = (&mut part.sustain, part.slice) {
                let cut = &moved.cuts[slice.take];
                (sustain.start, sustain.end) = (cut.place(sustain.start), cut.place(sustain.end));
            }
            part.slice.iter_mut().for_each(|slice| moved.slice(slice));
        }
        kit.doc.check(&kit.takes)?;
        Ok(kit)
    }

    /// Frames of all takes that pads and key parts play, with their room, and of all takes.
    pub fn used_frames(&self) -> (u64, u64) {
        let used = (0..self.takes.len()).map(|take| self.cut(take).length()).sum();
        (used, self.doc.takes.iter().map(|take| take.frames).sum())
    }

    /// Slices of a take that pads and key parts play.
    fn used_slices(&self, take: usize) -> Vec<Slice> {
        let pads = self.doc.pads.iter().flat_map(slices_of).copied();
        let parts = self.doc.key_parts.iter().filter_map(|part| part.slice);
        pads.chain(parts).filter(|slice| slice.take == take).collect()
    }

    fn cut(&self, take: usize) -> Cut {
        let Some(entry) = self.doc.takes.get(take) else { return Cut { kept: Vec::new() } };
        let early = |pad: &Pad| {
            let ms = f64::from(pad.variation.start_ms) * WIDEST_VARIATION;
            (ms * f64::from(entry.sample_rate) / 1000.0).ceil() as u64
        };
        let pads = self.doc.pads.iter().flat_map(|pad| slices_of(pad).map(move |s| (*s, early(pad))));
        let parts = self.doc.key_parts.iter().filter_map(|part| Some((part.slice?, 0)));
        let mut played: Vec<Range<u64>> = pads
            .chain(parts)
            .filter(|(slice, _)| slice.take == take)
            .map(|(s, early)| s.start.saturating_sub(ROOM + early)..(s.end + ROOM).min(entry.frames))
            .collect();
        played.sort_by_key(|range| range.start);
        let mut kept: Vec<Range<u64>> = Vec::new();
        for range in played {
            match kept.last_mut() {
                Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
                _ => kept.push(range),
            }
        }
        Cut { kept }
    }
}

fn slices_of(pad: &Pad) -> impl Iterator<Item = &Slice> {
    pad.slices.iter().chain(pad.layers.iter().filter_map(|l| l.slice.as_ref()))
}

impl Cut {
    /// Frames that are kept.
    fn length(&self) -> u64 {
        self.kept.iter().map(|range| range.end - range.start).sum()
    }

    /// Where a frame of the take lies in what is kept; one that is cut away lies at the next stretch.
    fn place(&self, frame: u64) -> u64 {
        self.kept.iter().map(|range| frame.clamp(range.start, range.end) - range.start).sum()
    }

    /// The stretch that holds a frame.
    fn stretch(&self, frame: u64) -> Option<&Range<u64>> {
        self.kept.iter().find(|range| range.contains(&frame))
    }

    fn samples(&self, take: &Take) -> Take {
        let channel = |channel: &Vec<f32>| -> Vec<f32> {
            let stretches = self.kept.iter().map(|r| &channel[r.start as usize..r.end as usize]);
            stretches.flatten().copied().collect()
        };
        let channels = take.channels.iter().map(channel).collect();
        Take::from_samples(take.name.clone(), take.sample_rate, channels).with_offset(take.offset())
    }

    /// The take's entry, and for each of its hits which one it is now.
    fn entry(&self, entry: &TakeEntry, take: &Take, used: &[Slice]) -> (TakeEntry, Vec<Option<usize>>) {
        let mut hits = Vec::new();
        let moved = entry.hits.iter().map(|hit| {
            let played = used.iter().find(|slice| slice.start < hit.end && hit.start < slice.end)?;
            let stretch = self.stretch(played.start)?;
            let within = |frame: u64| self.place(frame.clamp(stretch.start, stretch.end));
            hits.push(Hit { start: within(hit.start), end: within(hit.end), ..hit.clone() });
            Some(hits.len() - 1)
        });
        let moved = moved.collect();
        let set_aside = entry.set_aside.iter().filter(|&&frame| self.stretch(frame).is_some());
        let entry = TakeEntry {
            frames: self.length(),
            set_aside: set_aside.map(|&frame| self.place(frame)).collect(),
            hits,
            offset: Some(take.offset()),
            ..entry.clone()
        };
        (entry, moved)
    }
}

/// What became of takes and hits.
struct Moved {
    cuts: Vec<Cut>,
    /// Index of each take now.
    places: Vec<usize>,
    /// Index of each hit of each take now; `None` when it is gone.
    hits: Vec<Vec<Option<usize>>>,
}

impl Moved {
    fn slice(&self, slice: &mut Slice) {
        let cut = &self.cuts[slice.take];
        (slice.start, slice.end) = (cut.place(slice.start), cut.place(slice.end));
        slice.take = self.places[slice.take];
    }

    fn hit(&self, take: usize, hit: usize) -> Option<(usize, usize)> {
        Some((self.places[take], (*self.hits.get(take)?.get(hit)?)?))
    }

    fn pad(&self, pad: &mut Pad) {
        let own = pad.layers.iter_mut().filter_map(|l| l.slice.as_mut());
        pad.slices.iter_mut().chain(own).for_each(|slice| self.slice(slice));
        pad.audition = pad.audition.take().and_then(|mut audition| {
            (audition.take, audition.hit) = self.hit(audition.take, audition.hit)?;
            let others = audition.next_best.iter();
            audition.next_best = others
                .filter_map(|&(take, hit, score)| {
                    let (take, hit) = self.hit(take, hit)?;
                    Some((take, hit, score))
                })
                .collect();
            Some(audition)
        });
    }
}
