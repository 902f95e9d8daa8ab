//! The whole kit cast again; pads that are locked or were chosen by hand stay.

use super::{job_parts::check_unchanged, open_kit::OpenKit};
use crate::{
    cast::{self, CastOptions, DetectedTake},
    error::{Error, Result},
    kit::{
        Kit, Pad,
        by_hand::{FIT, HIT, NOTE, ROLE},
    },
    progress::{Part, Progress},
};

pub(super) fn recast(open_kit: &OpenKit, progress: &dyn Progress) -> Result<()> {
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
        preference: open_kit.preference.for_casting(),
        effort: open_kit.search_effort.share(),
        ..CastOptions::default()
    };
    let mut made = cast::make_kit(&detected, &options, &Part::new(progress, 0.0, 0.9))?;
    keep_fits(open_kit, &mut made, &before, &Part::new(progress, 0.9, 1.0))?;
    progress.check()?;
    open_kit.change("recast", false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.pads = joined(&kit.doc.pads, made.doc.pads);
        Ok(())
    })
}

/// Whether another casting leaves a pad as it is.
fn stays(pad: &Pad) -> bool {
    pad.locked || pad.is_by_hand(HIT) || pad.is_by_hand(ROLE)
}

/// Shapes the pads whose fit was set by hand by that fit.
fn keep_fits(open_kit: &OpenKit, made: &mut Kit, before: &Kit, progress: &dyn Progress) -> Result<()> {
    for (i, old) in before.doc.pads.iter().enumerate() {
        if stays(old) || !old.is_by_hand(FIT) {
            continue;
        }
        let new = &made.doc.pads[i];
        let Some(source) = new.audition.as_ref().map(|a| (a.take, a.hit)) else { continue };
        let pad = cast::make_pad(made, i, source, open_kit.shape_as(new.role, old.shaped()), progress)?;
        made.doc.pads[i] = pad;
    }
    Ok(())
}

/// The pads cast again, with what the player had set by hand.
fn joined(now: &[Pad], made: Vec<Pad>) -> Vec<Pad> {
    let keeps_note: Vec<bool> = now.iter().map(|p| stays(p) || p.is_by_hand(NOTE)).collect();
    let mut pads: Vec<Pad> = (made.into_iter().zip(now))
        .map(|(mut made, old)| {
            if stays(old) {
                return old.clone();
            }
            made.keep_by_hand(old);
            if old.is_by_hand(NOTE) {
                made.note = old.note;
            }
            made
        })
        .collect();
    for i in (0..pads.len()).filter(|&i| !keeps_note[i]) {
        let taken = |pads: &[Pad], note: u8| pads.iter().enumerate().any(|(j, p)| j != i && p.note == note);
        if taken(&pads, pads[i].note)
            && let Some(free) = (36..128).chain(0..36).find(|&n| !taken(&pads, n))
        {
            pads[i].note = free;
        }
    }
    pads
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::Role;

    fn made() -> Vec<Pad> {
        Role::DEFAULT_PADS.iter().map(|&(note, role)| Pad { fit: 0.8, ..Pad::empty(note, role) }).collect()
    }

    #[test]
    fn locked_and_chosen_pads_stay_and_the_others_keep_their_settings() {
        let mut now = made();
        now.iter_mut().for_each(|p| p.fit = 0.1);
        now[0].locked = true;
        now[1].mark_by_hand(HIT);
        now[2].change_by_hand(|p| p.settings.choke_group = 4);
        let joined = joined(&now, made());
        assert_eq!(joined[..2], now[..2]);
        assert_eq!((joined[2].fit, joined[2].settings.choke_group), (0.8, 4));
        assert_eq!(joined[3], made()[3]);
    }

    #[test]
    fn notes_set_by_hand_stay_and_no_two_pads_share_one() {
        let mut now = made();
        now[3].note = 120;
        now[0].change_by_hand(|p| p.note = 39);
        let pads = joined(&now, made());
        assert_eq!(pads[0].note, 39);
        let mut notes: Vec<u8> = pads.iter().map(|p| p.note).collect();
        notes.sort_unstable();
        notes.dedup();
        assert_eq!(notes.len(), pads.len());
    }
}
