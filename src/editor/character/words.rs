//! The measures of a sound in words.

use kitwright_core::cast::features::SCALARS;

/// A measure in words for the player.
pub(super) struct Measure {
    /// Its name.
    pub name: &'static str,
    /// Measures of one group say much the same.
    pub group: Group,
    /// What a low value and a high value sound like, in three words at most.
    low_high: [&'static str; 2],
    unit: MeasureUnit,
}

/// What measures say something about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Group {
    Attack,
    Length,
    Peak,
    Brightness,
    Width,
    Lows,
    Body,
    Noise,
    Tone,
    Strokes,
}

/// How a measure's number is meant.
#[derive(Debug, Clone, Copy)]
enum MeasureUnit {
    /// The logarithm of milliseconds and so many more.
    LogMs(f32),
    Db,
    /// The logarithm of hertz and so many more.
    LogHz(f32),
    /// The logarithm of a ratio of frequencies or of a standard deviation of them.
    LogRatio,
    Count,
}

const fn measure(
    name: &'static str,
    group: Group,
    low_high: [&'static str; 2],
    unit: MeasureUnit,
) -> Measure {
    Measure { name, group, low_high, unit }
}

/// All measures besides the bands, in the order of [`kitwright_core::cast::features::Scalar`].
pub(super) const MEASURES: [Measure; SCALARS] = {
    use Group::*;
    use MeasureUnit::*;
    [
        measure("Attack", Attack, ["sharp attack", "slow attack"], LogMs(1.0)),
        measure("Decay to -10 dB", Length, ["falls at once", "stays loud long"], LogMs(2.0)),
        measure("Decay to -20 dB", Length, ["short body", "long body"], LogMs(2.0)),
        measure("Decay to -40 dB", Length, ["short tail", "long tail"], LogMs(2.0)),
        measure("Temporal centroid", Length, ["energy comes early", "energy comes late"], LogMs(2.0)),
        measure("Crest factor", Peak, ["even level", "strong peak"], Db),
        measure("Level after 10 ms", Length, ["quick first fall", "slow first fall"], Db),
        measure("Level after 20 ms", Length, ["quick first fall", "slow first fall"], Db),
        measure("Level after 40 ms", Length, ["short body", "long body"], Db),
        measure("Level after 80 ms", Length, ["short body", "long body"], Db),
        measure("Level after 160 ms", Length, ["short tail", "long tail"], Db),
        measure("Level after 320 ms", Length, ["short tail", "long tail"], Db),
        measure("Spectral centroid", Brightness, ["dark sound", "bright sound"], LogHz(0.0)),
        measure("Spectral spread", Width, ["narrow spectrum", "wide spectrum"], LogRatio),
        measure("Share below 160 Hz", Lows, ["few lows", "strong lows"], Db),
        measure("Share from 160 to 700 Hz", Body, ["little body", "full body"], Db),
        measure("Share from 700 Hz to 4 kHz", Body, ["few mids", "strong mids"], Db),
        measure("Share above 4 kHz", Brightness, ["few highs", "strong highs"], Db),
        measure("Noise from 200 Hz to 1 kHz", Noise, ["tonal low mids", "noisy low mids"], Db),
        measure("Noise from 1 to 4 kHz", Noise, ["tonal mids", "noisy mids"], Db),
        measure("Noise from 4 to 14 kHz", Noise, ["tonal highs", "noisy highs"], Db),
        measure("Strongest tone", Tone, ["low main tone", "high main tone"], LogHz(0.0)),
        measure("Share of the strongest tone", Tone, ["weak main tone", "strong main tone"], Db),
        measure("Pitch drop of the strongest tone", Tone, ["pitch stays", "pitch falls"], LogRatio),
        measure("Onsets within 80 ms", Strokes, ["a single stroke", "several strokes"], Count),
        measure("Zero crossings", Brightness, ["dark sound", "bright sound"], LogHz(20.0)),
    ]
};

impl Measure {
    /// What a low or a high value sounds like.
    pub fn words(&self, high: bool) -> &'static str {
        self.low_high[usize::from(high)]
    }

    /// The value with its unit.
    pub fn show(&self, value: f32) -> String {
        match self.unit {
            MeasureUnit::LogMs(more) => format!("{:.0} ms", (value.exp() - more).max(0.0)),
            MeasureUnit::Db => format!("{value:.0} dB"),
            MeasureUnit::LogHz(more) => format!("{:.0} Hz", (value.exp() - more).max(0.0)),
            MeasureUnit::LogRatio => format!("{:.1} octaves", value / std::f32::consts::LN_2),
            MeasureUnit::Count => format!("{value:.0}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::cast::features::{SCALAR_NAMES, Scalar};

    #[test]
    fn measures_have_three_words_at_most_and_stand_in_the_order_of_the_scalars() {
        for m in &MEASURES {
            assert!(m.low_high.iter().all(|w| w.split(' ').count() <= 3), "{}", m.name);
        }
        for (scalar, name, own) in [
            (Scalar::Attack, "attack", "Attack"),
            (Scalar::Env40, "env40", "Level after 40 ms"),
            (Scalar::LowShare, "low_share", "Share below 160 Hz"),
            (Scalar::LowPeak, "low_peak", "Strongest tone"),
            (Scalar::Crossings, "crossings", "Zero crossings"),
        ] {
            assert_eq!(SCALAR_NAMES[scalar as usize], name);
            assert_eq!(MEASURES[scalar as usize].name, own);
        }
    }

    #[test]
    fn values_are_shown_in_their_units() {
        let show = |scalar: Scalar, value: f32| MEASURES[scalar as usize].show(value);
        assert_eq!(show(Scalar::Attack, 3.0_f32.ln()), "2 ms");
        assert_eq!(show(Scalar::LowPeak, 55.0_f32.ln()), "55 Hz");
        assert_eq!(show(Scalar::LowShare, -3.2), "-3 dB");
        assert_eq!(show(Scalar::Glide, 2.0_f32.ln()), "1.0 octaves");
    }
}
