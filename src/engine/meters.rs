//! What the window shows while playing.

use super::strike::Drawn;
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

/// What the window shows while playing; written by the engine, read by anyone.
#[derive(Debug, Default)]
pub struct Meters {
    /// Peak of each pad since the last read, as `f32` bits.
    pub pad_peak: [AtomicU32; PADS],
    /// Strokes received by each pad since the start, wrapping.
    pub pad_strokes: [AtomicU32; PADS],
    /// The draw of the last hit of each pad; written before its stroke is counted.
    pub last_hit: [LastHit; PADS],
    /// Peak of the main output since the last read, as `f32` bits.
    pub main_peak: AtomicU32,
    /// Voices sounding: readings of layers and copies.
    pub voices: AtomicU32,
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

impl Meters {
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
