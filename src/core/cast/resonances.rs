//! Removal of resonances: narrow partials that stand out of a hat's or shaker's noise are found on the rendered
//! pad and dipped, each by a bell of its own.
//!
//! A partial is told from a chance peak by what noise itself does: the bins of an averaged periodogram of
//! noise follow a gamma distribution whose shape is the number of independent averages (Welch 1967), here
//! estimated from the spread of the bins around their smoothed median. A peak higher than such noise reaches in
//! one sound of a thousand is a partial.

use super::auditioner::{self, Auditioner};
use crate::{
    error::Result,
    kit::{BAND, Band, MAX_DIPS, Pad, Role},
    progress::Progress,
    settings::setting,
    spectrum::{RealFft, hann, parabolic_peak},
    units::{cents_to_ratio, db_to_power, power_to_db},
};
use std::{cell::RefCell, collections::BTreeMap, rc::Rc};

/// Shortest and longest window of the spectra, frames at 48 kHz: as long as the audible part of the sound, rounded
/// down to a power of two. The longer it is, the further a tone stands out of noise.
const WINDOWS: [usize; 2] = [2048, 16_384];
/// A sound is as long as its level stays within this of its loudest, dB.
const LONG_DB: f32 = 20.0;
/// Spectra more than this below the loudest are left out, dB.
const HEARD_DB: f32 = 30.0;
/// A partial stands out of the median over this much to either side, octaves...
const AROUND_OCT: f64 = 0.2;
/// ...but at least so many bins.
const AROUND_BINS: usize = 24;
/// Medians computed within that width; between them the curve is interpolated.
const MEDIANS: usize = 12;
/// Bins whose median lies this far below the strongest one are left out, dB.
const RESONANCE_RANGE_DB: f32 = 45.0;
/// Frequencies between which resonances are removed, Hz: below is body, not noise; above little is heard.
const MIN_RESONANCE_HZ: f64 = 200.0;
const MAX_RESONANCE_HZ: f64 = 18_000.0;
/// Least height of a partial over the noise, dB (our choice).
const MIN_PARTIAL_DB: f32 = 6.0;
/// Chance that noise alone is taken for a partial, per sound.
const CHANCE: f64 = 1e-3;
/// Added to the level that noise hardly reaches, dB: the spread of its bins is itself an estimate (found by trial
/// on noise of several lengths).
const MARGIN_DB: f64 = 1.5;
/// Side lobes: a peak within so many bins of a partial that is so much higher, dB, is part of it.
const SKIRT: (usize, f32) = (12, 18.0);
/// Width of the Hann window's main lobe at half its power, bins (Harris 1978).
const LOBE_BINS: f64 = 1.44;
/// Maximum number of renderings: each finds what the one before left.
const REMOVAL_ROUNDS: usize = 3;

/// A narrow partial that stands out of noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Partial {
    /// Its frequency, Hz.
    pub hz: f32,
    /// Its height above the noise around it, dB.
    pub over_db: f32,
    /// Its width at half power, Hz; the width of the window's main lobe is subtracted.
    pub width_hz: f32,
}

/// Whether resonances are removed from pads of this role: those that should be noise.
pub fn removes_resonances(role: Role) -> bool {
    role.is_hat() || matches!(role, Role::Crash | Role::Shaker)
}

/// `pad` with dips against the partials of its sound, [`MAX_DIPS`] at most.
///
/// # Errors
/// [`crate::error::Error::Cancelled`] only.
pub fn without_resonances(auditioner: &mut Auditioner, pad: &Pad, progress: &dyn Progress) -> Result<Pad> {
    let mut pad = pad.clone();
    for _ in 0..REMOVAL_ROUNDS {
        progress.check()?;
        let [left, right] = auditioner.play(&pad, super::features::MAX_SOUND_S);
        let found = partials(&auditioner::mono(&left, &right), auditioner::AUDITION_RATE);
        if found.iter().filter(|p| dip(&mut pad, p)).count() == 0 {
            break;
        }
    }
    Ok(pad)
}

/// Sets bells against a partial, or deepens those that are there, until they match its height; false when no
/// more fit in.
fn dip(pad: &mut Pad, partial: &Partial) -> bool {
    let deepest = setting(&BAND, "gain_db").min;
    let strays = pad.variation.pitch_ct;
    let dips = &mut pad.tone.dips;
    let near = |d: &Band| (d.hz - partial.hz).abs() < 0.5 * d.hz / d.q && d.gain_db > deepest + 0.5;
    let mut left = partial.over_db;
    while left > 0.5 {
        let slot = match dips.iter().position(near) {
            Some(slot) => slot,
            None if dips.len() < MAX_DIPS => {
                dips.push(Band { on: true, hz: partial.hz, gain_db: 0.0, q: 1.0 });
                dips.len() - 1
            }
            None => break,
        };
        let before = dips[slot].gain_db;
        dips[slot].gain_db = (before - left).max(deepest);
        dips[slot].q = fitting_q(&dips[slot], partial, strays);
        left -= before - dips[slot].gain_db;
    }
    left < partial.over_db
}

/// The narrowest bell that still takes in the whole partial wherever it strays by `strays_ct` cents: within
/// `d` Hz of the middle of a bell `(s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)`, `A = 10^(gain/40)`, the dip is
/// within 3 dB of its depth while `2 Q d / hz <= A`.
fn fitting_q(dip: &Band, partial: &Partial, strays_ct: f32) -> f32 {
    // 10^(gain/40) is the power ratio of a quarter of the gain.
    let a = db_to_power(dip.gain_db / 4.0);
    let strays_hz = partial.hz * (cents_to_ratio(strays_ct) - 1.0);
    let reach_hz = (strays_hz + 0.5 * partial.width_hz).max(1.0);
    (a * partial.hz / (2.0 * reach_hz)).clamp(2.0, setting(&BAND, "q").max)
}

/// Sum of the heights of the partials of mono `samples` at `rate` Hz above the noise, dB: 0 for noise alone.
pub fn resonances_db(samples: &[f32], rate: f64) -> f32 {
    partials(samples, rate).iter().map(|p| p.over_db).sum()
}

/// The partials that stand out of the noise of mono `samples` at `rate` Hz, the highest first, [`MAX_DIPS`] at most;
/// none for silence.
pub fn partials(samples: &[f32], rate: f64) -> Vec<Partial> {
    let Some(spectrum) = Spectrum::of(samples, rate) else { return Vec::new() };
    let over = spectrum.over_db();
    let least = MIN_PARTIAL_DB.max(spectrum.chance_db(&over));
    let mut peaks: Vec<usize> = (1..over.len().saturating_sub(1))
        .filter(|&k| over[k] >= least && over[k] >= over[k - 1] && over[k] > over[k + 1])
        .collect();
    peaks.sort_by(|&a, &b| over[b].total_cmp(&over[a]));
    let mut found: Vec<(usize, Partial)> = Vec::new();
    for k in peaks {
        let (skirt, below) = SKIRT;
        let part_of = |other: usize| {
            let near = other.abs_diff(k);
            near <= 3 || (near <= skirt && over[other] > over[k] + below)
        };
        if found.len() < MAX_DIPS && !found.iter().any(|(other, _)| part_of(*other)) {
            found.push((k, spectrum.partial(k, over[k])));
        }
    }
    found.into_iter().map(|(_, p)| p).collect()
}

/// A transform of one length and its window.
#[derive(Clone)]
struct Analysis {
    fft: RealFft,
    shape: Rc<[f32]>,
}

thread_local! {
    /// Analyses by length: a search asks for the same few a thousand times.
    static ANALYSES: RefCell<BTreeMap<usize, Analysis>> = const { RefCell::new(BTreeMap::new()) };
}

impl Analysis {
    fn of(length: usize) -> Self {
        let new = || Self {
            fft: RealFft::remembered(length),
            shape: (0..length).map(|i| hann(i, length)).collect(),
        };
        ANALYSES.with_borrow_mut(|known| known.entry(length).or_insert_with(new).clone())
    }
}

/// Mean power spectrum of the audible parts of a sound, each scaled to the same total power.
struct Spectrum {
    power: Vec<f32>,
    bin_hz: f64,
}

impl Spectrum {
    fn of(samples: &[f32], rate: f64) -> Option<Self> {
        let window = window(samples, rate)?;
        let bin_hz = rate / window as f64;
        let lowest = (MIN_RESONANCE_HZ / bin_hz) as usize;
        let Analysis { mut fft, shape } = Analysis::of(window);
        let mut spectra: Vec<(f32, Vec<f32>)> = Vec::new();
        for centre in (window / 4..samples.len().max(window / 4 + 1)).step_by(window / 4) {
            for (i, (x, hann)) in fft.input.iter_mut().zip(shape.iter()).enumerate() {
                let at = (centre + i).checked_sub(window / 2);
                *x = at.and_then(|at| samples.get(at)).map_or(0.0, |s| s * hann);
            }
            let power: Vec<f32> = fft.power().collect();
            spectra.push((power[lowest..].iter().sum(), power));
        }
        let loudest = spectra.iter().map(|(total, _)| *total).fold(0.0, f32::max);
        if !(loudest > 1e-12 && loudest.is_finite()) {
            return None;
        }
        let mut power = vec![0.0f32; window / 2 + 1];
        for (total, part) in spectra.iter().filter(|(t, _)| *t > loudest * db_to_power(-HEARD_DB)) {
            power.iter_mut().zip(part).for_each(|(sum, p)| *sum += p / total);
        }
        Some(Self { power, bin_hz })
    }

    /// The median around each bin.
    fn middle(&self) -> Vec<f32> {
        let bins = self.power.len();
        let mut sorted = Vec::new();
        let mut middle = vec![0.0; bins];
        let (mut k, mut last) = (0, 0);
        loop {
            let octaves = k as f64 * (AROUND_OCT.exp2() - 1.0);
            let reach = (octaves as usize).max(AROUND_BINS).min(k).min(bins - 1 - k);
            sorted.clear();
            sorted.extend_from_slice(&self.power[k - reach..=k + reach]);
            let half = sorted.len() / 2;
            middle[k] = *sorted.select_nth_unstable_by(half, f32::total_cmp).1;
            let (from, to) = (middle[last], middle[k]);
            for (i, m) in middle[last..k].iter_mut().enumerate() {
                *m = from + (to - from) * i as f32 / (k - last) as f32;
            }
            if k + 1 == bins {
                return middle;
            }
            last = k;
            k = (k + (2 * reach / MEDIANS).max(1)).min(bins - 1);
        }
    }

    /// Height of each bin over the median around it, dB; `f32::MIN` for bins that are left out.
    fn over_db(&self) -> Vec<f32> {
        let bins = self.power.len();
        let middle = self.middle();
        let from = (MIN_RESONANCE_HZ / self.bin_hz) as usize;
        let strongest = middle.iter().skip(from).copied().fold(0.0, f32::max);
        let least = (strongest * db_to_power(-RESONANCE_RANGE_DB)).max(1e-20);
        let over = |k: usize| power_to_db(self.power[k].max(1e-20) / middle[k]);
        let to = ((MAX_RESONANCE_HZ / self.bin_hz) as usize).min(bins.saturating_sub(AROUND_BINS));
        let matters = |k: usize| (from..to).contains(&k) && middle[k] > least;
        (0..bins).map(|k| if matters(k) { over(k) } else { f32::MIN }).collect()
    }

    /// The height over its median that noise alone reaches in any bin with the chance [`CHANCE`], dB.
    fn chance_db(&self, over: &[f32]) -> f32 {
        let mut heard: Vec<f32> = over.iter().copied().filter(|&o| o > f32::MIN).collect();
        if heard.is_empty() {
            return f32::MAX;
        }
        let quantile = |heard: &mut [f32], share: f64| {
            let at = ((heard.len() - 1) as f64 * share) as usize;
            f64::from(*heard.select_nth_unstable_by(at, f32::total_cmp).1)
        };
        // a standard deviation above the middle, where partials hardly count yet
        let spread = quantile(&mut heard, 0.841) - quantile(&mut heard, 0.5);
        // a Hann window correlates neighbours: about half of the bins are independent
        let z = normal_quantile(CHANCE / (0.5 * heard.len() as f64));
        let (mut low, mut high) = (0.5f64, 500.0f64);
        for _ in 0..40 {
            let shape = (low * high).sqrt();
            if gamma_db(shape, 1.0) > spread { low = shape } else { high = shape }
        }
        (gamma_db(low, z) + MARGIN_DB) as f32
    }

    /// The partial whose highest bin is `k`.
    fn partial(&self, k: usize, over_db: f32) -> Partial {
        let level = |k: usize| f64::from(self.power[k].max(1e-20)).ln();
        let (a, b, c) = (level(k - 1), level(k), level(k + 1));
        let off = parabolic_peak(a, b, c);
        let half = b - 0.25 * (a - c) * off - std::f64::consts::LN_2;
        let edge = |step: isize| {
            let mut at = k as isize;
            loop {
                let next = at + step;
                if next < 0 || next as usize >= self.power.len() {
                    return (at - k as isize).unsigned_abs() as f64;
                }
                let (here, there) = (level(at as usize), level(next as usize));
                if there <= half {
                    let part = ((here - half) / (here - there).max(1e-9)).clamp(0.0, 1.0);
                    return (at - k as isize).unsigned_abs() as f64 + part;
                }
                at = next;
            }
        };
        let width = edge(1) + edge(-1);
        let own = (width * width - LOBE_BINS * LOBE_BINS).max(0.0).sqrt();
        Partial { hz: ((k as f64 + off) * self.bin_hz) as f32, over_db, width_hz: (own * self.bin_hz) as f32 }
    }
}

/// Length of the window for a sound, frames; `None` for silence.
fn window(samples: &[f32], rate: f64) -> Option<usize> {
    let step = ((0.005 * rate) as usize).max(1);
    let power: Vec<f32> = samples.chunks(step).map(|c| c.iter().map(|x| x * x).sum()).collect();
    let loudest = power.iter().copied().fold(0.0, f32::max);
    let last = power.iter().rposition(|p| *p > loudest * db_to_power(-LONG_DB))?;
    let scale = ((rate / 48_000.0).log2().round() as i32).clamp(-4, 4);
    let [least, most] = WINDOWS.map(|w| (w as f64 * f64::from(scale).exp2()) as usize);
    let longest = (last * step).max(1).ilog2();
    Some((1usize << longest).clamp(least, most))
}

/// A gamma variable of this shape at `z` standard deviations, dB over its median (Wilson and Hilferty 1931).
fn gamma_db(shape: f64, z: f64) -> f64 {
    let at = |z: f64| 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * shape.sqrt());
    3.0 * power_to_db(at(z) / at(0.0).max(1e-3))
}

/// The number of standard deviations that a normal variable exceeds with this small chance (Abramowitz and
/// Stegun 1964, 26.2.23).
fn normal_quantile(chance: f64) -> f64 {
    let t = (-2.0 * chance.clamp(1e-300, 0.5).ln()).sqrt();
    let above = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    t - above / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        cast::companions::slice_of,
        kit::{Kit, TakeEntry},
        listen::Hit,
        spectrum::hann_periodic,
        take::Take,
    };
    use std::sync::Arc;

    const RATE: f64 = 48_000.0;

    /// Noise that has fallen to a third after `fall_s`, 0.6 s long (a linear congruential generator,
    /// Numerical Recipes' constants; twelve draws added make it nearly normal), with sines in it: Hz and
    /// amplitude.
    fn noise_with(seed: u32, fall_s: f64, sines: &[(f64, f64)]) -> Vec<f32> {
        let mut state = seed;
        let mut draw = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / f64::from(1 << 24) - 0.5
        };
        (0..28_800)
            .map(|i| {
                let t = f64::from(i) / RATE;
                let noise: f64 = (0..12).map(|_| draw()).sum::<f64>() * 0.1;
                let tones: f64 = sines.iter().map(|(hz, a)| a * (std::f64::consts::TAU * hz * t).sin()).sum();
                ((noise + tones) * (-t / fall_s).exp()) as f32
            })
            .collect()
    }

    #[test]
    fn noise_alone_has_no_partials() {
        for seed in 1..=12 {
            for fall_s in [0.015, 0.06, 0.3] {
                let found = partials(&noise_with(seed, fall_s, &[]), RATE);
                assert!(found.is_empty(), "seed {seed}, {fall_s} s: {found:?}");
            }
        }
        assert!(partials(&[], RATE).is_empty() && partials(&[0.0; 9000], RATE).is_empty());
    }

    #[test]
    fn partials_in_noise_are_found_where_they_are() {
        let sines = [(1234.5, 0.05), (3700.0, 0.12), (6411.0, 0.03), (9050.25, 0.08)];
        let found = partials(&noise_with(3, 0.3, &sines), RATE);
        assert_eq!(found.len(), sines.len(), "{found:?}");
        let (all, sum) =
            (resonances_db(&noise_with(3, 0.3, &sines), RATE), found.iter().map(|p| p.over_db).sum());
        assert_eq!((all, resonances_db(&noise_with(3, 0.3, &[]), RATE)), (sum, 0.0));
        assert!((found[0].hz - 3700.0).abs() < 3.0, "the highest first: {found:?}");
        for (hz, _) in sines {
            assert!(found.iter().any(|p| (f64::from(p.hz) - hz).abs() < 3.0), "{hz} Hz in {found:?}");
        }
    }

    /// Level at `hz` over the median of what lies 80 to 480 Hz away, dB: means over windows of 171 ms, one bin
    /// of a spectrum each (Goertzel 1958).
    fn over_db(sound: &[f32], hz: f64) -> f64 {
        const LONG: usize = 8192;
        let starts: Vec<usize> = (0..sound.len() - LONG).step_by(LONG / 4).collect();
        let level = |hz: f64| -> f64 {
            let turn = 2.0 * (std::f64::consts::TAU * hz / RATE).cos();
            let one = |start: usize| {
                let (mut a, mut b) = (0.0, 0.0);
                for (i, s) in sound[start..start + LONG].iter().enumerate() {
                    let shape = hann_periodic(i, LONG);
                    (a, b) = (f64::from(*s) * shape + turn * a - b, a);
                }
                a * a + b * b - turn * a * b
            };
            starts.iter().map(|&s| one(s)).sum()
        };
        let steps = (5..=30).map(|i| f64::from(i) * 16.0);
        let mut around: Vec<f64> = steps.flat_map(|d| [level(hz - d), level(hz + d)]).collect();
        around.sort_by(f64::total_cmp);
        power_to_db(level(hz) / around[around.len() / 2])
    }

    #[test]
    fn partials_are_dipped_to_the_noise_and_the_amount_gives_them_back() {
        let sines = [(2600.0, 0.06), (4100.0, 0.2), (7333.0, 0.1)];
        let take = Arc::new(Take::from_samples("noise", 48_000, vec![noise_with(5, 0.4, &sines)]));
        let hit = Hit { start: 0, end: 28_800, by_hand: false, description: Default::default() };
        let mut kit = Kit::default();
        kit.doc.takes = vec![TakeEntry::new(&take, vec![hit.clone()])];
        kit.takes = vec![take];
        let mut pad = Pad::empty(42, Role::ClosedHat);
        pad.slices = vec![slice_of(0, &hit)];
        pad.variation.pitch_ct = 0.0;
        let mut auditioner = Auditioner::new(&kit);
        let mut heard = |pad: &Pad| {
            let [left, right] = auditioner.play(pad, 0.5);
            let sound = auditioner::mono(&left, &right);
            sines.map(|(hz, _)| over_db(&sound, hz))
        };
        let before = heard(&pad);
        let mut remover = Auditioner::new(&kit);
        let mut dipped = without_resonances(&mut remover, &pad, &crate::progress::Quiet).unwrap();
        let after = heard(&dipped);
        for (before, after) in before.iter().zip(after) {
            assert!(*before > 12.0 && after.abs() < 3.0, "{before:.1} dB before, {after:.1} dB after");
        }
        assert!((3..=MAX_DIPS).contains(&dipped.tone.dips.len()), "{:?}", dipped.tone.dips);
        dipped.tone.dip_amount = 0.0;
        assert_eq!(heard(&dipped), before);
        dipped.tone.dip_amount = 0.5;
        let half = heard(&dipped);
        assert!((0..3).all(|i| half[i] > after[i] + 3.0 && half[i] < before[i] - 3.0), "{half:?}");
    }
}
