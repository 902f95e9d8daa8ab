//! What a kit document must hold to be played, saved and loaded.

use super::{
    Document, KEY_PARTS, KeyPart, LAYERS, MAX_DIPS, PADS, Pad, Slice, TableVisitor, Tone, VERSION,
    key_part::ROOT_HZ,
    limits::{
        MAX_BY_HAND, MAX_HITS, MAX_MEASURES, MAX_PHRASES, MAX_SAMPLES, MAX_SLICES, MAX_TAGS, MAX_TAKES,
    },
};
use crate::{
    error::{Error, Result},
    listen::Description,
    settings::{self, Setting},
    take::{SAMPLE_RATES, Take},
};
use std::{fmt::Arguments, ops::RangeInclusive, sync::Arc};

/// Shares, scores and velocities.
const SHARE: RangeInclusive<f32> = 0.0..=1.0;
/// Offsets of takes.
const FULL_SCALE: RangeInclusive<f32> = -1.0..=1.0;

impl Document {
    /// Whether this document and `takes` make a kit: every setting within its table's range, sixteen
    /// pads with notes of their own, one to four layers each, every slice inside its take, each stage of
    /// the tone chain once.
    ///
    /// # Errors
    /// One sentence that names the pad or take and the first thing that is wrong.
    pub fn check(&self, takes: &[Arc<Take>]) -> Result<()> {
        self.check_takes(takes)?;
        self.check_alone()
    }

    /// The part of [`Document::check`] that needs no audio: the takes are as the document says.
    pub(crate) fn check_alone(&self) -> Result<()> {
        if self.version != VERSION {
            return wrong(format!("the kit has version {}, this program writes {VERSION}", self.version));
        }
        within("the kit's fit", self.fit, SHARE)?;
        self.check_entries()?;
        if self.pads.len() != PADS {
            return wrong(format!("the kit has {}, it must have {PADS}", counted(&self.pads, PADS, "pads")));
        }
        let mut owner = [None; 128];
        for (i, pad) in self.pads.iter().enumerate() {
            self.check_pad(i, pad)?;
            let note = usize::from(pad.note);
            match owner.get_mut(note) {
                None => return wrong(format!("pad {}: note {note} lies beyond 127", i + 1)),
                Some(Some(other)) => {
                    return wrong(format!(
                        "pads {other} and {} share note {note}; give one another note",
                        i + 1
                    ));
                }
                Some(free) => *free = Some(i + 1),
            }
        }
        at_most("the kit", &self.key_parts, KEY_PARTS, "key parts")?;
        at_most("the kit", &self.tags, MAX_TAGS, "tags")?;
        for (i, part) in self.key_parts.iter().enumerate() {
            self.check_key_part(&format!("key part {}", i + 1), part)?;
        }
        let mut ranges = Ranges::default();
        self.clone().each_table(&mut ranges);
        ranges.first_trouble.map_or(Ok(()), wrong)
    }

    /// Moves every setting that lies outside its range to the nearest allowed value, and what is no
    /// number to its default. What is wrong with the structure stays for [`Document::check`] to name.
    pub fn mend(&mut self) {
        self.fit = mended(self.fit, SHARE);
        let entries: Vec<usize> = self.takes.iter().map(|t| t.hits.len()).collect();
        let known = |take: usize, hit: usize| entries.get(take).is_some_and(|&hits| hit < hits);
        for pad in &mut self.pads {
            pad.fit = mended(pad.fit, SHARE);
            pad.tidied = mended(pad.tidied, SHARE);
            let own = pad.layers.iter_mut().filter_map(|l| l.slice.as_mut());
            for slice in pad.slices.iter_mut().chain(own) {
                slice.velocities = slice.velocities.map(|v| mended(v, SHARE));
            }
            if let Some(target) = &mut pad.target {
                target.measures.truncate(MAX_MEASURES);
                target.measures.iter_mut().for_each(|m| *m = mended(*m, -1e6..=1e6));
            }
            pad.audition = pad.audition.take().filter(|a| known(a.take, a.hit));
            if let Some(audition) = &mut pad.audition {
                audition.score = mended(audition.score, SHARE);
                audition.next_best.retain(|&(take, hit, _)| known(take, hit));
                audition.next_best.iter_mut().for_each(|b| b.2 = mended(b.2, SHARE));
            }
            pad.mend_percussion();
        }
        for part in &mut self.key_parts {
            part.root_hz = mended(part.root_hz, ROOT_HZ);
            if let Some(slice) = &mut part.slice {
                slice.velocities = slice.velocities.map(|v| mended(v, SHARE));
            }
        }
        self.pads.iter_mut().for_each(Pad::mend_by_hand);
        for hit in self.takes.iter_mut().flat_map(|t| &mut t.hits) {
            mend_description(&mut hit.description);
        }
        self.each_table(&mut Clamp);
    }

    fn check_takes(&self, takes: &[Arc<Take>]) -> Result<()> {
        if takes.len() != self.takes.len() {
            return wrong(format!("the kit names {} takes and has {}", self.takes.len(), takes.len()));
        }
        for (entry, take) in self.takes.iter().zip(takes) {
            let agrees = entry.frames == take.frames() as u64
                && entry.sample_rate == take.sample_rate
                && usize::from(entry.channels) == take.channels.len();
            if !agrees {
                return wrong(format!(
                    "take \"{}\" has {} frames at {} Hz in {} channels, the kit says {} at {} in {}",
                    entry.name,
                    take.frames(),
                    take.sample_rate,
                    take.channels.len(),
                    entry.frames,
                    entry.sample_rate,
                    entry.channels
                ));
            }
        }
        Ok(())
    }

    fn check_entries(&self) -> Result<()> {
        at_most("the kit", &self.takes, MAX_TAKES, "takes")?;
        for take in &self.takes {
            if !SAMPLE_RATES.contains(&take.sample_rate)
                || !(1..=2).contains(&take.channels)
                || take.frames == 0
            {
                return wrong(format!(
                    "take \"{}\": {} frames at {} Hz in {} channels is no recording this program keeps",
                    take.name, take.frames, take.sample_rate, take.channels
                ));
            }
            let what = format!("take \"{}\"", take.name);
            at_most(&what, &take.hits, MAX_HITS, "hits")?;
            at_most(&what, &take.set_aside, MAX_HITS, "hits set aside")?;
            for offset in take.offset.iter().flatten() {
                within(&format!("{what}: its offset"), *offset, FULL_SCALE)?;
            }
            for (i, hit) in take.hits.iter().enumerate() {
                if hit.start >= hit.end || hit.end > take.frames {
                    return wrong(format!("take \"{}\": hit {} lies outside of it", take.name, i + 1));
                }
            }
        }
        let samples = self
            .takes
            .iter()
            .try_fold(0_u64, |sum, t| sum.checked_add(t.frames.checked_mul(u64::from(t.channels))?));
        if samples.is_none_or(|n| n > MAX_SAMPLES) {
            return wrong("the kit holds more audio than this program keeps (4 GiB); remove a take");
        }
        Ok(())
    }

    fn check_pad(&self, index: usize, pad: &Pad) -> Result<()> {
        let what = format!("pad {}", index + 1);
        if !(1..=LAYERS).contains(&pad.layers.len()) {
            let layers = counted(&pad.layers, LAYERS, "layers");
            return wrong(format!("{what} has {layers}, it must have 1 to {LAYERS}"));
        }
        at_most(&what, &pad.slices, MAX_SLICES, "slices")?;
        at_most(&what, &pad.by_hand, MAX_BY_HAND, "settings set by hand")?;
        within(&format!("{what}: its fit"), pad.fit, SHARE)?;
        within(&format!("{what}: how far it is tidied up"), pad.tidied, SHARE)?;
        for slice in pad.all_slices() {
            self.check_slice(&what, slice)?;
        }
        if let Some(audition) = &pad.audition {
            at_most(&what, &audition.edit_summary, MAX_PHRASES, "phrases about its sound")?;
            at_most(&what, &audition.next_best, MAX_PHRASES, "next-best hits")?;
            let own = (audition.take, audition.hit, audition.score);
            for &(take, hit, score) in audition.next_best.iter().chain([&own]) {
                if self.takes.get(take).is_none_or(|t| hit >= t.hits.len()) {
                    return wrong(format!(
                        "{what} refers to a hit that is not there (take {take}, hit {hit})"
                    ));
                }
                within(&format!("{what}: a score"), score, SHARE)?;
            }
        }
        check_tone(&what, &pad.tone)
    }

    fn check_key_part(&self, what: &str, part: &KeyPart) -> Result<()> {
        let Some(slice) = &part.slice else { return Ok(()) };
        self.check_slice(what, slice)?;
        within(&format!("{what}: its fundamental in Hz"), part.root_hz, ROOT_HZ)?;
        if part.sustain.is_some_and(|sustain| !sustain.fits(slice)) {
            return wrong(format!("{what}: its loop or the crossfade of it lies outside of its slice"));
        }
        Ok(())
    }

    fn check_slice(&self, what: &str, slice: &Slice) -> Result<()> {
        let Some(take) = self.takes.get(slice.take) else {
            return wrong(format!(
                "{what} reads from take {}, which is not there",
                slice.take.saturating_add(1)
            ));
        };
        if slice.start >= slice.end || slice.end > take.frames {
            return wrong(format!(
                "{what} reads frames {} to {} of take \"{}\", which has {}",
                slice.start, slice.end, take.name, take.frames
            ));
        }
        let [soft, hard] = slice.velocities;
        within(&format!("{what}: a slice's velocity"), soft, SHARE)?;
        within(&format!("{what}: a slice's velocity"), hard, soft..=1.0)
    }
}

fn check_tone(what: &str, tone: &Tone) -> Result<()> {
    if Tone::ORDER.iter().any(|stage| !tone.order.contains(stage)) {
        return wrong(format!("{what}: each stage of the tone chain must be there once"));
    }
    at_most(what, &tone.dips, MAX_DIPS, "dips")?;
    Ok(())
}

/// Refuses a list of more than `max` elements.
fn at_most<T>(owner: &str, list: &[T], max: usize, what: &str) -> Result<()> {
    if list.len() <= max {
        return Ok(());
    }
    wrong(format!("{owner} has {}, at most {max} are allowed", counted(list, max, what)))
}

/// "17 pads or more": of a list that is too long, reading keeps one element more than it may have.
fn counted<T>(list: &[T], max: usize, what: &str) -> String {
    format!("{} {what}{}", list.len(), if list.len() > max { " or more" } else { "" })
}

fn wrong<T>(what: impl Into<String>) -> Result<T> {
    Err(Error::invalid(what))
}

fn within(what: &str, value: f32, range: RangeInclusive<f32>) -> Result<()> {
    if range.contains(&value) {
        return Ok(());
    }
    wrong(format!("{what} is {value}, it must lie between {} and {}", range.start(), range.end()))
}

/// Into the range; what is no number counts as 0.
fn mended(value: f32, range: RangeInclusive<f32>) -> f32 {
    let value = if value.is_nan() { 0.0 } else { value };
    value.clamp(*range.start(), *range.end())
}

/// JSON has no infinity: a level of silence would be written as nothing and not read again.
fn mend_description(description: &mut Description) {
    let d = description;
    let bands = d.bands_db.iter_mut().flatten();
    let single = [
        &mut d.peak_db,
        &mut d.true_peak_db,
        &mut d.loudness_lufs,
        &mut d.attack_ms,
        &mut d.decay_20_ms,
        &mut d.decay_60_ms,
        &mut d.centroid_hz,
        &mut d.rolloff_hz,
        &mut d.flatness,
        &mut d.crest_db,
        &mut d.zero_crossings_hz,
        &mut d.pitch_confidence,
    ];
    for value in bands.chain(single).chain(&mut d.pitch_hz) {
        *value = mended(*value, -1e6..=1e6);
    }
}

/// Finds the first setting outside its range.
#[derive(Default)]
struct Ranges {
    first_trouble: Option<String>,
}

impl TableVisitor for Ranges {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>) {
        if self.first_trouble.is_none() {
            self.first_trouble = settings::check(table, value, owner).err();
        }
    }
}

/// Moves every setting into its range.
struct Clamp;

impl TableVisitor for Clamp {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        for setting in table {
            let now = (setting.get)(value);
            if !(setting.min..=setting.max).contains(&now) {
                (setting.set)(value, setting.clamp(now));
            }
        }
    }
}
