//! Listening: the hits of a take, where each starts and ends, and what it is like.

mod describe;
mod ends;
mod envelope;
mod judge;
mod onsets;
mod peaks;
mod period;
mod pitch;
mod refine;
mod spectrogram;

pub use describe::{BAND_EDGES_HZ, STRETCH_ENDS_S};

use self::{refine::Start, spectrogram::Spectrogram};
use crate::{error::Result, progress::Progress, take::Take};
use serde::{Deserialize, Serialize};

/// One sounding event in a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hit {
    /// First frame of the hit, at the take's own rate.
    pub start: u64,
    /// First frame after the hit.
    pub end: u64,
    /// Placed or moved by hand: survives another hearing of the same take.
    #[serde(default)]
    pub by_hand: bool,
    /// What it is like.
    pub description: Description,
}

/// What a hit is like. Levels are relative to full scale.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Description {
    /// Sample peak, dBFS.
    pub peak_db: f32,
    /// True peak, dBTP (ITU-R BS.1770).
    pub true_peak_db: f32,
    /// Loudness over the hit, LUFS (ITU-R BS.1770, gated only by the hit's own bounds).
    pub loudness_lufs: f32,
    /// From the start to the envelope's maximum, ms.
    pub attack_ms: f32,
    /// From the maximum to 20 dB below it, ms.
    pub decay_20_ms: f32,
    /// From the maximum to 60 dB below it or the noise floor, extrapolated, ms.
    pub decay_60_ms: f32,
    /// Centre of gravity of the power spectrum, Hz.
    pub centroid_hz: f32,
    /// Frequency below which 85 % of the power lies, Hz.
    pub rolloff_hz: f32,
    /// Geometric over arithmetic mean of the power spectrum, 0 (tone) to 1 (white noise).
    pub flatness: f32,
    /// Peak over RMS, dB.
    pub crest_db: f32,
    /// Zero crossings per second.
    pub zero_crossings_hz: f32,
    /// Energy in dB relative to the hit's whole energy: `[stretch of time][band]`, see `describe`.
    pub bands_db: [[f32; 8]; 4],
    /// Attacks inside the hit: strings of a strum, grains of a scratch; at least 1.
    pub strokes: u32,
    /// Fundamental, Hz, when there is one.
    pub pitch_hz: Option<f32>,
    /// Confidence in the fundamental, 0 to 1.
    pub pitch_confidence: f32,
}

/// How to listen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct HearOptions {
    /// -1 (fewer hits) to 1 (more hits), 0 by default.
    pub sensitivity: f32,
}

impl Default for HearOptions {
    fn default() -> Self {
        Self { sensitivity: 0.0 }
    }
}

/// The hits of `take` in order of their starts; they do not overlap. Silence gives none.
pub fn hear(take: &Take, options: &HearOptions, progress: &dyn Progress) -> Result<Vec<Hit>> {
    if take.frames() == 0 {
        return Ok(Vec::new());
    }
    let spectrogram = spectrogram::analyse(take, progress)?;
    let envelope = envelope::envelope(take);
    let starts = starts(take, &spectrogram, options, progress)?;
    let floor = ends::noise_floor(&envelope);
    let mut describer = describe::Describer::new(take);
    let mut hits = Vec::with_capacity(starts.len());
    for (i, &start) in starts.iter().enumerate() {
        progress.check()?;
        progress.report("describing hits", i as f32 / starts.len() as f32);
        let next = starts.get(i + 1).copied().unwrap_or(take.frames());
        let end = ends::end(&envelope, floor, start, next);
        let description = describer.describe(start, end);
        hits.push(Hit { start: start as u64, end: end as u64, by_hand: false, description });
    }
    Ok(hits)
}

/// Least time between two starts, seconds: flams come from 22 ms on.
const LEAST_APART_S: f64 = 0.012;
/// What the whole way of the sensitivity is worth in log odds.
const SENSITIVITY_LOG_ODDS: f32 = 2.5;

/// First samples of all hits.
fn starts(
    take: &Take,
    spectrogram: &Spectrogram,
    options: &HearOptions,
    progress: &dyn Progress,
) -> Result<Vec<usize>> {
    let apart = (LEAST_APART_S * f64::from(take.sample_rate)) as usize;
    let least = -SENSITIVITY_LOG_ODDS * options.sensitivity.clamp(-1.0, 1.0);
    let mut starts: Vec<usize> = Vec::new();
    for w in weighed(take, spectrogram, progress)? {
        if w.log_odds >= least && starts.last().is_none_or(|&s| w.start.sample >= s + apart) {
            starts.push(w.start.sample);
        }
    }
    Ok(starts)
}

/// Every candidate with its start and its log odds of being a hit.
fn weighed(take: &Take, s: &Spectrogram, progress: &dyn Progress) -> Result<Vec<Weighed>> {
    let candidates = onsets::candidates(s);
    let mut found = Vec::with_capacity(candidates.len());
    for (i, c) in candidates.iter().enumerate() {
        if i % 64 == 0 {
            progress.check()?;
        }
        let previous = i.checked_sub(1).map(|p| &candidates[p]);
        let earliest = previous.map_or(0, |p| s.centre(p.frame));
        let start = refine::start(take, s.centre(c.frame), earliest);
        let terms = judge::terms(c, &start, previous);
        found.push(Weighed { start, terms, log_odds: judge::log_odds(&terms) });
    }
    Ok(found)
}
/// Start and regression terms of every candidate: what `examples/fit_listening.rs` fits the weights to.
#[doc(hidden)]
pub fn evidence(take: &Take, progress: &dyn Progress) -> Result<Vec<(usize, Vec<f32>)>> {
    let spectrogram = spectrogram::analyse(take, progress)?;
    let weighed = weighed(take, &spectrogram, progress)?;
    Ok(weighed.into_iter().map(|w| (w.start.sample, w.terms.to_vec())).collect())
}

/// A candidate with its start and what is held for its being a hit.
struct Weighed {
    start: Start,
    terms: [f32; judge::TERMS],
    log_odds: f32,
}

/// Describes frames `start..end` of `take`, whoever chose them; clipped to the take.
pub fn describe(take: &Take, start: usize, end: usize) -> Description {
    describe::Describer::new(take).describe(start, end)
}
