//! Tone: a pad's chain of cuts, limiter, saturation, EQ and compressors.

use super::bounded;
use crate::settings::{Curve, Setting, Unit, choice, settings};
use serde::{Deserialize, Serialize};

/// Bells that may be set against single partials, besides the three EQ bands.
pub const MAX_DIPS: usize = 8;

/// A stage of the tone chain; its place can be changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ToneStage {
    /// Low cut and high cut.
    #[serde(rename = "cuts")]
    Cuts,
    /// The first limiter: tames the range before the saturation.
    #[serde(rename = "limiter")]
    Limiter,
    /// Saturation.
    #[serde(rename = "saturation")]
    Saturation,
    /// Three bands, dips, tilt and the bell on the note.
    #[serde(rename = "eq")]
    Eq,
    /// The slow-attack compressor: the transient passes.
    #[serde(rename = "punch")]
    Punch,
    /// The compressor of the low band only.
    #[serde(rename = "low band")]
    LowBand,
    /// The last limiter: colours.
    #[serde(rename = "colour")]
    Colour,
}

impl ToneStage {
    /// Every stage, in the order of the variants.
    pub const ALL: [ToneStage; 7] = Tone::ORDER;
}

/// A pad's tone chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Tone {
    /// The stages in the order in which the sound passes; each exactly once.
    pub order: [ToneStage; 7],
    /// Cuts what lies below.
    pub low_cut: Cut,
    /// Cuts what lies above.
    pub high_cut: Cut,
    /// The first limiter.
    pub limiter: Limiter,
    /// Saturation.
    pub saturation: Saturation,
    /// The three EQ bands: low shelf, bell, high shelf.
    pub bands: [Band; 3],
    /// Narrow bells against single partials, at most [`MAX_DIPS`].
    #[serde(deserialize_with = "bounded::list::<MAX_DIPS, _, _>")]
    pub dips: Vec<Band>,
    /// How much of the dips' depth counts, a share of their decibels: [`DIP_AMOUNT`].
    pub dip_amount: f32,
    /// Bell on the pad's note (its fundamental after pitching).
    pub note_bell: Band,
    /// Darker (below 0) or brighter (above 0) around 1 kHz, dB at the far ends: [`TILT`].
    pub tilt_db: f32,
    /// The slow-attack compressor.
    pub punch: Compressor,
    /// The compressor of everything below `low_band_hz`.
    pub low_band: Compressor,
    /// Upper edge of the low band, Hz: [`LOW_BAND_EDGE`].
    pub low_band_hz: f32,
    /// The last limiter.
    pub colour: Limiter,
}

impl Tone {
    /// The usual order of the stages.
    pub const ORDER: [ToneStage; 7] = [
        ToneStage::Cuts,
        ToneStage::Limiter,
        ToneStage::Saturation,
        ToneStage::Eq,
        ToneStage::Punch,
        ToneStage::LowBand,
        ToneStage::Colour,
    ];
}

/// Tilt of the EQ stage.
pub const TILT: Setting<Tone> = Setting {
    id: "tilt_db",
    name: "Tilt",
    unit: Unit::Decibels,
    min: -24.0,
    max: 24.0,
    curve: Curve::Linear,
    default: 0.0,
    help: "Darker or brighter around 1 kHz.",
    get: |tone| tone.tilt_db,
    set: |tone, v| tone.tilt_db = v,
};

/// Share of the depth of all dips.
pub const DIP_AMOUNT: Setting<Tone> = Setting {
    id: "dip_amount",
    name: "Dip amount",
    unit: Unit::Percent,
    min: 0.0,
    max: 1.0,
    curve: Curve::Linear,
    default: 1.0,
    help: "How much of all dips is heard; they take single tones out of a noise.",
    get: |tone| tone.dip_amount,
    set: |tone, v| tone.dip_amount = v,
};

/// Upper edge of the low band.
pub const LOW_BAND_EDGE: Setting<Tone> = Setting {
    id: "low_band_hz",
    name: "Low band up to",
    unit: Unit::Hertz,
    min: 20.0,
    max: 20_000.0,
    curve: Curve::Logarithmic,
    default: 250.0,
    help: "The compressor of the low band works on everything below this.",
    get: |tone| tone.low_band_hz,
    set: |tone, v| tone.low_band_hz = v,
};

/// The settings of [`Tone`] that belong to no single filter or compressor.
pub static TONE: [Setting<Tone>; 3] = [TILT, DIP_AMOUNT, LOW_BAND_EDGE];

impl Default for Tone {
    fn default() -> Self {
        Self {
            order: Self::ORDER,
            low_cut: Cut { hz: 20.0, ..Cut::default() },
            high_cut: Cut { hz: 20_000.0, ..Cut::default() },
            limiter: Limiter::default(),
            saturation: Saturation::default(),
            bands: [
                Band { hz: 120.0, ..Band::default() },
                Band::default(),
                Band { hz: 6000.0, ..Band::default() },
            ],
            dips: Vec::new(),
            dip_amount: DIP_AMOUNT.default,
            note_bell: Band::default(),
            tilt_db: TILT.default,
            punch: Compressor::default(),
            low_band: Compressor { ratio: 8.0, attack_ms: 30.0, release_ms: 200.0, ..Compressor::default() },
            low_band_hz: LOW_BAND_EDGE.default,
            colour: Limiter::default(),
        }
    }
}

choice! {
    /// Steepness of a cut.
    pub enum Slope words SLOPE_WORDS {
        /// Second order.
        Twelve = "12 dB",
        /// Fourth order.
        TwentyFour = "24 dB",
    }
}

settings! {
    /// A low cut or a high cut (Butterworth).
    pub struct Cut, table CUT, count CUT_COUNT {
        on: bool = 0.0, "On", Switch, 0.0 ..= 1.0, Linear, "Switches the cut.";
        hz: f32 = 1000.0, "Frequency", Hertz, 20.0 ..= 20000.0, Logarithmic, "Where it cuts (3 dB down).";
        slope: Slope = 0.0, "Slope", Choice(SLOPE_WORDS), 0.0 ..= 1.0, Linear, "How steeply it cuts, per octave.";
    }
}

settings! {
    /// A limiter that looks ahead.
    pub struct Limiter, table LIMITER, count LIMITER_COUNT {
        on: bool = 0.0, "On", Switch, 0.0 ..= 1.0, Linear, "Switches the limiter.";
        threshold_db: f32 = -6.0, "Threshold", Decibels, -48.0 ..= 0.0, Linear, "Nothing passes louder than this.";
        release_ms: f32 = 60.0, "Release", Milliseconds, 1.0 ..= 1000.0, Fine, "Time to recover (63 % of the way).";
        makeup_db: f32 = 0.0, "Gain after", Decibels, 0.0 ..= 36.0, Linear, "Lifts what was held down.";
    }
}

choice! {
    /// Character of a saturation.
    pub enum Character words CHARACTER_WORDS {
        /// Rounded, odd harmonics.
        Soft = "soft",
        /// Clipped, many odd harmonics.
        Hard = "hard",
        /// Lopsided, even harmonics as well.
        Asymmetric = "asymmetric",
    }
}

settings! {
    /// Saturation, oversampled, with the loudness held.
    pub struct Saturation, table SATURATION, count SATURATION_COUNT {
        on: bool = 0.0, "On", Switch, 0.0 ..= 1.0, Linear, "Switches the saturation.";
        character: Character = 0.0, "Character", Choice(CHARACTER_WORDS), 0.0 ..= 2.0, Linear, "How it bends the wave.";
        drive_db: f32 = 6.0, "Drive", Decibels, 0.0 ..= 36.0, Linear, "How hard the sound is driven into it.";
        mix: f32 = 1.0, "Mix", Percent, 0.0 ..= 1.0, Linear, "Share of the saturated sound.";
    }
}

settings! {
    /// One band of the EQ.
    pub struct Band, table BAND, count BAND_COUNT {
        on: bool = 0.0, "On", Switch, 0.0 ..= 1.0, Linear, "Switches the band.";
        hz: f32 = 1000.0, "Frequency", Hertz, 20.0 ..= 20000.0, Logarithmic, "Middle of a bell, corner of a shelf.";
        gain_db: f32 = 0.0, "Gain", Decibels, -24.0 ..= 24.0, Linear, "Lifts or dips.";
        q: f32 = 1.0, "Q", Q, 0.2 ..= 40.0, Logarithmic, "Narrower with higher values.";
    }
}

settings! {
    /// A feed-forward compressor.
    pub struct Compressor, table COMPRESSOR, count COMPRESSOR_COUNT {
        on: bool = 0.0, "On", Switch, 0.0 ..= 1.0, Linear, "Switches the compressor.";
        threshold_db: f32 = -18.0, "Threshold", Decibels, -60.0 ..= 0.0, Linear, "Works on what is louder than this.";
        ratio: f32 = 4.0, "Ratio", Ratio, 1.0 ..= 20.0, Logarithmic, "How strongly it works.";
        knee_db: f32 = 6.0, "Knee", Decibels, 0.0 ..= 24.0, Linear, "Width of the soft start around the threshold.";
        attack_ms: f32 = 25.0, "Attack", Milliseconds, 0.1 ..= 200.0, Fine, "Time to close (63 % of the way); slow lets the transient pass.";
        release_ms: f32 = 120.0, "Release", Milliseconds, 5.0 ..= 2000.0, Fine, "Time to open again (63 % of the way).";
        makeup_db: f32 = 0.0, "Gain after", Decibels, -12.0 ..= 36.0, Linear, "Lifts what was held down.";
    }
}

#[cfg(test)]
mod tests {
    use super::Tone;

    #[test]
    fn a_chain_from_before_dips_had_an_amount_hears_them_whole() {
        let tone: Tone =
            serde_json::from_str(r#"{"dips": [{"on": true, "hz": 440.0, "gain_db": -6.0}]}"#).unwrap();
        assert_eq!((tone.dips.len(), tone.dip_amount), (1, 1.0));
    }
}
