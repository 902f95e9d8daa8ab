//! Shifting the pitch of a whole take while its timing stays: a bass line from a guitar take.
//!
//! A phase vocoder that moves the peaks of each short spectrum, with everything around them, by their
//! own interval: J. Laroche, M. Dolson, "New phase-vocoder techniques for pitch-shifting, harmonizing
//! and other exotic effects", WASPAA 1999. Time is never stretched, so a hit stays on its frame. Both
//! channels move by the same peaks and phases: the stereo picture stays.
//!
//! Attacks are kept by making the phases of all peaks agree on them: a peak at frequency `w`, moved by
//! the ratio `b`, turns by `(b - 1) w t`, with `t` counted from the attack in every frame that contains
//! it. At the attack nothing turns, so what coincided there still does. Own addition, no source.

use super::Take;
use crate::{
    error::{Error, Result},
    progress::Progress,
    spectrum::{Complex, InverseRealFft, RealFft, hann_periodic, parabolic_peak},
    units::{gain_to_db, st_to_ratio},
};
use std::f64::consts::TAU;

/// Furthest shift, semitones up or down.
pub const MAX_SHIFT_ST: f64 = 36.0;
/// Length of the short spectra, s; the next power of two in frames. Partials 30 Hz apart are told
/// apart.
const WINDOW_S: f64 = 0.085;
/// Spectra that overlap at any frame.
const OVERLAP: usize = 8;

/// The take with its pitch moved by `semitones` (within ±[`MAX_SHIFT_ST`], fractions allowed) and its
/// timing and length as they were; 0 gives the same samples. What would exceed full scale is made softer
/// as a whole, with a notice. Takes seconds for minutes of sound.
///
/// # Errors
/// An interval that is not a number or too far; [`Error::Cancelled`].
pub fn shift(take: &Take, semitones: f64, progress: &dyn Progress) -> Result<Take> {
    if !semitones.is_finite() || semitones.abs() > MAX_SHIFT_ST {
        return Err(Error::invalid(format!(
            "a take can be shifted by up to {MAX_SHIFT_ST} semitones up or down, not by {semitones}"
        )));
    }
    let name = format!("{} {semitones:+} st", take.name);
    if semitones == 0.0 || take.frames() == 0 {
        let same = Take::from_samples(name, take.sample_rate, take.channels.clone());
        return Ok(same.with_lossy(take.lossy));
    }
    let mut channels = Vocoder::new(take, st_to_ratio(semitones)).run(progress)?;
    let peak = channels.iter().flatten().fold(0.0f32, |p, x| p.max(x.abs()));
    if peak > 1.0 {
        channels.iter_mut().flatten().for_each(|x| *x /= peak);
    }
    let mut shifted = Take::from_samples(name, take.sample_rate, channels).with_lossy(take.lossy);
    shifted.notices.push(format!("Shifted by {semitones:+} semitones, timing kept."));
    if peak > 1.0 {
        let db = gain_to_db(peak);
        shifted.notices.push(format!("Made softer by {db:.1} dB, so that it does not clip."));
    }
    Ok(shifted)
}

struct Vocoder<'a> {
    take: &'a Take,
    ratio: f64,
    size: usize,
    hop: usize,
    window: Vec<f64>,
    /// Level that a peak keeps when its bins move by up to half a bin too little or too much, in 64ths of
    /// a bin: the windows around it then disagree away from their middles.
    kept: [f64; 33],
    /// Frames at which something is struck, in order.
    attacks: Vec<usize>,
    forward: RealFft,
    back: InverseRealFft,
    /// Turn of the peak that each bin belonged to in the last spectrum, radians.
    turns: Vec<f64>,
}

/// A peak of a spectrum with the bins that move with it.
struct Peak {
    bins: std::ops::Range<usize>,
    /// Its frequency in bins, between them as it falls.
    at: f64,
}

impl<'a> Vocoder<'a> {
    fn new(take: &'a Take, ratio: f64) -> Self {
        let size = ((WINDOW_S * f64::from(take.sample_rate)) as usize).next_power_of_two();
        let window: Vec<f64> = (0..size).map(|i| hann_periodic(i, size)).collect();
        let all: f64 = window.iter().map(|w| w * w).sum();
        let kept = std::array::from_fn(|i| {
            let bins = i as f64 / 64.0;
            let turn = |i: usize| (TAU * bins * (i as f64 / size as f64 - 0.5)).cos();
            window.iter().enumerate().map(|(i, w)| w * w * turn(i)).sum::<f64>() / all
        });
        Self {
            take,
            ratio,
            size,
            hop: size / OVERLAP,
            window,
            kept,
            attacks: attacks(take),
            forward: RealFft::new(size),
            back: InverseRealFft::new(size),
            turns: vec![0.0; size / 2 + 1],
        }
    }

    fn run(mut self, progress: &dyn Progress) -> Result<Vec<Vec<f32>>> {
        let frames = self.take.frames();
        // Squared windows at every hop add up to 3/8 of their number.
        let scale = 1.0 / (self.size as f64 * OVERLAP as f64 * 0.375);
        let mut out = vec![vec![0.0f32; frames]; self.take.channels.len()];
        let mut spectra = vec![vec![Complex::default(); self.forward.bins()]; out.len()];
        let spots = frames.div_ceil(self.hop) + OVERLAP;
        for spot in 0..spots {
            if spot % 64 == 0 {
                progress.check()?;
                progress.report("shifting", spot as f32 / spots as f32);
            }
            // First frame under the window, which begins before the take.
            let first = (spot * self.hop) as i64 - (self.size - self.hop) as i64;
            for (spectrum, channel) in spectra.iter_mut().zip(&self.take.channels) {
                for ((t, w), i) in self.forward.input.iter_mut().zip(&self.window).zip(first..) {
                    let sample = usize::try_from(i).ok().and_then(|i| channel.get(i));
                    *t = sample.map_or(0.0, |&x| *w as f32 * x);
                }
                self.forward.transform_into(spectrum);
            }
            self.move_peaks(&mut spectra, first + self.size as i64 / 2);
            for (spectrum, channel) in spectra.iter_mut().zip(&mut out) {
                let time = self.back.transform(spectrum);
                for ((t, w), i) in time.iter().zip(&self.window).zip(first..) {
                    if let Some(y) = usize::try_from(i).ok().and_then(|i| channel.get_mut(i)) {
                        *y += (f64::from(*t) * w * scale) as f32;
                    }
                }
            }
        }
        Ok(out)
    }

    /// Moves every peak and what is around it; `middle` is the frame in the middle of the window.
    fn move_peaks(&mut self, spectra: &mut [Vec<Complex<f32>>], middle: i64) {
        let half = self.size as i64 / 2;
        let power: Vec<f64> =
            (0..self.turns.len()).map(|k| spectra.iter().map(|s| f64::from(s[k].norm_sqr())).sum()).collect();
        let attack = self.attack_within(middle - half, middle + half);
        let old = std::mem::replace(&mut self.turns, vec![0.0; power.len()]);
        let mut moved: Vec<_> = spectra.iter().map(|s| vec![Complex::default(); s.len()]).collect();
        for peak in peaks(&power) {
            let shift = peak.at * (self.ratio - 1.0);
            let per_frame = TAU * shift / self.size as f64;
            let turn = match attack {
                Some(attack) => per_frame * (middle - attack) as f64,
                None => old[(peak.at.round() as usize).min(old.len() - 1)] + per_frame * self.hop as f64,
            };
            self.turns[peak.bins.clone()].fill(turn.rem_euclid(TAU));
            // Turned about the window's middle: a bin further is half a turn more at its start.
            let bins = shift.round() as i64;
            let half_turns = if bins % 2 == 0 { 0.0 } else { TAU / 2.0 };
            let off = ((shift - shift.round()).abs() * 64.0).round() as usize;
            let (sin, cos) = (turn + half_turns).sin_cos();
            let rotation = Complex::new(cos / self.kept[off], sin / self.kept[off]);
            let rotation = Complex::new(rotation.re as f32, rotation.im as f32);
            for (from, to) in spectra.iter().zip(&mut moved) {
                for k in peak.bins.clone() {
                    let target = usize::try_from(k as i64 + bins).ok();
                    if let Some(y) = target.and_then(|t| to.get_mut(t)) {
                        *y += from[k] * rotation;
                    }
                }
            }
        }
        spectra.iter_mut().zip(moved).for_each(|(s, m)| *s = m);
    }

    /// The attack nearest to the middle of a stretch.
    fn attack_within(&self, from: i64, to: i64) -> Option<i64> {
        let middle = (from + to) / 2;
        let first = self.attacks.partition_point(|&a| (a as i64) <= from);
        let inside = self.attacks[first..].iter().map(|&a| a as i64).take_while(|&a| a < to);
        inside.min_by_key(|a| (a - middle).abs())
    }
}

/// Local maxima over two bins to each side; they share the bins between them at the weakest one.
fn peaks(power: &[f64]) -> Vec<Peak> {
    let n = power.len();
    let is_peak = |k: usize| {
        let near = k.saturating_sub(2)..(k + 3).min(n);
        power[k] > 0.0
            && near.clone().all(|i| i == k || power[i] < power[k] || (power[i] == power[k] && i > k))
    };
    let tops: Vec<usize> = (0..n).filter(|&k| is_peak(k)).collect();
    let mut start = 0;
    tops.iter()
        .enumerate()
        .map(|(i, &top)| {
            let end = match tops.get(i + 1) {
                Some(&next) => {
                    (top + 1..=next).min_by(|&a, &b| power[a].total_cmp(&power[b])).unwrap_or(next)
                }
                None => n,
            };
            let bins = start..end;
            start = end;
            Peak { bins, at: top as f64 + between_bins(power, top) }
        })
        .collect()
}

/// How far a peak lies from its strongest bin: top of the parabola through the levels of three bins.
fn between_bins(power: &[f64], top: usize) -> f64 {
    if top == 0 || top + 1 >= power.len() {
        return 0.0;
    }
    let [a, b, c] = [top - 1, top, top + 1].map(|k| power[k].max(1e-30).ln());
    parabolic_peak(a, b, c)
}

/// Frames at which the level of the high end leaps: eight times the power of the 25 ms before.
fn attacks(take: &Take) -> Vec<usize> {
    const BEFORE: usize = 8;
    let block = (take.sample_rate as usize / 320).max(1);
    // Differences of neighbouring samples favour the high end, where attacks stand out.
    let powers: Vec<f64> = (0..take.frames() / block)
        .map(|b| {
            let range = (b * block).max(1)..(b + 1) * block;
            let sum = |c: &Vec<f32>| range.clone().map(|i| f64::from(c[i] - c[i - 1]).powi(2)).sum::<f64>();
            take.channels.iter().map(sum).sum::<f64>() / block as f64
        })
        .collect();
    let mut found: Vec<usize> = Vec::new();
    for (b, &power) in powers.iter().enumerate() {
        let before = &powers[b.saturating_sub(BEFORE)..b];
        let mean = before.iter().sum::<f64>() / BEFORE as f64;
        let rested = found.last().is_none_or(|&f| b * block > f + BEFORE * block);
        if power > 8.0 * mean + 1e-9 && rested {
            found.push(b * block);
        }
    }
    found
}
