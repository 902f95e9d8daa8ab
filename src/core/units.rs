//! Decibels, semitones and hertz, converted in one place.
//!
//! Bare `f32`/`f64` fields elsewhere carry their unit in their name (`level_db`, `cutoff_hz`,
//! `decay_ms`, `pitch_st`, `spread_ms`); this module is the only one that converts between units.

/// Amplitude ratio of a level in decibels (20 dB per factor 10). `-inf` gives 0.
pub fn db_to_gain(db: f32) -> f32 {
    10.0_f32.powf(db * 0.05)
}

/// Level in decibels of an amplitude ratio; 0 gives `-inf`, the sign is ignored.
pub fn gain_to_db(gain: f32) -> f32 {
    20.0 * gain.abs().log10()
}

/// Frequency ratio of an interval in equal-tempered semitones (12 per octave).
pub fn st_to_ratio(semitones: f64) -> f64 {
    (semitones / 12.0).exp2()
}

/// Interval in semitones of a frequency ratio above 0.
pub fn ratio_to_st(ratio: f64) -> f64 {
    12.0 * ratio.log2()
}

/// Frequency in Hz of a MIDI note number (69 is A4 at 440 Hz; ISO 16:1975), fractions allowed.
pub fn note_to_hz(note: f64) -> f64 {
    440.0 * st_to_ratio(note - 69.0)
}

/// MIDI note number, with fraction, of a frequency in Hz above 0.
pub fn hz_to_note(hz: f64) -> f64 {
    69.0 + ratio_to_st(hz / 440.0)
}

/// Frames (one sample per channel) in `ms` milliseconds at `sample_rate` Hz, not rounded.
pub fn ms_to_frames(ms: f64, sample_rate: f64) -> f64 {
    ms * sample_rate / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conversions_agree_with_their_definitions() {
        assert!((db_to_gain(20.0) - 10.0).abs() < 1e-5);
        assert!((gain_to_db(0.5) + 6.0206).abs() < 1e-4);
        assert_eq!(st_to_ratio(12.0), 2.0);
        assert!((ratio_to_st(1.5) - 7.019_550).abs() < 1e-6);
        assert_eq!(note_to_hz(69.0), 440.0);
        assert!((hz_to_note(261.625_565) - 60.0).abs() < 1e-6);
    }
}
