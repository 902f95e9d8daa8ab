//! The loop that sustains a hit: whole periods of its tail, whose ends are most alike.
//!
//! Two stretches of the tail a whole number of periods apart are compared by their normalised cross-correlation; the
//! loop lies where it is highest, and of nearly equal ones the longest is taken, which repeats least audibly. Its
//! length also measures the fundamental, exactly where the sound is sustained.

use crate::{
    take::Take,
    units::{power_to_db, ratio_to_cents},
};

/// The loop lies where the hit is less than this below its loudest, dB (our choice: further down a tail is dull, and
/// levelling it lifts the room's noise).
const AUDIBLE_DB: f64 = 24.0;
/// From the loudest moment to where the pitch has settled, s (the pitch is read from here on as well).
const SETTLED_S: f64 = 0.05;
/// Longest loop, s: longer ones repeat no less audibly and need a longer tail (our choice).
const MAX_LOOP_S: f64 = 0.6;
/// Lengths tried, in periods between half of the longest and the longest.
const LENGTHS: usize = 12;
/// Places of the loop's end tried, as shares of the usable stretch before its end.
const ENDS: [f64; 4] = [0.0, 0.1, 0.2, 0.35];
/// How far a fundamental's reading is trusted, cents; as a share of the period; and the share of a period by which a
/// longer stretch is searched.
const MAX_CENTS: f64 = 50.0;
const MAX_MISS: (f64, f64) = (0.35, 0.029);
/// Of loops whose correlation is this near the best one's, the longest is taken.
const NEARLY: f64 = 0.01;
/// Length of the compared stretches, periods, and at least this long, s.
const COMPARED: (f64, f64) = (4.0, 0.02);

/// A loop and how good it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FoundLoop {
    /// First frame of the loop, counted from the start of the take.
    pub start: u64,
    /// First frame after the loop.
    pub end: u64,
    /// Length of its crossfade, frames.
    pub fade: u64,
    /// Fundamental of the sustained sound, Hz: whole periods over the loop's length.
    pub root_hz: f32,
    /// Normalised cross-correlation of its ends, -1 to 1.
    pub correlation: f32,
}

/// The best loop in frames `start..end` of a take whose fundamental is about `hz`. `None` where less than three
/// periods of the tail can be used.
pub fn find_loop(take: &Take, start: u64, end: u64, hz: f32) -> Option<FoundLoop> {
    let channel = loudest_channel(take, start as usize, end as usize)?;
    let x = &channel[start as usize..end as usize];
    let (rate, period) = (f64::from(take.sample_rate), f64::from(take.sample_rate) / f64::from(hz));
    if !(period.is_finite() && period >= 4.0) {
        return None;
    }
    let tail = usable(x, rate, period)?;
    let read = Search { x, rate, period, tail };
    let search = Search { period: read.refined_period(), ..read };
    let best = search.best()?;
    if ratio_to_cents(best.length as f64 / (best.periods as f64 * period)).abs() > MAX_CENTS {
        return None;
    }
    Some(FoundLoop {
        start: start + (best.end - best.length) as u64,
        end: start + best.end as u64,
        fade: best.fade as u64,
        root_hz: (rate * best.periods as f64 / best.length as f64) as f32,
        correlation: best.correlation as f32,
    })
}

/// The channel with the most energy: a sum could cancel.
fn loudest_channel(take: &Take, start: usize, end: usize) -> Option<&[f32]> {
    let energy = |c: &&Vec<f32>| c.get(start..end).map_or(-1.0, energy);
    let best = take.channels.iter().max_by(|a, b| energy(a).total_cmp(&energy(b)))?;
    (start < end && end <= best.len()).then_some(best)
}

fn energy(x: &[f32]) -> f64 {
    product(x, x)
}

/// Sum of the products of two stretches of one length, in eight sums of their own: processors add them at once.
fn product(a: &[f32], b: &[f32]) -> f64 {
    const LANES: usize = 8;
    let (a, b) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    let mut sums = [0.0f64; LANES];
    for (a, b) in a.0.iter().zip(b.0) {
        for lane in 0..LANES {
            sums[lane] += f64::from(a[lane]) * f64::from(b[lane]);
        }
    }
    let rest: f64 = a.1.iter().zip(b.1).map(|(&a, &b)| f64::from(a) * f64::from(b)).sum();
    sums.iter().sum::<f64>() + rest
}

/// First frame and first frame after the stretch that is settled and audible.
fn usable(x: &[f32], rate: f64, period: f64) -> Option<(usize, usize)> {
    let hop = (2.0 * period).max(0.01 * rate) as usize;
    let levels: Vec<f64> = x.chunks(hop).map(|c| power_to_db(energy(c) / c.len() as f64 + 1e-30)).collect();
    let top = (0..levels.len()).max_by(|&a, &b| levels[a].total_cmp(&levels[b]))?;
    let quiet = levels[top..].iter().position(|&db| db < levels[top] - AUDIBLE_DB);
    let end = quiet.map_or(x.len(), |hops| (top + hops) * hop);
    let settled = ((top + 1) * hop + (SETTLED_S * rate) as usize).min(top * hop + (end - top * hop) / 3);
    (end as f64 >= settled as f64 + 3.0 * period).then_some((settled, end))
}

/// A loop within the slice, in frames from the slice's start.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    end: usize,
    length: usize,
    periods: usize,
    fade: usize,
    correlation: f64,
}

struct Search<'a> {
    x: &'a [f32],
    rate: f64,
    period: f64,
    tail: (usize, usize),
}

impl Search<'_> {
    fn best(&self) -> Option<Candidate> {
        let found: Vec<Candidate> = self
            .ends()
            .flat_map(|end| self.lengths(end).filter_map(move |n| self.try_loop(end, n)))
            .collect();
        let best = found.iter().map(|c| c.correlation).reduce(f64::max)?;
        found.into_iter().filter(|c| c.correlation >= best - NEARLY).max_by_key(|c| (c.length, c.end))
    }

    fn ends(&self) -> impl Iterator<Item = usize> {
        let (from, to) = self.tail;
        ENDS.into_iter().map(move |share| to - (share * (to - from) as f64) as usize)
    }

    /// The period, measured over one period, then over twice as many, as far as there is room: over many at once a
    /// reading that is a little off would count one too many.
    fn refined_period(&self) -> f64 {
        let (from, end) = self.tail;
        let mut period = self.period;
        let mut periods = 1;
        while 2.0 * period * f64::from(periods) + period <= (end - from) as f64 {
            let exact = period * f64::from(periods);
            let miss = (MAX_MISS.0 * period).min(MAX_MISS.1 * exact).max(1.0);
            let window = ((end - from) as f64 - exact - miss).min(COMPARED.0 * period) as usize;
            match self.best_length((exact - miss, exact + miss), end, window, 1) {
                Some(length) => period = length as f64 / f64::from(periods),
                None => break,
            }
            periods *= 2;
        }
        period
    }

    /// The length within a range that makes the stretches before `end` most alike.
    fn best_length(&self, (from, to): (f64, f64), end: usize, window: usize, step: usize) -> Option<usize> {
        let like = |length: usize| (correlation(self.x, end, length, window), length);
        let lengths = (from.ceil().max(1.0) as usize..=to as usize).step_by(step);
        lengths.map(like).max_by(|a, b| a.0.total_cmp(&b.0)).map(|best| best.1)
    }

    /// Lengths to try for a loop that ends there, in periods.
    fn lengths(&self, end: usize) -> impl Iterator<Item = usize> {
        let room = (end - self.tail.0) as f64;
        let longest = ((room / 2.0).min(MAX_LOOP_S * self.rate) / self.period) as usize;
        let step = (longest / 2 / LENGTHS).max(1);
        (longest / 2 + 1..=longest).rev().step_by(step)
    }

    /// The length near so many periods whose ends are most alike: first on a coarse grid, then by the frame.
    fn try_loop(&self, end: usize, periods: usize) -> Option<Candidate> {
        let exact = self.period * periods as f64;
        let miss = (MAX_MISS.0 * self.period).min(MAX_MISS.1 * exact);
        let room = end - self.tail.0;
        let window = ((COMPARED.0 * self.period).max(COMPARED.1 * self.rate))
            .min(room as f64 - exact - miss)
            .min(exact - miss) as usize;
        if window < (0.9 * self.period) as usize {
            return None;
        }
        let step = ((self.period / 24.0) as usize).max(1);
        let near = self.best_length((exact - miss, exact + miss), end, window, step)?;
        let around = ((exact - miss).max((near - step) as f64), (exact + miss).min((near + step) as f64));
        let length = self.best_length(around, end, window, 1)?;
        let fade = length.min(end - length - self.tail.0);
        let correlation = correlation(self.x, end, length, fade);
        (fade > 0).then_some(Candidate { end, length, periods, fade, correlation })
    }
}

/// Normalised cross-correlation of the `window` frames before `end` with those `length` frames earlier; 0 for silence.
fn correlation(x: &[f32], end: usize, length: usize, window: usize) -> f64 {
    let late = &x[end - window..end];
    let early = &x[end - length - window..end - length];
    let both = product(late, early);
    let norm = (energy(late) * energy(early)).sqrt();
    if norm > 0.0 { both / norm } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE: u32 = 48_000;

    /// Decaying harmonics of a string after a burst of noise.
    fn string(hz: f64, t60: f64, seconds: f64) -> Take {
        let frames = (seconds * f64::from(RATE)) as usize;
        let mut noise = 1_u64;
        let samples = (0..frames)
            .map(|i| {
                let t = i as f64 / f64::from(RATE);
                let partial = |n: i32| {
                    let n = f64::from(n);
                    (TAU * n * hz * t + n).sin() / n * libm::exp(-6.9 * t * n.sqrt() / t60)
                };
                noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let burst = ((noise >> 33) as f64 / 2f64.powi(31) - 0.5) * libm::exp(-t / 0.008);
                (0.2 * (1..=12).map(partial).sum::<f64>() + 0.5 * burst) as f32
            })
            .collect();
        Take::from_samples("string", RATE, vec![samples])
    }

    #[test]
    fn a_loop_holds_whole_periods_and_measures_the_fundamental() {
        for (hz, seconds) in
            [(55.0, 1.2), (82.4, 0.6), (110.0, 2.0), (196.0, 0.4), (440.0, 1.0), (1318.5, 0.5)]
        {
            let take = string(hz, 1.5, seconds);
            // the reading that it starts from is 20 cents off
            let found = find_loop(&take, 0, take.frames() as u64, (hz * 1.0116) as f32).expect("a loop");
            let cents = ratio_to_cents(f64::from(found.root_hz) / hz);
            assert!(cents.abs() < 2.0, "{hz} Hz: {cents:.2} cents off, {found:?}");
            assert!(found.correlation > 0.97, "{hz} Hz: {found:?}");
            assert!(found.fade <= found.end - found.start && found.fade <= found.start, "{found:?}");
        }
    }

    #[test]
    fn the_attack_is_no_part_of_the_loop() {
        let take = string(110.0, 1.5, 2.0);
        let found = find_loop(&take, 0, take.frames() as u64, 110.0).expect("a loop");
        assert!(found.start - found.fade > 2400, "{found:?}");
        assert!(found.end - found.start > 9600, "a fifth of a second at least: {found:?}");
    }

    #[test]
    fn what_has_too_few_periods_has_no_loop() {
        let take = string(50.0, 1.0, 0.05);
        assert_eq!(find_loop(&take, 0, take.frames() as u64, 50.0), None);
        assert_eq!(find_loop(&take, 0, take.frames() as u64, 0.0), None);
        assert_eq!(find_loop(&take, 100, 100, 50.0), None);
        assert_eq!(find_loop(&take, 0, u64::MAX, 50.0), None);
    }
}
