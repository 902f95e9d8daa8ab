//! What the window shows while playing: written by the engine without locks, read by anyone.
//!
//! | to show | read |
//! | --- | --- |
//! | peaks and gain reductions | [`Meters::take_peak`] on their fields |
//! | the draw of the latest hit | [`LastHit`]; its copies by [`LastCloud::read`] |
//! | a live spectrum | [`Scope`]: say what to listen to, then take its latest frames |

mod last_cloud;
mod scope;

pub use last_cloud::{LastCloud, ShownCopy};
pub use scope::{Scope, Source};

use super::{strike::Drawn, tone::Reductions};
use crate::kit::PADS;
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};

/// What was drawn for the last hit of a pad; fields are `f32` bits unless said otherwise.
#[derive(Debug, Default)]
pub struct LastHit {
    /// Index of the slice within the pad, as a number.
    pub slice: AtomicU32,
    /// How far its start moved, ms.
    pub start_ms: AtomicU32,
    /// How far its pitch moved, semitones.
    pub pitch_st: AtomicU32,
    /// How far its level moved, dB.
    pub level_db: AtomicU32,
    /// How far its high cut moved, octaves.
    pub cut_oct: AtomicU32,
    /// Copies around it, as a number.
    pub copies: AtomicU32,
}

/// Largest gain reductions of a pad since each was last taken ([`Meters::take_peak`]): dB, 0 or above,
/// as `f32` bits.
#[derive(Debug, Default)]
pub struct PadReductions {
    /// The first limiter.
    pub limiter_db: AtomicU32,
    /// The slow-attack compressor.
    pub punch_db: AtomicU32,
    /// The low-band compressor.
    pub low_band_db: AtomicU32,
    /// The last limiter.
    pub colour_db: AtomicU32,
    /// The ceiling of the pad's own output.
    pub ceiling_db: AtomicU32,
}

/// What the window shows while playing; written by the engine, read by anyone.
#[derive(Debug)]
pub struct Meters {
    /// Peak of each pad since the last read, as `f32` bits.
    pub pad_peak: [AtomicU32; PADS],
    /// Strokes received by each pad since the start, wrapping.
    pub pad_strokes: [AtomicU32; PADS],
    /// The draw of the last hit of each pad; written before its stroke is counted.
    pub last_hit: [LastHit; PADS],
    /// The copies of the last hit of each pad; written before its stroke is counted.
    pub last_cloud: [LastCloud; PADS],
    /// How far each pad's dynamics held the sound down.
    pub reductions: [PadReductions; PADS],
    /// Peak of the main output since the last read, as `f32` bits.
    pub main_peak: AtomicU32,
    /// Largest gain reduction of the main output's ceiling since the last read, dB as `f32` bits.
    pub main_ceiling_db: AtomicU32,
    /// Voices sounding: readings of layers and copies.
    pub voices: AtomicU32,
    /// The latest frames of one output.
    pub scope: Scope,
}

impl LastHit {
    pub(super) fn show(&self, drawn: &Drawn) {
        let shift = &drawn.shift;
        self.slice.store(drawn.slice as u32, Relaxed);
        self.copies.store(drawn.copies as u32, Relaxed);
        for (field, value) in [
            (&self.start_ms, shift.start_ms),
            (&self.pitch_st, shift.pitch_st),
            (&self.level_db, shift.level_db),
            (&self.cut_oct, shift.cut_oct),
        ] {
            field.store((value as f32).to_bits(), Relaxed);
        }
    }
}

impl PadReductions {
    pub(super) fn raise(&self, tone: &Reductions, ceiling_db: f32) {
        Meters::raise(&self.limiter_db, tone.limiter_db);
        Meters::raise(&self.punch_db, tone.punch_db);
        Meters::raise(&self.low_band_db, tone.low_band_db);
        Meters::raise(&self.colour_db, tone.colour_db);
        Meters::raise(&self.ceiling_db, ceiling_db);
    }
}

impl Default for Meters {
    /// Those of an engine at 48 kHz that has not played.
    fn default() -> Self {
        Self::new(48_000.0)
    }
}

impl Meters {
    /// Everything at 0, for an engine at `sample_rate` Hz.
    pub(super) fn new(sample_rate: f64) -> Self {
        Self {
            pad_peak: Default::default(),
            pad_strokes: Default::default(),
            last_hit: Default::default(),
            last_cloud: Default::default(),
            reductions: Default::default(),
            main_peak: AtomicU32::default(),
            main_ceiling_db: AtomicU32::default(),
            voices: AtomicU32::default(),
            scope: Scope::new(sample_rate),
        }
    }

    /// Raises a peak meter to `peak` (0 or above).
    pub(super) fn raise(meter: &AtomicU32, peak: f32) {
        // Bits of numbers from 0 up are in the order of the numbers.
        if peak > 0.0 {
            meter.fetch_max(peak.to_bits(), Relaxed);
        }
    }

    /// The peak since the last call, and starts anew.
    pub fn take_peak(meter: &AtomicU32) -> f32 {
        f32::from_bits(meter.swap(0, Relaxed))
    }
}
