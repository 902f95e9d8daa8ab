//! Hits set by hand: added, moved, split, merged and removed.
//!
//! Each function changes a list of hits that are in order and do not overlap, and keeps them so. A changed hit is
//! `by_hand` from then on and survives another detection. After an error the list is as it was.

use super::{hit::Hit, hit_builder::HitBuilder};
use crate::{
    error::{Error, Result},
    take::Take,
};

/// Shortest hit that can be set by hand, seconds.
const MIN_EDITED_S: f64 = 0.002;
/// Starts this close belong to one attack that was detected twice, seconds.
const SAME_S: f64 = 0.004;

/// Adds a hit that starts at frame `start` and ends by decay or where the next one starts; a hit that sounds there is
/// cut short. Returns its place in the list.
///
/// # Errors
/// A start within 2 ms of another hit's or of the end of the take.
pub fn add(hits: &mut Vec<Hit>, take: &Take, start: u64) -> Result<usize> {
    let least = shortest(take);
    let frames = take.frames() as u64;
    if start + least > frames {
        return Err(Error::invalid(format!("{}: a hit cannot start where the take ends", take.name)));
    }
    let at = hits.partition_point(|h| h.start <= start);
    let next = hits.get(at).map_or(frames, |h| h.start);
    let crowded = next < start + least || at.checked_sub(1).is_some_and(|i| start < hits[i].start + least);
    if crowded {
        return Err(Error::invalid(format!(
            "{}: there is a hit already within 2 ms of this place",
            take.name
        )));
    }
    let mut builder = HitBuilder::new(take);
    let hit = builder.hit_by_hand(start, builder.end(start, next));
    if let Some(before) = at.checked_sub(1).filter(|&i| hits[i].end > start) {
        hits[before] = builder.described(&hits[before], hits[before].start, start);
    }
    hits.insert(at, hit);
    Ok(at)
}

/// Moves the start and the end of hit `index`, between its neighbours; a hit before it that reaches over the new start
/// is cut short.
///
/// # Errors
/// No such hit; bounds that pass the start of a neighbour or the end of the take, or less than 2 ms apart.
pub fn reshape(hits: &mut [Hit], take: &Take, index: usize, start: u64, end: u64) -> Result<()> {
    present(hits, take, index)?;
    let from = index.checked_sub(1).map_or(0, |i| hits[i].start + shortest(take));
    let to = hits.get(index + 1).map_or(take.frames() as u64, |h| h.start);
    if start < from || end > to || end < start + shortest(take) {
        let trouble = "a hit must stay between the starts of its neighbours and last at least 2 ms";
        return Err(Error::invalid(format!("{}: {trouble}", take.name)));
    }
    let mut builder = HitBuilder::new(take);
    hits[index] = builder.hit_by_hand(start, end);
    if let Some(before) = index.checked_sub(1).filter(|&i| hits[i].end > start) {
        hits[before] = builder.described(&hits[before], hits[before].start, start);
    }
    Ok(())
}

/// Splits hit `index` in two at frame `at`.
///
/// # Errors
/// No such hit, or a place less than 2 ms inside it.
pub fn split(hits: &mut Vec<Hit>, take: &Take, index: usize, at: u64) -> Result<()> {
    present(hits, take, index)?;
    let (start, end) = (hits[index].start, hits[index].end);
    if at < start + shortest(take) || at + shortest(take) > end {
        return Err(Error::invalid(format!("{}: a hit can only be split 2 ms or more inside it", take.name)));
    }
    let mut builder = HitBuilder::new(take);
    hits[index] = builder.hit_by_hand(start, at);
    hits.insert(index + 1, builder.hit_by_hand(at, end));
    Ok(())
}

/// Makes one hit of hit `index` and the next.
///
/// # Errors
/// No such hit, or none after it.
pub fn merge(hits: &mut Vec<Hit>, take: &Take, index: usize) -> Result<()> {
    present(hits, take, index)?;
    present(hits, take, index + 1)?;
    let whole = HitBuilder::new(take).hit_by_hand(hits[index].start, hits[index + 1].end);
    hits[index] = whole;
    hits.remove(index + 1);
    Ok(())
}

/// Removes hit `index` and returns it.
///
/// # Errors
/// No such hit.
pub fn remove(hits: &mut Vec<Hit>, take: &Take, index: usize) -> Result<Hit> {
    present(hits, take, index)?;
    Ok(hits.remove(index))
}

/// Starts of the hits of `before` that an edit has taken away: by removing them, or by moving their start to a
/// later place. None is detected there again.
pub fn set_aside<'a>(before: &'a [Hit], after: &'a [Hit]) -> impl Iterator<Item = u64> + 'a {
    let stands =
        |at: u64| after.iter().any(|h| h.start == at || (h.by_hand && (h.start..h.end).contains(&at)));
    before.iter().map(|h| h.start).filter(move |&at| !stands(at))
}

/// `detected` with the hits of `before` that were set by hand: these stay as they are, detected hits inside them go,
/// and one before them ends where they start. Hits that were `set_aside` stay away.
pub(super) fn keep_by_hand(
    before: &[Hit],
    set_aside: &[u64],
    mut detected: Vec<Hit>,
    take: &Take,
) -> Vec<Hit> {
    let same = (SAME_S * f64::from(take.sample_rate)) as u64;
    detected.retain(|h| set_aside.iter().all(|at| at.abs_diff(h.start) > same));
    let by_hand: Vec<&Hit> = before.iter().filter(|h| h.by_hand).collect();
    if by_hand.is_empty() {
        return detected;
    }
    let mut builder = HitBuilder::new(take);
    let least = shortest(take);
    let mut all: Vec<Hit> = Vec::with_capacity(detected.len() + by_hand.len());
    for hit in detected {
        // A start just before one set by hand is the same attack.
        if by_hand.iter().any(|h| hit.start + least > h.start && hit.start < h.end) {
            continue;
        }
        let end = by_hand.iter().map(|h| h.start).filter(|&s| s > hit.start).fold(hit.end, u64::min);
        all.push(if end < hit.end { builder.described(&hit, hit.start, end) } else { hit });
    }
    all.extend(by_hand.into_iter().cloned());
    all.sort_by_key(|h| h.start);
    all
}

fn shortest(take: &Take) -> u64 {
    ((MIN_EDITED_S * f64::from(take.sample_rate)) as u64).max(1)
}

fn present(hits: &[Hit], take: &Take, index: usize) -> Result<()> {
    if index < hits.len() {
        return Ok(());
    }
    let trouble = format!("there is no hit {} among its {}", index + 1, hits.len());
    Err(Error::invalid(format!("{}: {trouble}", take.name)))
}
