//! Minima and maxima of a take, for pictures at any zoom.

use super::Take;

/// Frames that one entry of the lowest level covers.
const FRAMES_PER_ENTRY: usize = 64;
/// Entries of one level that one entry of the next covers.
const LEVEL_RATIO: usize = 4;

/// Lowest and highest sample of each stretch of a take, over all channels, in levels: the first covers
/// 64 frames an entry, each next four times as many. Costs about 1/24 of a mono take's memory, 1/48 of a stereo one's.
#[derive(Debug, Default)]
pub struct Pyramid {
    levels: Vec<Vec<[f32; 2]>>,
    peak: f32,
}

impl Pyramid {
    /// The pyramid of a take; `None` when `stopped` meanwhile, which is asked every 262,144 frames.
    // not generic, so that it is compiled here and optimised
    pub fn unless(take: &Take, stopped: &dyn Fn() -> bool) -> Option<Self> {
        let mut base = Vec::with_capacity(take.frames() / FRAMES_PER_ENTRY + 1);
        for start in (0..take.frames()).step_by(FRAMES_PER_ENTRY) {
            if base.len() % 4096 == 0 && stopped() {
                return None;
            }
            base.push(sample_range(&take.channels, start, start + FRAMES_PER_ENTRY));
        }
        let peak = base.iter().map(|[lo, hi]| hi.max(-lo)).fold(0.0, f32::max);
        let mut levels = vec![base];
        while let Some(last) = levels.last()
            && last.len() > LEVEL_RATIO
        {
            let next = last.chunks(LEVEL_RATIO).map(widest).collect();
            levels.push(next);
        }
        Some(Self { levels, peak })
    }

    /// Largest absolute sample.
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// Lowest and highest sample of frames `start..end`, of one frame at least; from 128 frames on it may include up to one
    /// entry more at each side. `[0, 0]` outside the take. Reads at most a few entries, whatever the distance.
    pub fn range(&self, take: &Take, start: usize, end: usize) -> [f32; 2] {
        let end = end.clamp(start + 1, take.frames().max(start + 1));
        if end - start < FRAMES_PER_ENTRY * 2 {
            return sample_range(&take.channels, start, end);
        }
        widest(self.entries(start, end))
    }

    /// The entries of the level that covers these frames with the fewest that are still exact enough: at most
    /// nine, whatever the distance.
    fn entries(&self, start: usize, end: usize) -> &[[f32; 2]] {
        let length = end - start;
        let mut level = 0;
        let mut cover = FRAMES_PER_ENTRY;
        while level + 1 < self.levels.len() && cover * LEVEL_RATIO * 2 <= length {
            level += 1;
            cover *= LEVEL_RATIO;
        }
        let entries = &self.levels[level];
        let first = (start / cover).min(entries.len());
        let last = end.div_ceil(cover).min(entries.len());
        &entries[first..last]
    }
}

/// Lowest and highest sample of all channels (`[channel][frame]`) in frames `start..end`, cut to those that are there; 0
/// where none is.
pub fn sample_range(channels: &[Vec<f32>], start: usize, end: usize) -> [f32; 2] {
    let mut range = [f32::INFINITY, f32::NEG_INFINITY];
    for channel in channels {
        let end = end.min(channel.len());
        for &s in &channel[start.min(end)..end] {
            range = [range[0].min(s), range[1].max(s)];
        }
    }
    if range[0] > range[1] { [0.0, 0.0] } else { range }
}

/// The range that holds all of these; 0 where there is none.
pub fn widest(entries: &[[f32; 2]]) -> [f32; 2] {
    let all = entries
        .iter()
        .fold([f32::INFINITY, f32::NEG_INFINITY], |all, e| [all[0].min(e[0]), all[1].max(e[1])]);
    if all[0] > all[1] { [0.0, 0.0] } else { all }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pyramid_ranges_equal_those_of_the_samples() {
        let samples: Vec<f32> =
            (0..100_000).map(|i| ((i * 7919) % 1000) as f32 / 1000.0 * ((i as f32) * 0.001).sin()).collect();
        let take = Take::from_samples("t", 48_000, vec![samples]);
        let pyramid = Pyramid::unless(&take, &|| false).expect("not stopped");
        for (start, end) in [(0, 100_000), (64, 128), (1000, 1010), (4096, 8192), (65_536, 81_920)] {
            let truth = sample_range(&take.channels, start, end);
            assert_eq!(pyramid.range(&take, start, end), truth, "{start} to {end}");
        }
        // unaligned stretches may see up to one entry more at each side, never less
        let wide = pyramid.range(&take, 10_001, 50_003);
        let truth = sample_range(&take.channels, 10_001, 50_003);
        assert!(wide[0] <= truth[0] && wide[1] >= truth[1]);
        assert_eq!(
            pyramid.peak(),
            sample_range(&take.channels, 0, 100_000).map(f32::abs).into_iter().fold(0.0, f32::max)
        );
    }

    #[test]
    fn a_range_reads_at_most_nine_entries_whatever_its_length() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.25; 3_000_000]]);
        let pyramid = Pyramid::unless(&take, &|| false).expect("not stopped");
        for length in [128, 500, 5000, 77_777, 1_000_000, 2_999_000] {
            for start in [0, 1, 63, 999] {
                let read = pyramid.entries(start, start + length).len();
                assert!((1..=9).contains(&read), "{read} entries for {length} frames from {start}");
            }
        }
    }

    #[test]
    fn frames_beyond_the_take_are_silent() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.5; 1000]]);
        let pyramid = Pyramid::unless(&take, &|| false).expect("not stopped");
        assert_eq!(pyramid.range(&take, 5000, 6000), [0.0, 0.0]);
        assert_eq!(pyramid.range(&take, 900, 6000), [0.5, 0.5]);
        let empty = Take::from_samples("t", 48_000, vec![Vec::new()]);
        let pyramid = Pyramid::unless(&empty, &|| false).expect("not stopped");
        assert_eq!(pyramid.range(&empty, 0, 10), [0.0, 0.0]);
    }
}
