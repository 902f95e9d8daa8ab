//! Cuts the takes of a kit down to what its pads and key parts play.
//!
//! Slices stay where they are and as long as they are. What is never read of them is silence, which FLAC packs into
//! almost nothing; at the present settings the kit sounds the same to the bit.

use super::{
    Kit, Pad, Slice, TakeEntry, Trims,
    reach::{Played, played},
};
use crate::{
    error::{Error, Result},
    listen::Hit,
    take::Take,
};
use std::{ops::Range, sync::Arc};

/// Fade from what is read to silence, seconds: longer settings end in it.
const FADE_SECONDS: f64 = 0.02;

/// What is kept of a take: stretches in order, apart from each other.
struct Cut {
    /// Frames of the take that stay.
    kept: Vec<Range<u64>>,
    /// Frames that stay as they were recorded; the others of `kept` become silence.
    read: Vec<Range<u64>>,
}

impl Kit {
    /// [`Kit::keep_used_with`] the trims that the kit was saved with.
    ///
    /// # Errors
    /// One sentence when no pad and no key part plays anything.
    pub fn keep_used(&self) -> Result<Kit> {
        self.keep_used_with(&self.doc.trims)
    }

    /// The same kit with its takes cut down to what pads and key parts play with these trims, and half as much again;
    /// slices, loops, hits and markers move along. It sounds the same to the bit, also with "Length" up to half as long
    /// again or up to 7 semitones higher; what is set longer than that ends early. Hits that nothing plays are gone, and
    /// so are takes. A kit that plays everything is returned as it is.
    ///
    /// # Errors
    /// One sentence when no pad and no key part plays anything.
    pub fn keep_used_with(&self, trims: &Trims) -> Result<Kit> {
        let cuts = self.cuts(trims);
        if cuts.iter().all(|cut| cut.kept.is_empty()) {
            return Err(Error::invalid(
                "no pad plays anything of the takes, so nothing would be kept; give the pads hits first",
            ));
        }
        if cuts.iter().zip(&self.takes).all(|(cut, take)| cut.is_done(take)) {
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
            kit.takes.push(cut.samples(take));
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

    /// Seconds of all takes that stay as recorded when they are cut down with these trims, and of all takes.
    pub fn used_seconds(&self, trims: &Trims) -> (f64, f64) {
        let used = self.cuts(trims).into_iter().zip(&self.takes).map(|(cut, take)| {
            let frames: u64 = cut.read.iter().map(|range| range.end - range.start).sum();
            frames as f64 / f64::from(take.sample_rate)
        });
        (used.sum(), self.takes.iter().map(|take| take.seconds()).sum())
    }

    fn cuts(&self, trims: &Trims) -> Vec<Cut> {
        (0..self.takes.len()).map(|take| Cut::new(played(&self.doc, trims, take))).collect()
    }

    /// Slices of a take that pads and key parts play.
    fn used_slices(&self, take: usize) -> Vec<Slice> {
        let pads = self.doc.pads.iter().flat_map(Pad::all_slices).copied();
        let parts = self.doc.key_parts.iter().filter_map(|part| part.slice);
        pads.chain(parts).filter(|slice| slice.take == take).collect()
    }
}

/// Ranges in order, those that touch merged.
fn merged(mut ranges: Vec<Range<u64>>) -> Vec<Range<u64>> {
    ranges.sort_by_key(|range| range.start);
    let mut all: Vec<Range<u64>> = Vec::new();
    for range in ranges {
        match all.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => all.push(range),
        }
    }
    all
}

impl Cut {
    fn new(played: Vec<Played>) -> Self {
        let whole = played.iter().map(|p| p.whole.clone()).collect();
        let read = played.into_iter().flat_map(|p| p.read).collect();
        Self { kept: merged(whole), read: merged(read) }
    }

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

    /// Whether nothing is left to cut of a take.
    fn is_done(&self, take: &Take) -> bool {
        let is_silent = |(gap, level): (Range<usize>, [f32; 2])| {
            take.channels.iter().zip(level).all(|(c, level)| c[gap.clone()].iter().all(|&s| s == level))
        };
        self.length() == take.frames() as u64
            && self.gaps(take).into_iter().all(|gap| is_silent((gap.silence, silence(take))))
    }

    /// Stretches that nothing reads, where they are longer than their fades.
    fn gaps(&self, take: &Take) -> Vec<Gap> {
        let fade = (FADE_SECONDS * f64::from(take.sample_rate)) as usize;
        let mut gaps = Vec::new();
        for kept in &self.kept {
            let mut at = kept.start;
            let read = self.read.iter().filter(|r| kept.contains(&r.start));
            for next in read.cloned().chain(std::iter::once(kept.end..kept.end)) {
                let (from, to) = (at as usize, next.start as usize);
                let fades =
                    [at > kept.start, next.start < kept.end].map(|fades| if fades { fade } else { 0 });
                if to > from + fades[0] + fades[1] {
                    gaps.push(Gap { all: from..to, silence: from + fades[0]..to - fades[1] });
                }
                at = next.end;
            }
        }
        gaps
    }

    /// What is kept of a take's samples. A take of which all stays is the same one.
    fn samples(&self, take: &Arc<Take>) -> Arc<Take> {
        if self.is_done(take) {
            return take.clone();
        }
        let gaps = self.gaps(take);
        let (step, levels) = (take.quantisation_step(), silence(take));
        let channels = take.channels.iter().zip(levels).map(|(channel, level)| {
            let mut all = channel.clone();
            for gap in &gaps {
                let faded = gap.silence.start - gap.all.start;
                for (i, sample) in all[gap.all.clone()].iter_mut().enumerate() {
                    let at = gap.all.start + i;
                    let share = if at < gap.silence.start {
                        1.0 - (i + 1) as f32 / (faded + 1) as f32
                    } else if at >= gap.silence.end {
                        (at + 1 - gap.silence.end) as f32 / (gap.all.end - gap.silence.end + 1) as f32
                    } else {
                        0.0
                    };
                    *sample = level + to_step((*sample - level) * share, step);
                }
            }
            let stretches = self.kept.iter().map(|r| &all[r.start as usize..r.end as usize]);
            stretches.flatten().copied().collect()
        });
        let name = take.name.clone();
        let channels = channels.collect();
        let cut = Take::from_samples(name, take.sample_rate, channels).with_offset(take.offset());
        Arc::new(cut.with_lossy(take.lossy))
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

/// A stretch that nothing reads.
struct Gap {
    /// With the fades from what is read before it, and to what is read after it.
    all: Range<usize>,
    /// Without them.
    silence: Range<usize>,
}

/// The constant offset of a take's channels, on the grid of its samples: what silence is in it.
fn silence(take: &Take) -> [f32; 2] {
    take.offset().map(|offset| to_step(offset, take.quantisation_step()))
}

fn to_step(sample: f32, step: f32) -> f32 {
    (sample / step).round() * step
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
