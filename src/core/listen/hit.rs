//! A hit and its description.

use serde::{Deserialize, Serialize};

/// One sounding event in a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hit {
    /// First frame of the hit, at the take's own rate.
    pub start: u64,
    /// First frame after the hit.
    pub end: u64,
    /// Placed or moved by hand: survives another detection in the same take.
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
    /// True peak of the hit's first 400 ms, dBTP (ITU-R BS.1770); at least the sample peak.
    pub true_peak_db: f32,
    /// K-weighted loudness of the hit's first 400 ms, or of its whole length if shorter, LUFS (ITU-R BS.1770), -120 or more.
    pub loudness_lufs: f32,
    /// From the start to the envelope's maximum, ms.
    pub attack_ms: f32,
    /// From the maximum until the level stays 20 dB below it, ms; where the hit ends sooner, extrapolated by a straight line
    /// in dB, 30 s at most.
    pub decay_20_ms: f32,
    /// From the maximum until the level stays 60 dB below it, ms; where the hit ends sooner, extrapolated by a straight line
    /// in dB, 30 s at most.
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
    /// dB relative to the energy of all bands, -120 or more: `[stretch][band]`; edges in [`super::BAND_EDGES_HZ`] and
    /// [`super::STRETCH_ENDS_S`].
    pub bands_db: [[f32; 8]; 4],
    /// Attacks inside the hit: strings of a strum, grains of a scratch; at least 1.
    pub strokes: u32,
    /// Fundamental, Hz, when there is one.
    pub pitch_hz: Option<f32>,
    /// Confidence in the fundamental, 0 to 1.
    pub pitch_confidence: f32,
}
