//! What several jobs share.

use super::open_kit::same_takes;
use crate::{
    error::{Error, Result},
    kit::{Kit, Pad, TakeEntry},
    listen::Hit,
    take::Take,
};
use std::sync::Arc;

pub(super) fn with_take(kit: &Kit, take: &Arc<Take>, hits: &[Hit]) -> Kit {
    let mut kit = kit.clone();
    kit.doc.takes.push(TakeEntry::new(take, hits.to_vec()));
    kit.takes.push(take.clone());
    kit
}

pub(super) fn pad_of(kit: &Kit, pad: usize) -> Result<&Pad> {
    kit.doc.pads.get(pad).ok_or_else(|| Error::invalid(format!("there is no pad {}", pad + 1)))
}

/// A job that read `before` may only change a kit with the same takes and hits.
pub(super) fn check_unchanged(kit: &Kit, before: &Kit) -> Result<()> {
    let same_hits = || kit.doc.takes.iter().zip(&before.doc.takes).all(|(a, b)| a.hits == b.hits);
    if same_takes(&kit.takes, &before.takes) && same_hits() {
        return Ok(());
    }
    Err(Error::invalid("the takes changed while this was being computed; try it again"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::Description;

    #[test]
    fn takes_whose_hits_were_moved_count_as_changed() {
        let take = Arc::new(Take::from_samples("take", 48_000, vec![vec![0.5; 100]]));
        let hit = Hit { start: 0, end: 50, by_hand: false, description: Description::default() };
        let before = with_take(&Kit::default(), &take, &[hit]);
        let mut kit = before.clone();
        assert_eq!(check_unchanged(&kit, &before), Ok(()));
        kit.doc.takes[0].hits[0].end = 60;
        assert!(check_unchanged(&kit, &before).is_err(), "as many hits, one of them another");
    }
}
