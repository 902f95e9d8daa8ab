//! Jobs on single pads: another hit, another fit, a target sound. What was set by hand stays.

use super::{
    job_parts::{check_unchanged, pad_of, with_take},
    open_kit::OpenKit,
    rankings::Rankings,
    reading::read_and_detect,
};
use crate::{
    cast::{self, ShapeAs},
    error::{Error, Result},
    export,
    kit::{
        Kit, Pad, Role,
        by_hand::{FIT, HIT, ROLE},
    },
    progress::{Part, Progress},
    take::Take,
};
use std::{path::Path, sync::Arc};

/// How many hits of a dropped file are tried on its pad, the loudest first.
const MAX_TRIED_HITS: usize = 8;
/// How many of them are fitted.
const MAX_FITTED_HITS: usize = 2;

/// Next-best hits that a pad's report holds.
const NEXT_BEST: usize = 12;

/// Puts the best hit of a file on a pad; a file whose sound is a take already is not added again.
pub(super) fn put_file(
    open_kit: &OpenKit,
    pad: usize,
    path: &Path,
    role: Role,
    progress: &dyn Progress,
) -> Result<()> {
    let (take, hits) = read_and_detect(path, open_kit.kit().takes.iter(), &Part::new(progress, 0.0, 0.5))?;
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    let fit = if old.is_empty() { before.doc.fit } else { old.shaped() };
    let known =
        before.takes.iter().position(|t| (t.sample_rate, &t.channels) == (take.sample_rate, &take.channels));
    let with = if known.is_some() { Kit::clone(&before) } else { with_take(&before, &take, &hits) };
    let index = known.unwrap_or(before.takes.len());
    with.check_state_size(&Part::new(progress, 0.5, 0.6))?;
    let hits = with.doc.takes[index].hits.clone();
    let shape_as = open_kit.shape_as(role, fit);
    let best = best_of(&with, pad, index, shape_as, &Part::new(progress, 0.6, 1.0))?.ok_or_else(|| {
        Error::file(path, "holds no hit that can be a pad; drop a recording with an audible hit")
    })?;
    open_kit.change(&format!("pad {} takes {}", pad + 1, take.name), false, |kit| {
        check_unchanged(kit, &before)?;
        if known.is_none() {
            *kit = with_take(kit, &take, &hits);
        }
        put(kit, pad, best);
        kit.doc.pads[pad].mark_by_hand(HIT);
        Ok(())
    })
}

/// The pad made of the hit of a take that serves the role best, of the loudest ones: those that serve it best by the
/// recipe are fitted. For percussion, which has no score, the loudest.
fn best_of(
    kit: &Kit,
    pad: usize,
    take: usize,
    shape_as: ShapeAs,
    progress: &dyn Progress,
) -> Result<Option<Pad>> {
    let hits = &kit.doc.takes[take].hits;
    let mut loudest: Vec<usize> = (0..hits.len()).collect();
    loudest.sort_by(|&a, &b| hits[b].description.peak_db.total_cmp(&hits[a].description.peak_db));
    loudest.truncate(MAX_TRIED_HITS);
    let made = |of: &[usize], effort: f32, part: &Part<'_>| -> Result<Vec<(f32, usize, Pad)>> {
        let mut made = Vec::new();
        for (n, &hit) in of.iter().enumerate() {
            let part = Part::nth(part, n, of.len());
            let pad = cast::make_pad(kit, pad, (take, hit), ShapeAs { effort, ..shape_as }, &part);
            part.check()?;
            // a hit that is too short or too soft for a pad is skipped
            let Ok(pad) = pad else { continue };
            made.push((pad.audition.as_ref().map_or(0.0, |a| a.score), hit, pad));
        }
        made.sort_by(|a, b| b.0.total_cmp(&a.0));
        Ok(made)
    };
    let by_recipe = made(&loudest, 0.0, &Part::new(progress, 0.0, 0.4))?;
    let best: Vec<usize> = by_recipe.into_iter().take(MAX_FITTED_HITS).map(|(_, hit, _)| hit).collect();
    let fitted = made(&best, shape_as.effort, &Part::new(progress, 0.4, 1.0))?;
    Ok(fitted.into_iter().next().map(|(_, _, pad)| pad))
}

/// Puts a pad that was made again into its place; what was set by hand stays.
fn put(kit: &mut Kit, pad: usize, mut made: Pad) {
    made.keep_by_hand(&kit.doc.pads[pad]);
    kit.doc.pads[pad] = made;
}

pub(super) fn set_hit(
    open_kit: &OpenKit,
    rankings: &Rankings,
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
    let fit = if old.is_empty() { before.doc.fit } else { old.shaped() };
    let mut made = cast::make_pad(&before, pad, source, open_kit.shape_as(role, fit), progress)?;
    if let Some(audition) = &mut made.audition
        && audition.next_best.is_empty()
    {
        audition.next_best = others(&before, rankings, old, source, role);
    }
    progress.check()?;
    let was = old.audition.as_ref().map(|a| (a.take, a.hit));
    open_kit.change(&format!("pad {} takes another hit", pad + 1), false, |kit| {
        check_unchanged(kit, &before)?;
        put(kit, pad, made);
        for (name, changed) in [(HIT, was != Some(source)), (ROLE, before.doc.pads[pad].role != role)] {
            if changed {
                kit.doc.pads[pad].mark_by_hand(name);
            }
        }
        Ok(())
    })?;
    if let Some(was) = was.filter(|was| *was != source && before.doc.pads[pad].role == role) {
        learn_hit(open_kit, &before, role, was, source);
    }
    Ok(())
}

/// Rate at which a hit is played as it would sound, Hz.
const AUDITION_RATE: u32 = 48_000;

/// A hit as it would sound on a pad, as a take of its own.
pub(super) fn audition(
    open_kit: &OpenKit,
    pad: usize,
    source: (usize, usize),
    progress: &dyn Progress,
) -> Result<Arc<Take>> {
    let mut kit = Kit::clone(&open_kit.kit());
    let old = pad_of(&kit, pad)?.clone();
    let fit = if old.is_empty() { kit.doc.fit } else { old.shaped() };
    let mut made =
        cast::make_pad(&kit, pad, source, open_kit.shape_as(old.role, fit), &Part::new(progress, 0.0, 0.9))?;
    made.keep_by_hand(&old);
    kit.doc.pads[pad] = made;
    let rest = Part::new(progress, 0.9, 1.0);
    let sound = export::render_pad(&Arc::new(kit), pad, 0.8, AUDITION_RATE, &rest)?;
    Ok(Arc::new(Take::from_samples("audition", AUDITION_RATE, sound.into())))
}

/// The hits that serve `role` best besides `source`, where they are known.
fn others(
    kit: &Kit,
    rankings: &Rankings,
    old: &Pad,
    source: (usize, usize),
    role: Role,
) -> Vec<(usize, usize, f32)> {
    let not_this = |b: &&(usize, usize, f32)| (b.0, b.1) != source;
    if let Some(ranking) = rankings.of(kit, role) {
        return ranking.iter().filter(not_this).take(NEXT_BEST).copied().collect();
    }
    let Some(audition) = old.audition.as_ref().filter(|_| old.role == role) else { return Vec::new() };
    let before = (audition.take, audition.hit, audition.score);
    let mut all: Vec<_> = audition.next_best.iter().chain([&before]).filter(not_this).copied().collect();
    all.sort_by(|a, b| b.2.total_cmp(&a.2));
    all
}

/// Puts the hit after (or before) the pad's own on it, in the order of the scores; after the last comes the first.
pub(super) fn next_best(
    open_kit: &OpenKit,
    rankings: &Rankings,
    pad: usize,
    back: bool,
    progress: &dyn Progress,
) -> Result<()> {
    let kit = open_kit.kit();
    let built = pad_of(&kit, pad)?;
    let ranking = rankings.make(&kit, built.role, &Part::new(progress, 0.0, 0.7))?;
    let here = built.audition.as_ref().map(|a| (a.take, a.hit));
    let at = ranking.iter().position(|b| Some((b.0, b.1)) == here);
    let count = ranking.len();
    if count == 0 || (count == 1 && at.is_some()) {
        return Err(Error::invalid("there is no other hit that could be a pad; add a take with more hits"));
    }
    let next = match (at, back) {
        (Some(at), false) => (at + 1) % count,
        (Some(at), true) => (at + count - 1) % count,
        (None, _) => 0,
    };
    let (take, hit, _) = ranking[next];
    set_hit(open_kit, rankings, pad, (take, hit), built.role, &Part::new(progress, 0.7, 1.0))
}

fn check_unlocked(pad: &Pad, index: usize) -> Result<()> {
    if pad.locked {
        return Err(Error::invalid(format!("pad {} is locked; unlock it to shape it again", index + 1)));
    }
    Ok(())
}

/// The hit that a pad is made of, to be shaped again.
fn source_of(pad: &Pad, index: usize) -> Result<(usize, usize)> {
    check_unlocked(pad, index)?;
    let source = pad.audition.as_ref().map(|a| (a.take, a.hit));
    source.ok_or_else(|| {
        Error::invalid(format!("pad {} has no hit to be shaped; give it one first", index + 1))
    })
}

pub(super) fn set_fit(
    open_kit: &OpenKit,
    pad: Option<usize>,
    fit: f32,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    if let Some(index) = pad {
        source_of(pad_of(&before, index)?, index)?;
    }
    let chosen: Vec<usize> = (0..before.doc.pads.len())
        .filter(|&i| pad.is_none_or(|p| p == i) && source_of(&before.doc.pads[i], i).is_ok())
        .collect();
    let name = pad.map_or("fit of the kit".to_owned(), |p| format!("pad {} fit", p + 1));
    if chosen.is_empty() {
        return open_kit.change(&name, true, |kit| {
            kit.doc.fit = fit;
            Ok(())
        });
    }
    let of_kit = pad.is_none();
    let mut sketched = sketch_first(open_kit, &before, (chosen[0], of_kit), fit, &name, progress)?;
    for (n, &index) in chosen.iter().enumerate() {
        let old = &before.doc.pads[index];
        let shown = sketched.take();
        let source = source_of(old, index)?;
        let part = Part::nth(progress, n, chosen.len());
        let made = cast::make_pad(&before, index, source, open_kit.shape_as(old.role, fit), &part)
            .and_then(|made| progress.check().map(|()| made));
        // a pad that was changed meanwhile stays, and so does a kit that was undone
        open_kit.refine(|kit| {
            let goes_on = check_unchanged(kit, &before).is_ok() && (!of_kit || kit.doc.fit == fit);
            let fits = goes_on && kit.doc.pads[index] == *shown.as_ref().unwrap_or(old);
            match &made {
                Ok(made) if fits => put_shaped(kit, index, made.clone(), of_kit),
                // no sketch is left behind
                Err(_) if fits && shown.is_some() => {
                    kit.doc.pads[index].clone_from(old);
                    kit.doc.fit = before.doc.fit;
                }
                _ => return false,
            }
            true
        });
        if made.is_err() {
            open_kit.forget_empty_step(&name);
        }
        made?;
    }
    if let Some(index) = pad {
        let old = &before.doc.pads[index];
        learn_fit(open_kit, old.role, old.shaped(), fit);
    }
    Ok(())
}

/// Puts the first pad in place as its recipe makes it, so that a moved fit is heard at once; returns it.
fn sketch_first(
    open_kit: &OpenKit,
    before: &Kit,
    (index, of_kit): (usize, bool),
    fit: f32,
    step: &str,
    progress: &dyn Progress,
) -> Result<Option<Pad>> {
    let old = &before.doc.pads[index];
    let source = source_of(old, index)?;
    let by_recipe = ShapeAs { role: old.role, fit, effort: 0.0 };
    let sketch = cast::make_pad(before, index, source, by_recipe, &Part::new(progress, 0.0, 0.0))?;
    progress.check()?;
    let mut shown = None;
    open_kit.change(step, true, |kit| {
        check_unchanged(kit, before)?;
        if of_kit {
            kit.doc.fit = fit;
        }
        put_shaped(kit, index, sketch, of_kit);
        shown = Some(kit.doc.pads[index].clone());
        Ok(())
    })?;
    Ok(shown)
}

/// Puts a pad with another fit into its place: its own one, or that of the kit.
fn put_shaped(kit: &mut Kit, index: usize, made: Pad, of_kit: bool) {
    put(kit, index, made);
    let pad = &mut kit.doc.pads[index];
    if of_kit {
        pad.let_go(Some(FIT));
    } else {
        pad.mark_by_hand(FIT);
    }
}

/// Lets a setting of a pad, or all of them, follow the fit again: the pad is shaped anew.
pub(super) fn follow_fit(
    open_kit: &OpenKit,
    pad: usize,
    setting: Option<&str>,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    let source = source_of(old, pad)?;
    let made = cast::make_pad(&before, pad, source, open_kit.shape_as(old.role, old.shaped()), progress)?;
    progress.check()?;
    open_kit.change(&format!("pad {} follows the fit again", pad + 1), false, |kit| {
        check_unchanged(kit, &before)?;
        let pan = made.settings.pan;
        kit.doc.pads[pad].let_go(setting);
        put(kit, pad, made);
        let pad = &mut kit.doc.pads[pad];
        // shaping leaves the pan alone
        pad.settings.pan = if pad.is_by_hand("pan") { pan } else { 0.0 };
        Ok(())
    })
}

pub(super) fn set_target(
    open_kit: &OpenKit,
    pad: usize,
    sound: Option<&Path>,
    progress: &dyn Progress,
) -> Result<()> {
    let before = open_kit.kit();
    let old = pad_of(&before, pad)?;
    let source = source_of(old, pad)?;
    let target = match sound {
        Some(path) => Some(cast::target_of(&Take::read(path, &Part::new(progress, 0.0, 0.2))?)?),
        None => None,
    };
    let mut with_target = Kit::clone(&before);
    with_target.doc.pads[pad].target = target;
    let shape_as = open_kit.shape_as(old.role, old.shaped());
    let made = cast::make_pad(&with_target, pad, source, shape_as, &Part::new(progress, 0.2, 1.0))?;
    progress.check()?;
    open_kit.change(&format!("pad {} target", pad + 1), false, |kit| {
        check_unchanged(kit, &before)?;
        put(kit, pad, made);
        Ok(())
    })
}

/// The player put another hit on a pad.
fn learn_hit(open_kit: &OpenKit, kit: &Kit, role: Role, old: (usize, usize), new: (usize, usize)) {
    let hit = |(take, hit): (usize, usize)| kit.doc.takes.get(take)?.hits.get(hit);
    if let (Some(old), Some(new)) = (hit(old), hit(new)) {
        let learned = open_kit.preference.change(|preference| preference.replaced(role, old, new));
        learned.unwrap_or_else(|error| open_kit.report(error));
    }
}

/// The player moved the fit of a pad.
fn learn_fit(open_kit: &OpenKit, role: Role, old: f32, new: f32) {
    let learned = open_kit.preference.change(|preference| preference.moved_fit(role, old, new));
    learned.unwrap_or_else(|error| open_kit.report(error));
}
