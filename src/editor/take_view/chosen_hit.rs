//! The chosen hit: played, and moved between its neighbours.

use super::{position::TakeView, shown::ShownTake};
use crate::editor::{frame_context::FrameContext, selection::Selection};
use kitwright_core::kit::TakeEntry;

/// Chooses a hit and its pad, and plays it.
pub(super) fn choose(
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
    index: usize,
) {
    let hit = &cx.kit.doc.takes[shown.index].hits[index];
    view.hit = Some(index);
    if let Some(user) = shown.users[index].first() {
        selection.pad = user.pad;
    }
    cx.session.preview(shown.index, hit.start, hit.end);
}

/// A start and an end that overlap no neighbour and are at least 2 ms apart.
pub(super) fn within_neighbours(entry: &TakeEntry, hit: usize, [start, end]: [u64; 2]) -> [u64; 2] {
    // one frame more than hit detection demands, against its rounding
    let min_length = u64::from(entry.sample_rate) / 500 + 1;
    let lowest = hit.checked_sub(1).and_then(|h| entry.hits.get(h)).map_or(0, |h| h.start + min_length);
    let highest = entry.hits.get(hit + 1).map_or(entry.frames, |h| h.start).max(lowest + min_length);
    let start = start.clamp(lowest, highest - min_length);
    [start, end.clamp(start + min_length, highest)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::listen::Hit;

    #[test]
    fn edges_stay_between_neighbouring_hits() {
        let take = kitwright_core::take::Take::from_samples("t", 48_000, vec![vec![0.0; 10_000]]);
        let hit = |start, end| Hit { start, end, by_hand: false, description: Default::default() };
        let entry = TakeEntry::new(&take, vec![hit(0, 900), hit(1000, 2000), hit(3000, 5000)]);
        assert_eq!(within_neighbours(&entry, 1, [0, 9000]), [97, 3000]);
        assert_eq!(within_neighbours(&entry, 1, [2990, 10]), [2903, 3000]);
        assert_eq!(within_neighbours(&entry, 2, [3000, 90_000]), [3000, 10_000]);
    }
}
