//! Jobs on takes and their hits.

use super::{
    job::HitEdit,
    job_parts::{check_unchanged, with_take},
    new_kit,
    open_kit::OpenKit,
    reading::read_and_detect,
};
use crate::{
    cast::DetectedTake,
    error::{Error, Result},
    kit::{Kit, Pad},
    listen::{self, DetectOptions, Hit, describe},
    progress::{Part, Progress},
    take::{self, Take},
};
use std::{path::Path, sync::Arc};

pub(super) fn add_take(open_kit: &OpenKit, path: &Path, progress: &dyn Progress) -> Result<()> {
    let detected = read_and_detect(path, open_kit.kit().takes.iter(), &Part::new(progress, 0.0, 0.8))?;
    check_new(&open_kit.kit(), &detected.0)?;
    add_detected(open_kit, detected, &Part::new(progress, 0.8, 1.0))
}

/// The same sound is not added twice.
pub(super) fn check_new(kit: &Kit, take: &Take) -> Result<()> {
    match kit.takes.iter().position(|t| t.sample_rate == take.sample_rate && t.channels == take.channels) {
        Some(there) => Err(Error::invalid(format!(
            "{} is in the kit already, as take {}; choose another recording",
            take.name,
            there + 1
        ))),
        None => Ok(()),
    }
}

fn add_detected(open_kit: &OpenKit, (take, hits): DetectedTake, progress: &dyn Progress) -> Result<()> {
    with_take(&open_kit.kit(), &take, &hits).check_state_size(progress)?;
    progress.check()?;
    open_kit.change(&format!("add take {}", take.name), false, |kit| {
        *kit = with_take(kit, &take, &hits);
        Ok(())
    })
}

/// Adds a copy of a take with its pitch moved.
pub(super) fn shift_take(
    open_kit: &OpenKit,
    index: usize,
    semitones: f32,
    progress: &dyn Progress,
) -> Result<()> {
    let kit = open_kit.kit();
    let Some(take) = kit.takes.get(index) else {
        return Err(Error::invalid(format!("there is no take {} to shift", index + 1)));
    };
    progress.report("shifting the take", 0.0);
    let mut shifted = take::shift::shift(take, f64::from(semitones), &Part::new(progress, 0.0, 0.6))?;
    shifted.name = format!("{} {semitones:+} st", take.name);
    check_new(&kit, &shifted)?;
    // the timing is kept: the same hits, which sound otherwise
    let (before, end) = (&kit.doc.takes[index].hits, shifted.frames() as u64);
    let within = before.iter().filter(|hit| hit.start < hit.end.min(end));
    let hits = within
        .map(|hit| {
            let end = hit.end.min(end);
            Hit { end, description: describe(&shifted, hit.start as usize, end as usize), ..hit.clone() }
        })
        .collect();
    add_detected(open_kit, (Arc::new(shifted), hits), &Part::new(progress, 0.9, 1.0))
}

/// Removes a take that no pad plays.
pub(super) fn remove_take(open_kit: &OpenKit, index: usize) -> Result<()> {
    let before = open_kit.kit();
    let (Some(take), Some(entry)) = (before.takes.get(index), before.doc.takes.get(index)) else {
        return Err(Error::invalid(format!("there is no take {} to remove", index + 1)));
    };
    open_kit.change(&format!("remove take {}", entry.name), false, |kit| remove_from(kit, index, take))
}

/// Removes the take of this index, which must still be `take`.
fn remove_from(kit: &mut Kit, index: usize, take: &Arc<Take>) -> Result<()> {
    if !kit.takes.get(index).is_some_and(|now| Arc::ptr_eq(now, take)) {
        let name = &take.name;
        return Err(Error::invalid(format!("the takes changed while {name} was to be removed; try again")));
    }
    let playing: Vec<String> = (kit.doc.pads.iter().enumerate())
        .filter(|(_, pad)| pad.all_slices().any(|s| s.take == index))
        .map(|(i, _)| (i + 1).to_string())
        .collect();
    if !playing.is_empty() {
        let (word, verb) = if playing.len() == 1 { ("pad", "plays") } else { ("pads", "play") };
        return Err(Error::invalid(format!(
            "{word} {} {verb} take {}; give the {word} other hits or clear the {word} first",
            playing.join(", "),
            index + 1
        )));
    }
    if let Some(part) = kit.doc.key_parts.iter().find(|p| p.slice.is_some_and(|s| s.take == index)) {
        return Err(Error::invalid(format!(
            "the {} plays take {}; give it another hit or remove it first",
            part.name,
            index + 1
        )));
    }
    kit.doc.takes.remove(index);
    kit.takes.remove(index);
    kit.doc.pads.iter_mut().for_each(|pad| forget_take(pad, index));
    for slice in kit.doc.key_parts.iter_mut().filter_map(|part| part.slice.as_mut()) {
        slice.take -= usize::from(slice.take > index);
    }
    Ok(())
}

/// Counts the takes after a removed one anew.
fn forget_take(pad: &mut Pad, removed: usize) {
    let moved = |take: usize| if take > removed { take - 1 } else { take };
    let own = pad.layers.iter_mut().filter_map(|l| l.slice.as_mut());
    pad.slices.iter_mut().chain(own).for_each(|s| s.take = moved(s.take));
    pad.audition = pad.audition.take().filter(|a| a.take != removed);
    if let Some(audition) = &mut pad.audition {
        audition.take = moved(audition.take);
        audition.next_best.retain(|b| b.0 != removed);
        audition.next_best.iter_mut().for_each(|b| b.0 = moved(b.0));
    }
}

/// Peak below which a recording counts as silent: -80 dB of full scale; common practice, no source.
const SILENCE_PEAK: f32 = 1e-4;

pub(super) fn keep_recording(open_kit: &OpenKit, fit: f32, progress: &dyn Progress) -> Result<()> {
    let Some(mut take) = open_kit.take_recorded() else { return Ok(()) };
    if take.channels.iter().flatten().all(|s| s.abs() < SILENCE_PEAK) {
        return Err(Error::invalid(
            "nothing came in at the side input; send a track to it in the host, and record again",
        ));
    }
    let kit = open_kit.kit();
    take.name = format!("recording {}", kit.takes.len() + 1);
    let take = Arc::new(take);
    with_take(&kit, &take, &[]).check_state_size(progress)?;
    // the sound is safe at once; its hits follow
    open_kit.change(&format!("add take {}", take.name), false, |kit| {
        *kit = with_take(kit, &take, &[]);
        Ok(())
    })?;
    let hits = listen::detect(&take, &DetectOptions::default(), &Part::new(progress, 0.0, 0.4))?;
    open_kit.refine(|kit| {
        let index = kit.takes.iter().position(|t| Arc::ptr_eq(t, &take));
        let untouched = index.filter(|&i| kit.doc.takes[i].hits.is_empty());
        if let Some(index) = untouched {
            kit.doc.takes[index].hits.clone_from(&hits);
        }
        untouched.is_some()
    });
    if kit.takes.is_empty() {
        let rest = Part::new(progress, 0.4, 1.0);
        new_kit::cast(open_kit, &[(take, hits)], "Recording".into(), fit, &rest)?;
    }
    Ok(())
}

pub(super) fn detect_again(
    open_kit: &OpenKit,
    index: usize,
    options: DetectOptions,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    let (Some(take), Some(entry)) = (before.takes.get(index), before.doc.takes.get(index)) else {
        return Err(Error::invalid(format!(
            "there is no take {} whose hits could be detected again",
            index + 1
        )));
    };
    let detected = listen::detect_again(take, &entry.hits, &entry.set_aside, &options, progress)?;
    progress.check()?;
    let name = format!("detect {} again", entry.name);
    open_kit.change(&name, false, |kit| {
        check_unchanged(kit, &before)?;
        replace_hits(kit, index, detected);
        Ok(())
    })
}

pub(super) fn edit_hits(
    open_kit: &OpenKit,
    index: usize,
    edit: HitEdit,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    let (Some(take), Some(entry)) = (before.takes.get(index), before.doc.takes.get(index)) else {
        return Err(Error::invalid(format!("there is no take {} whose hits could be changed", index + 1)));
    };
    progress.report("changing hits", 0.0);
    let mut hits = entry.hits.clone();
    match edit {
        HitEdit::Add(start) => listen::edit::add(&mut hits, take, start).map(drop),
        HitEdit::Reshape { hit, start, end } => listen::edit::reshape(&mut hits, take, hit, start, end),
        HitEdit::Split { hit, at } => listen::edit::split(&mut hits, take, hit, at),
        HitEdit::Merge(hit) => listen::edit::merge(&mut hits, take, hit),
        HitEdit::Remove(hit) => listen::edit::remove(&mut hits, take, hit).map(drop),
    }?;
    progress.check()?;
    open_kit.change(&edit.to_string(), false, |kit| {
        check_unchanged(kit, &before)?;
        let gone: Vec<u64> = listen::edit::set_aside(&entry.hits, &hits).collect();
        kit.doc.takes[index].set_aside.extend(gone);
        replace_hits(kit, index, hits);
        Ok(())
    })
}

/// Gives a take other hits; pads go on playing their slices, and what they know of their hits follows.
fn replace_hits(kit: &mut Kit, index: usize, hits: Vec<Hit>) {
    let old = std::mem::replace(&mut kit.doc.takes[index].hits, hits);
    let new = &kit.doc.takes[index].hits;
    for pad in &mut kit.doc.pads {
        follow_hits(pad, index, &old, new);
    }
}

/// Points a pad's audition from `old` hits of take `index` to those of `new` that hold the same sound;
/// what is gone is forgotten.
fn follow_hits(pad: &mut Pad, index: usize, old: &[Hit], new: &[Hit]) {
    let follow = |take: usize, hit: usize| {
        if take != index {
            return Some(hit);
        }
        let was = old.get(hit)?;
        new.iter().position(|h| h.start < was.end && was.start < h.end)
    };
    let Some(audition) = &mut pad.audition else { return };
    audition.next_best =
        audition.next_best.iter().filter_map(|&(t, h, score)| Some((t, follow(t, h)?, score))).collect();
    match follow(audition.take, audition.hit) {
        Some(hit) => audition.hit = hit,
        None => pad.audition = None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_take_is_removed_only_while_it_is_still_at_its_place() {
        let take = |name| Arc::new(Take::from_samples(name, 48_000, vec![vec![0.5; 100]]));
        let [first, second] = ["first", "second"].map(take);
        let mut kit = with_take(&with_take(&Kit::default(), &first, &[]), &second, &[]);
        remove_from(&mut kit, 0, &first).unwrap();
        let said = remove_from(&mut kit, 0, &first).unwrap_err().to_string();
        assert!(said.contains("first") && said.contains("try again"), "{said}");
        assert_eq!((kit.takes.len(), kit.doc.takes[0].name.as_str()), (1, "second"));
    }
}
