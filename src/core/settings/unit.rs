//! Units of settings.

/// What a setting's number means and how it is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unit {
    /// Level or gain, dB.
    Decibels,
    /// Time, ms.
    Milliseconds,
    /// Frequency, Hz.
    Hertz,
    /// Interval, equal-tempered semitones.
    Semitones,
    /// Interval, hundredths of a semitone.
    Cents,
    /// Interval, octaves.
    Octaves,
    /// Share; 1.0 is shown as 100 %.
    Percent,
    /// Place between left (-1) and right (1).
    Pan,
    /// Ratio of a compressor, N : 1.
    Ratio,
    /// Quality factor of a filter.
    Q,
    /// Number of things.
    Count,
    /// A bare number without unit.
    Plain,
    /// Off (0) or on (1).
    Switch,
    /// One of these words, by index.
    Choice(&'static [&'static str]),
}
