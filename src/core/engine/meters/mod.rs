//! What the window shows while playing: written by the engine without locks, read from any thread.
//!
//! | to show | read |
//! | --- | --- |
//! | peaks and gain reductions | [`Meters::take_peak`] on their fields |
//! | what was drawn for the latest trigger | [`LastTrigger`]; its cloud by [`LastCloud::read`] |
//! | a live spectrum | [`Scope`]: choose an output, then take its latest frames |

mod last_cloud;
mod scope;

pub use last_cloud::{LastCloud, ShownGrain};
pub use scope::{Scope, ScopeSource};

use super::{tone::Reductions, trigger::TriggerResult};
use crate::kit::PADS;
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};

/// What was drawn for the last trigger of a pad; fields are `f32` bits unless said otherwise.
#[derive(Debug, Default)]
pub struct LastTrigger {
    /// Index of the slice within the pad, as an integer.
    pub slice: AtomicU32,
    /// Variation of the start, ms.
    pub start_ms: AtomicU32,
    /// Variation of the pitch, semitones.
    pub pitch_st: AtomicU32,
    /// Variation of the level, dB.
    pub level_db: AtomicU32,
    /// Variation of the high cut, octaves.
    pub cut_oct: AtomicU32,
    /// Grains in its cloud, as an integer.
    pub grains: AtomicU32,
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

/// What the window shows while playing; written by the engine, read from any thread.
#[derive(Debug)]
pub struct Meters {
    /// Peak of each pad since the last read, as `f32` bits.
    pub pad_peak: [AtomicU32; PADS],
    /// Triggers of each pad since the engine was made, wrapping; counted with release ordering. Who goes on to read what was
    /// drawn loads it with acquire ordering.
    pub pad_triggers: [AtomicU32; PADS],
    /// What was drawn for the last trigger of each pad; written before the trigger is counted.
    pub last_trigger: [LastTrigger; PADS],
    /// The cloud of the last trigger of each pad; written before the trigger is counted.
    pub last_cloud: [LastCloud; PADS],
    /// Gain reductions of each pad's dynamics.
    pub reductions: [PadReductions; PADS],
    /// Peak of the main output since the last read, as `f32` bits.
    pub main_peak: AtomicU32,
    /// Largest gain reduction of the main output's ceiling since the last read, dB as `f32` bits.
    pub main_ceiling_db: AtomicU32,
    /// Grains that sound or wait: layers and clouds of all voices.
    pub grains: AtomicU32,
    /// The latest frames of one output.
    pub scope: Scope,
}

impl LastTrigger {
    pub(super) fn show(&self, drawn: &TriggerResult) {
        let offsets = &drawn.offsets;
        self.slice.store(drawn.slice as u32, Relaxed);
        self.grains.store(drawn.grains as u32, Relaxed);
        for (field, value) in [
            (&self.start_ms, offsets.start_ms),
            (&self.pitch_st, offsets.pitch_st),
            (&self.level_db, offsets.level_db),
            (&self.cut_oct, offsets.cut_oct),
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
    /// Meters of an engine at 48 kHz that has not played.
    fn default() -> Self {
        Self::new(48_000.0)
    }
}

impl Meters {
    /// Everything at 0, for an engine at `sample_rate` Hz.
    pub(super) fn new(sample_rate: f64) -> Self {
        Self {
            pad_peak: Default::default(),
            pad_triggers: Default::default(),
            last_trigger: Default::default(),
            last_cloud: Default::default(),
            reductions: Default::default(),
            main_peak: AtomicU32::default(),
            main_ceiling_db: AtomicU32::default(),
            grains: AtomicU32::default(),
            scope: Scope::new(sample_rate),
        }
    }

    /// Raises a peak meter to `peak` (0 or above).
    pub(super) fn raise(meter: &AtomicU32, peak: f32) {
        // The bits of numbers from 0 up are in the order of the numbers.
        if peak > 0.0 {
            meter.fetch_max(peak.to_bits(), Relaxed);
        }
    }

    /// Takes a peak meter's value (amplitude, or dB for reductions) since the last call and sets it to 0.
    pub fn take_peak(meter: &AtomicU32) -> f32 {
        f32::from_bits(meter.swap(0, Relaxed))
    }
}
