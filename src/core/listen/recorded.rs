//! Where the recording begins in a take: digital silence before it, which editors and hosts add, tells nothing of its noise.

use crate::take::Take;
use std::ops::Range;

/// Steps in which silence is looked for, seconds: fewer frames may be still by chance.
const STEP_S: f64 = 0.01;
/// What is shorter than this has no floor but the silence before it, seconds (our choice).
const LEAST_S: f64 = 3.0;
/// Where more than this share of the rest is digitally silent as well, silence is the take's own background.
const MOST_SILENT: f64 = 0.01;

/// Frames from the first sound to the end of the take; all frames where digital silence is the background of its sounds.
/// Silence behind the last sound stays: takes fade into it.
pub(super) fn recorded(take: &Take) -> Range<usize> {
    let frames = take.frames();
    let rate = f64::from(take.sample_rate);
    let step = ((STEP_S * rate) as usize).max(1);
    let change = |channel: &Vec<f32>| channel.windows(2).position(|w| w[0] != w[1]);
    let first = take.channels.iter().filter_map(change).min().map_or(0, |i| i + 1);
    let steps = (frames - first) / step;
    let is_silent = |i: &usize| {
        let part = first + i * step..first + (i + 1) * step;
        take.channels.iter().all(|c| c[part.clone()].windows(2).all(|w| w[0] == w[1]))
    };
    let has_own_floor = || {
        frames - first >= (LEAST_S * rate) as usize
            && (0..steps).filter(is_silent).count() as f64 <= MOST_SILENT * steps as f64
    };
    if first >= step && has_own_floor() { first..frames } else { 0..frames }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 8000;

    /// Seconds of silence, of noise, of silence, of noise.
    fn take(seconds: [f64; 4]) -> Take {
        let mut seed = 1u32;
        let mut noise = move || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 8_388_608.0 - 1.0
        };
        let parts = seconds.iter().zip([false, true].iter().cycle());
        let samples = parts.flat_map(|(s, sounds)| vec![*sounds; (s * f64::from(RATE)) as usize]);
        let samples = samples.map(|sounds| if sounds { noise() } else { 0.0 }).collect();
        Take::from_samples("test", RATE, vec![samples])
    }

    #[test]
    fn silence_before_a_recording_is_none_of_its_own() {
        assert_eq!(recorded(&take([2.0, 5.0, 0.02, 1.0])), 16_000..64_160);
    }

    #[test]
    fn silence_between_sounds_or_before_a_short_one_is_their_background() {
        for seconds in
            [[2.0, 5.0, 0.5, 1.0], [2.0, 1.0, 0.0, 1.0], [0.005, 5.0, 0.0, 1.0], [3.0, 0.0, 0.0, 0.0]]
        {
            let take = take(seconds);
            assert_eq!(recorded(&take), 0..take.frames(), "{seconds:?}");
        }
    }
}
