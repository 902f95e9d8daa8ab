//! Tails: a hit that goes on, from a point of its own, as noise of the spectrum that it has there.
//!
//! The stretch around that point is convolved with noise of a flat spectrum (a spectrum whose phases are drawn at
//! random): the result is as loud at every frequency as the stretch, has no beginning and no end, and keeps what the
//! channels of a stereo take have in common. It repeats after [`PERIOD`] frames without a seam, since the convolution is
//! circular. Everything is computed when a kit is prepared; the audio thread reads it as it reads a take.

use super::{
    draw::{DrawPurpose, Draws, Index},
    play_slice::{PlaySlice, SampleSource},
};
use crate::{kit::TAIL_REACH_MS, take::Take, units::ms_to_frames};
use kitwright_spectrum::{Complex, InverseRealFft, RealFft, hann};
use std::sync::{Arc, LazyLock, Mutex, PoisonError, Weak};

/// Frames after which the noise repeats: 1.4 s at 48 kHz.
pub(super) const PERIOD: usize = 1 << 16;
/// Crossfade from the hit to its tail, and from the end of the noise to its repetition, frames.
pub(super) const FADE: usize = 512;
/// The same of the stretch whose level the tail takes over, ms.
const LEVEL_REACH_MS: f64 = 8.0;
/// Shortest stretch on either side of the point, frames; a hit that ends sooner after it, or begins later, has no tail.
const MIN_REACH: usize = 64;
/// Frames before the slice that are kept: what variation, at the widest, and the longest kernel read there, ms.
const BEFORE_MS: f64 = 200.0;
/// Frames after the slice that the longest kernel reads.
const AFTER: usize = 512;
/// Tails that are remembered at most.
const MAX_REMEMBERED: usize = 64;

/// A slice with its tail.
#[derive(Debug)]
pub(super) struct Tail {
    /// `[channel][frame]`, without the take's constant offset.
    pub channels: Vec<Vec<f32>>,
    /// Frame at which the slice begins.
    start: usize,
}

/// What a tail is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Key {
    start: usize,
    end: usize,
    /// Where the tail begins, frames after the slice's start.
    from: usize,
}

/// A tail that was made, for as long as its take is there.
struct Remembered {
    take: Weak<Take>,
    key: Key,
    tail: Arc<Tail>,
}

/// Tails that were made last: a kit is prepared anew at each edit, and most edits leave them as they are.
static REMEMBERED: Mutex<Vec<Remembered>> = Mutex::new(Vec::new());

impl Tail {
    /// The tail of `slice`, a slice of `take`, from `from_ms` after its start on; `None` where that is 0 or not within the
    /// slice.
    pub fn of(take: &Arc<Take>, slice: &PlaySlice, from_ms: f32) -> Option<Arc<Self>> {
        let from = ms_to_frames(f64::from(from_ms), slice.rate).round() as usize;
        let key = Key { start: slice.start, end: slice.end, from };
        if from < MIN_REACH || slice.start + from + MIN_REACH > slice.end {
            return None;
        }
        let all = || REMEMBERED.lock().unwrap_or_else(PoisonError::into_inner);
        let known = |r: &&Remembered| r.key == key && std::ptr::eq(r.take.as_ptr(), Arc::as_ptr(take));
        if let Some(known) = all().iter().find(known) {
            return Some(known.tail.clone());
        }
        let tail = Arc::new(Self::new(take, slice, from));
        let mut all = all();
        all.retain(|r| r.take.strong_count() > 0);
        if all.len() >= MAX_REMEMBERED {
            all.remove(0);
        }
        all.push(Remembered { take: Arc::downgrade(take), key, tail: tail.clone() });
        Some(tail)
    }

    fn new(take: &Take, slice: &PlaySlice, from: usize) -> Self {
        let point = slice.start + from;
        let first = slice.start.saturating_sub(ms_to_frames(BEFORE_MS, slice.rate) as usize);
        let reach = ms_to_frames(TAIL_REACH_MS, slice.rate) as usize;
        let reach = reach.min(from).min(slice.end - point);
        let level_reach = (ms_to_frames(LEVEL_REACH_MS, slice.rate) as usize).min(reach);
        let fade = FADE.min(reach);
        let channels = take.channels.iter().zip(slice.offset).map(|(samples, offset)| {
            let samples = |range: std::ops::Range<usize>| samples[range].iter().map(move |x| x - offset);
            let around = |reach: usize| samples(point - reach..point + reach).collect::<Vec<f32>>();
            let noise = noise_like(&around(reach), power(&around(level_reach)));
            let mut sound: Vec<f32> = samples(first..point + fade).collect();
            let recorded = point - first;
            for (i, x) in sound[recorded..].iter_mut().enumerate() {
                // what is added has nothing in common with the hit: the powers add up
                let share = (i as f32 + 0.5) / fade as f32;
                *x = *x * (1.0 - share).sqrt() + noise[i] * share.sqrt();
            }
            sound.extend((fade..fade + PERIOD + FADE + AFTER).map(|i| noise[i % PERIOD]));
            sound
        });
        Self { channels: channels.collect(), start: slice.start - first }
    }

    /// The slice that plays it, where `slice` is the one that it was made of.
    pub fn slice(&self, source: SampleSource, slice: &PlaySlice) -> PlaySlice {
        let end = self.channels.iter().map(Vec::len).min().unwrap_or(0) - AFTER;
        PlaySlice { source, start: self.start, end, offset: [0.0; 2], repeats: true, ..*slice }
    }
}

/// Mean power of `samples` under a Hann window.
fn power(samples: &[f32]) -> f32 {
    let weights = (0..samples.len()).map(|i| hann(i, samples.len()));
    let weighted: f32 = samples.iter().zip(weights.clone()).map(|(x, w)| w * x * x).sum();
    weighted / weights.sum::<f32>().max(f32::MIN_POSITIVE)
}

/// The phases of the noise, as numbers of magnitude 1: the same for all, so that channels keep theirs towards each other.
static PHASES: LazyLock<Vec<Complex<f32>>> = LazyLock::new(|| {
    let mut draws = Draws::new(0, 0, Index::Origin, DrawPurpose::Tail);
    let phase = |_| libm::sincosf((std::f64::consts::TAU * draws.unit()) as f32);
    (0..=PERIOD / 2).map(phase).map(|(sin, cos)| Complex::new(cos, sin)).collect()
});

/// [`PERIOD`] frames of noise of this mean power with the spectrum of `samples`, at most as many, under a Hann window.
fn noise_like(samples: &[f32], power: f32) -> Vec<f32> {
    let mut fft = RealFft::remembered(PERIOD);
    fft.input.fill(0.0);
    for (i, (input, x)) in fft.input.iter_mut().zip(samples).enumerate() {
        *input = x * hann(i, samples.len());
    }
    let mut spectrum: Vec<Complex<f32>> = fft.transform().to_vec();
    spectrum[0] = Complex::default();
    spectrum.iter_mut().zip(PHASES.iter()).for_each(|(bin, phase)| *bin *= phase);
    let mut noise = InverseRealFft::remembered(PERIOD).transform(&mut spectrum).to_vec();
    let energy: f32 = noise.iter().map(|x| x * x).sum();
    let gain = if energy > 0.0 { (power * PERIOD as f32 / energy).sqrt() } else { 0.0 };
    noise.iter_mut().for_each(|x| *x *= gain);
    noise
}
