//! Soft and hard strokes of one sound: which hit of a group sounds at which velocity.

use super::companions::slice_of;
use crate::{kit::Slice, listen::Hit};

/// Level difference between a soft and a hard stroke, dB (common practice, no source).
const ZONE_DB: f32 = 9.0;
/// Maximum number of velocity zones: soft, middle, hard.
const MAX_ZONES: usize = 3;
/// Maximum number of strokes that alternate within a zone.
const MAX_IN_ZONE: usize = 6;

/// Slices for a pad from a group of similar hits (take and hit), the pad's own hit first. Strokes of similar level
/// alternate within one velocity zone; zones meet at the velocity whose level lies halfway between theirs.
/// `velocity_level` is the layer's setting of that name (0 to 1): how far the level falls with velocity.
pub fn slices(strokes: &[(usize, &Hit)], velocity_level: f32) -> Vec<Slice> {
    if strokes.is_empty() {
        return Vec::new();
    }
    let level = |hit: &Hit| hit.description.peak_db;
    let levels = || strokes.iter().map(|(_, hit)| level(hit));
    let (top, bottom) = levels().fold((f32::MIN, f32::MAX), |(top, bottom), l| (top.max(l), bottom.min(l)));
    let range = top - bottom;
    let zones = if velocity_level > 0.0 { (1 + (range / ZONE_DB) as usize).min(MAX_ZONES) } else { 1 };
    let width = (range / zones as f32).max(f32::MIN_POSITIVE);
    // zone 0 is the hardest
    let zone_of = |hit: &Hit| (((top - level(hit)) / width) as usize).min(zones - 1);

    let taken: Vec<usize> =
        (0..zones).filter(|&z| strokes.iter().any(|(_, hit)| zone_of(hit) == z)).collect();
    // the velocity whose level lies between two zones that hold strokes
    let edge = |above: usize, below: usize| {
        let db = (above + 1 + below) as f32 * 0.5 * width;
        10f32.powf(-db / (40.0 * velocity_level))
    };
    let bounds = |zone: usize| {
        let at = taken.iter().position(|&z| z == zone).unwrap_or(0);
        let high = if at == 0 { 1.0 } else { edge(taken[at - 1], zone) };
        let low = taken.get(at + 1).map_or(0.0, |&below| edge(zone, below));
        [low, high]
    };
    let mut count = [0; MAX_ZONES];
    strokes
        .iter()
        .copied()
        .filter_map(|(take, hit)| {
            let zone = zone_of(hit);
            count[zone] += 1;
            (count[zone] <= MAX_IN_ZONE).then(|| Slice { velocities: bounds(zone), ..slice_of(take, hit) })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::Description;

    fn stroke(start: u64, peak_db: f32) -> Hit {
        let description = Description { peak_db, ..Description::default() };
        Hit { start, end: start + 100, by_hand: false, description }
    }

    fn zones(levels: &[f32]) -> Vec<[f32; 2]> {
        let hits: Vec<Hit> = levels.iter().enumerate().map(|(i, &db)| stroke(i as u64 * 200, db)).collect();
        let strokes: Vec<(usize, &Hit)> = hits.iter().map(|h| (0, h)).collect();
        slices(&strokes, 0.7).iter().map(|s| s.velocities).collect()
    }

    #[test]
    fn strokes_of_one_level_alternate_at_every_velocity() {
        assert_eq!(zones(&[-3.0, -4.0, -9.0]), [[0.0, 1.0]; 3]);
        assert_eq!(zones(&[-3.0; 9]).len(), MAX_IN_ZONE);
        assert!(slices(&[], 0.7).is_empty());
    }

    #[test]
    fn soft_strokes_sound_when_played_softly() {
        let of = zones(&[-3.0, -23.0, -24.0, -4.0]);
        // 21 dB in three zones, the middle one empty: the edge lies 10.5 dB down
        let edge = 10f32.powf(-10.5 / 28.0);
        for (is, want) in of.iter().zip([[edge, 1.0], [0.0, edge], [0.0, edge], [edge, 1.0]]) {
            assert!(is.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-4), "{is:?} {want:?}");
        }
    }

    #[test]
    fn zones_cover_every_velocity_without_a_gap() {
        for levels in [&[0.0, -10.0, -20.0, -30.0][..], &[0.0, -9.5], &[-6.0, -50.0], &[-6.0, -6.0]] {
            let mut of = zones(levels);
            of.sort_by(|a, b| a[0].total_cmp(&b[0]));
            of.dedup();
            assert_eq!((of[0][0], of[of.len() - 1][1]), (0.0, 1.0), "{levels:?}");
            assert!(of.windows(2).all(|w| w[0][1] == w[1][0]), "{levels:?}: {of:?}");
        }
    }

    #[test]
    fn a_pad_that_does_not_follow_velocity_has_one_zone() {
        let (hard, soft) = (stroke(0, -3.0), stroke(200, -30.0));
        assert!(slices(&[(0, &hard), (0, &soft)], 0.0).iter().all(|s| s.velocities == [0.0, 1.0]));
    }
}
