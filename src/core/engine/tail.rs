//! Tails: a hit that goes on, from a point of its own, as noise of the spectrum that it has there.
//!
//! The stretch around that point is convolved with noise of a flat spectrum (a spectrum whose phases are drawn at
//! random): the result is as loud at every frequency as the stretch, has no beginning and no end, and keeps what the
//! channels of a stereo take have in common. It repeats without a seam, since the
//! convolution is circular. Everything is computed when a kit is prepared; the audio thread reads it as it reads a take.

use super::{
    draw::{DrawPurpose, Draws, Index},
    play_slice::{PlaySlice, Repetition, SampleSource},
};
use crate::{
    kit::{LayerSettings, TAIL_REACH_MS},
    take::Take,
    units::ms_to_frames,
};
use kitwright_spectrum::{Complex, InverseRealFft, RealFft, hann};
use std::sync::{Arc, Mutex, PoisonError, Weak};

/// Crossfade from the hit to its tail, and from the end of the noise to its repetition, ms (our choice, like the times
/// below).
const FADE_MS: f64 = 10.0;
/// Reach to either side of the point of the stretch whose level the tail takes over, ms.
const LEVEL_REACH_MS: f64 = 8.0;
/// Frames before the slice that are kept: what variation, at the widest, and the longest kernel read there, ms.
const BEFORE_MS: f64 = 200.0;
/// Frames after the slice that the longest kernel reads.
const AFTER: usize = 512;

/// A slice with its tail.
#[derive(Debug)]
pub(super) struct Tail {
    /// `[channel][frame]`, without the take's constant offset.
    pub channels: Vec<Vec<f32>>,
    /// Frame at which the slice begins.
    start: usize,
    repetition: Repetition,
}

/// What a tail is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Key {
    start: usize,
    end: usize,
    /// Where the tail begins, frames after the slice's start.
    from: usize,
    /// After how many frames its noise repeats.
    length: usize,
}

/// A tail of a kit that is in use.
struct Remembered {
    take: Weak<Take>,
    key: Key,
    tail: Weak<Tail>,
}

/// The tails in use: a kit is prepared anew at each edit, and most edits leave them as they are.
static REMEMBERED: Mutex<Vec<Remembered>> = Mutex::new(Vec::new());

impl Tail {
    /// The tail that `layer` asks for of `slice`, a slice of `take`; its noise repeats after `period_ms` at least, the next
    /// power of two in frames. `None` where the slice has no tail.
    pub fn of(
        take: &Arc<Take>,
        slice: &PlaySlice,
        layer: &LayerSettings,
        period_ms: f64,
    ) -> Option<Arc<Self>> {
        let from = layer.tail_from((slice.end - slice.start) as u64, slice.rate)? as usize;
        let length = (ms_to_frames(period_ms, slice.rate) as usize).next_power_of_two();
        let key = Key { start: slice.start, end: slice.end, from, length };
        let all = || REMEMBERED.lock().unwrap_or_else(PoisonError::into_inner);
        let known = |r: &&Remembered| r.key == key && std::ptr::eq(r.take.as_ptr(), Arc::as_ptr(take));
        if let Some(tail) = all().iter().find(known).and_then(|known| known.tail.upgrade()) {
            return Some(tail);
        }
        let tail = Arc::new(Self::new(take, slice, from, length));
        let mut all = all();
        all.retain(|r| r.tail.strong_count() > 0);
        all.push(Remembered { take: Arc::downgrade(take), key, tail: Arc::downgrade(&tail) });
        Some(tail)
    }

    fn new(take: &Take, slice: &PlaySlice, from: usize, length: usize) -> Self {
        let frames = |ms: f64| ms_to_frames(ms, slice.rate) as usize;
        let point = slice.start + from;
        let first = slice.start.saturating_sub(frames(BEFORE_MS));
        let reach = frames(TAIL_REACH_MS).min(from).min(slice.end - point);
        let level_reach = frames(LEVEL_REACH_MS).min(reach);
        let fade = frames(FADE_MS);
        let crossfade = fade.min(reach);
        let channels = take.channels.iter().zip(slice.offset).map(|(samples, offset)| {
            let samples = |range: std::ops::Range<usize>| samples[range].iter().map(move |x| x - offset);
            let around = |reach: usize| samples(point - reach..point + reach).collect::<Vec<f32>>();
            let noise = noise_like(&around(reach), power(&around(level_reach)), length);
            let mut sound: Vec<f32> = samples(first..point + crossfade).collect();
            let recorded = point - first;
            for (i, x) in sound[recorded..].iter_mut().enumerate() {
                // what is added has nothing in common with the hit: the powers add up
                let quarter = std::f32::consts::FRAC_PI_2 * (i as f32 + 0.5) / crossfade as f32;
                let (rising, falling) = libm::sincosf(quarter);
                *x = *x * falling + noise[i] * rising;
            }
            sound.extend((crossfade..crossfade + length + fade + AFTER).map(|i| noise[i % length]));
            sound
        });
        let channels = channels.collect();
        Self { channels, start: slice.start - first, repetition: Repetition { length, fade } }
    }

    /// Samples in all its channels.
    pub fn samples(&self) -> usize {
        self.channels.iter().map(Vec::len).sum()
    }

    /// The slice that plays it, where `slice` is the one that it was made of.
    pub fn slice(&self, source: SampleSource, slice: &PlaySlice) -> PlaySlice {
        let end = self.channels.iter().map(Vec::len).min().unwrap_or(0) - AFTER;
        PlaySlice {
            source,
            start: self.start,
            end,
            offset: [0.0; 2],
            repeats: Some(self.repetition),
            ..*slice
        }
    }
}

/// Mean power of `samples` under a Hann window.
fn power(samples: &[f32]) -> f32 {
    let weights = (0..samples.len()).map(|i| hann(i, samples.len()));
    let weighted: f32 = samples.iter().zip(weights.clone()).map(|(x, w)| w * x * x).sum();
    weighted / weights.sum::<f32>().max(f32::MIN_POSITIVE)
}

/// Random points of the unit circle, one for each of so many bins: the same draws each time, kept for the next tail.
fn random_phases(bins: usize) -> Arc<[Complex<f32>]> {
    static PHASES: Mutex<Option<Arc<[Complex<f32>]>>> = Mutex::new(None);
    let mut kept = PHASES.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(phases) = kept.as_ref().filter(|phases| phases.len() >= bins) {
        return phases.clone();
    }
    let mut draws = Draws::new(0, 0, Index::Origin, DrawPurpose::Tail);
    let phase = |_| {
        let (sin, cos) = libm::sincosf((std::f64::consts::TAU * draws.unit()) as f32);
        Complex::new(cos, sin)
    };
    let phases: Arc<[_]> = (0..bins).map(phase).collect();
    *kept = Some(phases.clone());
    phases
}

/// `length` frames (an even number) of noise of this mean power with the spectrum of `samples`, at most as many, under a
/// Hann window. The same draws each time: channels keep their phases towards each other.
fn noise_like(samples: &[f32], power: f32, length: usize) -> Vec<f32> {
    let mut fft = RealFft::remembered(length);
    fft.input.fill(0.0);
    for (i, (input, x)) in fft.input.iter_mut().zip(samples).enumerate() {
        *input = x * hann(i, samples.len());
    }
    let mut spectrum: Vec<Complex<f32>> = fft.transform().to_vec();
    spectrum[0] = Complex::default();
    for (bin, phase) in spectrum.iter_mut().zip(random_phases(length / 2 + 1).iter()) {
        *bin *= phase;
    }
    let mut noise = InverseRealFft::remembered(length).transform(&mut spectrum).to_vec();
    let energy: f32 = noise.iter().map(|x| x * x).sum();
    let gain = if energy > 0.0 { (power * length as f32 / energy).sqrt() } else { 0.0 };
    noise.iter_mut().for_each(|x| *x *= gain);
    noise
}
