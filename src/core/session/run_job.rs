//! Runs jobs: each works on copies, and changes the kit in one step at its end; a new kit is shown before (`new_kit`).

use super::{
    job::{HitEdit, Job},
    new_kit,
    open_kit::{OpenKit, same_takes},
    reading::read_and_detect,
};
use crate::{
    cast::{self, CastOptions, DetectedTake},
    error::{Error, Result},
    kit::{Kit, Pad, Role, TakeEntry},
    listen::{self, DetectOptions, Hit},
    progress::{Part, Progress},
    take::Take,
};
use std::{path::Path, sync::Arc};

pub(super) fn run(job: Job, open_kit: &OpenKit, progress: &dyn Progress) -> Result<()> {
    match job {
        Job::NewKit { takes, fit } => new_kit::new_kit(open_kit, &takes, fit, progress),
        Job::AddTake(path) => add_take(open_kit, &path, progress),
        Job::KeepRecording { fit } => keep_recording(open_kit, fit, progress),
        Job::PutFile { pad, file, role } => put_file(open_kit, pad, &file, role, progress),
        Job::DetectAgain(take, options) => detect_again(open_kit, take, options, progress),
        Job::EditHits(take, edit) => edit_hits(open_kit, take, edit, progress),
        Job::Recast => recast(open_kit, progress),
        Job::SetHit { pad, source, role } => set_hit(open_kit, pad, source, role, progress),
        Job::SetFit { pad, fit } => set_fit(open_kit, pad, fit, progress),
        Job::DetectKey(path) => detect_key(open_kit, &path, progress),
        Job::SetTarget { pad, sound } => set_target(open_kit, pad, sound.as_deref(), progress),
        Job::LoadKit(path) => load(open_kit, &path, progress),
        Job::SaveKit(path) => open_kit.kit_with_trims().save(path, progress),
        Job::Export(path) => export(open_kit, &path, progress),
    }
}

fn add_take(open_kit: &OpenKit, path: &Path, progress: &dyn Progress) -> Result<()> {
    let detected = read_and_detect(path, &Part::new(progress, 0.0, 0.8))?;
    add_detected(open_kit, detected, &Part::new(progress, 0.8, 1.0))
}

fn add_detected(open_kit: &OpenKit, (take, hits): DetectedTake, progress: &dyn Progress) -> Result<()> {
    with_take(&open_kit.kit(), &take, &hits).check_state_size(progress)?;
    progress.check()?;
    open_kit.change(&format!("add take {}", take.name), false, |kit| {
        *kit = with_take(kit, &take, &hits);
        Ok(())
    })
}

fn with_take(kit: &Kit, take: &Arc<Take>, hits: &[Hit]) -> Kit {
    let mut kit = kit.clone();
    kit.doc.takes.push(TakeEntry::new(take, hits.to_vec()));
    kit.takes.push(take.clone());
    kit
}

/// Peak below which a recording counts as silent: -80 dB of full scale; common practice, no source.
const SILENCE_PEAK: f32 = 1e-4;

fn keep_recording(open_kit: &OpenKit, fit: f32, progress: &dyn Progress) -> Result<()> {
    let Some(mut take) = open_kit.take_recorded() else { return Ok(()) };
    if take.channels.iter().flatten().all(|s| s.abs() < SILENCE_PEAK) {
        return Err(Error::invalid(
            "nothing came in at the side input; send a track to it in the host, and record again",
        ));
    }
    let kit = open_kit.kit();
    take.name = format!("recording {}", kit.takes.len() + 1);
    let hits = listen::detect(&take, &DetectOptions::default(), &Part::new(progress, 0.0, 0.4))?;
    let detected = (Arc::new(take), hits);
    let rest = Part::new(progress, 0.4, 1.0);
    if kit.takes.is_empty() {
        new_kit::cast(open_kit, &[detected], "Recording".into(), fit, &rest)
    } else {
        add_detected(open_kit, detected, &rest)
    }
}

/// How many hits of a dropped file are tried on its pad, the loudest first.
const MAX_TRIED_HITS: usize = 8;

fn put_file(open_kit: &OpenKit, pad: usize, path: &Path, role: Role, progress: &dyn Progress) -> Result<()> {
    let (take, hits) = read_and_detect(path, &Part::new(progress, 0.0, 0.5))?;
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    let fit = if old.is_empty() { before.doc.fit } else { old.fit };
    let with = with_take(&before, &take, &hits);
    with.check_state_size(&Part::new(progress, 0.5, 0.6))?;
    let mut loudest: Vec<usize> = (0..hits.len()).collect();
    loudest.sort_by(|&a, &b| hits[b].description.peak_db.total_cmp(&hits[a].description.peak_db));
    loudest.truncate(MAX_TRIED_HITS);
    let part = Part::new(progress, 0.6, 1.0);
    let mut best: Option<Pad> = None;
    for (n, &hit) in loudest.iter().enumerate() {
        let source = (before.takes.len(), hit);
        let made = cast::make_pad(&with, pad, source, role, fit, &Part::nth(&part, n, loudest.len()));
        progress.check()?;
        // a hit that is too short or too soft for a pad is skipped
        let Ok(made) = made else { continue };
        let score = |p: &Pad| p.audition.as_ref().map_or(0.0, |a| a.score);
        if best.as_ref().is_none_or(|b| score(&made) > score(b)) {
            best = Some(made);
        }
    }
    let best = best.ok_or_else(|| {
        Error::file(path, "holds no hit that can be a pad; drop a recording with an audible hit")
    })?;
    open_kit.change(&format!("pad {} takes {}", pad + 1, take.name), false, |kit| {
        check_unchanged(kit, &before)?;
        *kit = with_take(kit, &take, &hits);
        kit.doc.pads[pad] = best;
        Ok(())
    })
}

fn detect_again(
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

fn edit_hits(open_kit: &OpenKit, index: usize, edit: HitEdit, progress: &dyn Progress) -> Result<()> {
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

fn recast(open_kit: &OpenKit, progress: &dyn Progress) -> Result<()> {
    let before = open_kit.kit();
    if before.takes.is_empty() {
        return Err(Error::invalid("there is no take to cast; add one first"));
    }
    let detected: Vec<DetectedTake> =
        before.takes.iter().cloned().zip(before.doc.takes.iter().map(|t| t.hits.clone())).collect();
    let doc = &before.doc;
    let targets = doc.pads.iter().filter_map(|p| Some((p.role, p.target.clone()?))).collect();
    let options = CastOptions {
        name: doc.name.clone(),
        fit: doc.fit,
        seed: doc.seed,
        key: doc.key,
        tune_kick: doc.tune_kick,
        roles: None,
        targets,
        ..CastOptions::default()
    };
    let made = cast::make_kit(&detected, &options, progress)?;
    progress.check()?;
    open_kit.change("recast", false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.pads = made.doc.pads;
        kit.doc.takes = made.doc.takes;
        Ok(())
    })
}

fn set_hit(
    open_kit: &OpenKit,
    pad: usize,
    source: (usize, usize),
    role: Role,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    if before.doc.takes.get(source.0).is_none_or(|t| source.1 >= t.hits.len()) {
        return Err(Error::invalid("this hit is no longer there; choose another"));
    }
    // an empty pad has no fit of its own yet
    let fit = if old.is_empty() { before.doc.fit } else { old.fit };
    let made = cast::make_pad(&before, pad, source, role, fit, progress)?;
    progress.check()?;
    open_kit.change(&format!("pad {} takes another hit", pad + 1), false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.pads[pad] = made;
        Ok(())
    })
}

fn set_fit(open_kit: &OpenKit, pad: Option<usize>, fit: f32, progress: &dyn Progress) -> Result<()> {
    let before = open_kit.kit();
    if let Some(index) = pad
        && pad_of(&before, index)?.audition.is_none()
    {
        return Err(Error::invalid(format!("pad {} has no hit to be shaped; give it one first", index + 1)));
    }
    let chosen: Vec<usize> = (0..before.doc.pads.len())
        .filter(|&i| pad.is_none_or(|p| p == i) && before.doc.pads[i].audition.is_some())
        .collect();
    let mut made = Vec::with_capacity(chosen.len());
    for (n, &index) in chosen.iter().enumerate() {
        let old = &before.doc.pads[index];
        let Some(a) = &old.audition else { continue };
        let part = Part::nth(progress, n, chosen.len());
        made.push((index, cast::make_pad(&before, index, (a.take, a.hit), old.role, fit, &part)?));
        progress.check()?;
    }
    let name = pad.map_or("fit of the kit".to_owned(), |p| format!("pad {} fit", p + 1));
    open_kit.change(&name, true, |kit| {
        check_unchanged(kit, &before)?;
        if pad.is_none() {
            kit.doc.fit = fit;
        }
        for (index, pad) in made {
            kit.doc.pads[index] = pad;
        }
        Ok(())
    })
}

fn detect_key(open_kit: &OpenKit, path: &Path, progress: &dyn Progress) -> Result<()> {
    let key = listen::read_key(path, progress)?;
    progress.check()?;
    let before = open_kit.kit();
    let mut tuned = Kit::clone(&before);
    cast::set_key(&mut tuned, Some(key));
    progress.check()?;
    open_kit.change(&format!("key {key}"), false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.key = tuned.doc.key;
        // pads that were changed meanwhile stay as they are
        for ((pad, tuned), old) in kit.doc.pads.iter_mut().zip(tuned.doc.pads).zip(&before.doc.pads) {
            if pad == old {
                *pad = tuned;
            }
        }
        Ok(())
    })
}

fn set_target(open_kit: &OpenKit, pad: usize, sound: Option<&Path>, progress: &dyn Progress) -> Result<()> {
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    let Some((source, role, fit)) = old.audition.as_ref().map(|a| ((a.take, a.hit), old.role, old.fit))
    else {
        return Err(Error::invalid(format!("pad {} has no hit to be shaped; give it one first", pad + 1)));
    };
    let target = match sound {
        Some(path) => Some(cast::target_of(&Take::read(path, &Part::new(progress, 0.0, 0.2))?)?),
        None => None,
    };
    let mut with_target = Kit::clone(&before);
    with_target.doc.pads[pad].target = target;
    let made = cast::make_pad(&with_target, pad, source, role, fit, &Part::new(progress, 0.2, 1.0))?;
    progress.check()?;
    open_kit.change(&format!("pad {} target", pad + 1), false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.pads[pad] = made;
        Ok(())
    })
}

fn load(open_kit: &OpenKit, path: &Path, progress: &dyn Progress) -> Result<()> {
    let kit = Kit::load(path, &Part::new(progress, 0.0, 0.9))?;
    kit.check_state_size(&Part::new(progress, 0.9, 1.0))?;
    progress.check()?;
    open_kit.load(kit)
}

fn export(open_kit: &OpenKit, folder: &Path, progress: &dyn Progress) -> Result<()> {
    crate::export::write_folder(&open_kit.kit_with_trims(), folder, progress).map(|_| ())
}

fn pad_of(kit: &Kit, pad: usize) -> Result<&Pad> {
    kit.doc.pads.get(pad).ok_or_else(|| Error::invalid(format!("there is no pad {}", pad + 1)))
}

/// A job that read `before` may only change a kit with the same takes and hits.
fn check_unchanged(kit: &Kit, before: &Kit) -> Result<()> {
    let same_hits = || kit.doc.takes.iter().zip(&before.doc.takes).all(|(a, b)| a.hits.len() == b.hits.len());
    if same_takes(&kit.takes, &before.takes) && same_hits() {
        return Ok(());
    }
    Err(Error::invalid("the takes changed while this was being computed; try it again"))
}
