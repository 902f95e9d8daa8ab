//! Trims: what a player automates. Neutral by default: a fresh kit sounds as it was built.

use super::settings;

settings! {
    /// A pad's trims: changes on top of how the kit document builds the pad.
    pub struct PadTrims, table PAD_TRIMS, count PAD_TRIM_COUNT {
        level_db: f32 = 0.0, "Level", Decibels, -60.0 ..= 12.0, Linear, "Makes the pad louder or softer.";
        pan: f32 = 0.0, "Pan", Pan, -1.0 ..= 1.0, Linear, "Moves the pad between left and right.";
        mute: bool = 0.0, "Mute", Switch, 0.0 ..= 1.0, Linear, "Silences the pad.";
        solo: bool = 0.0, "Solo", Switch, 0.0 ..= 1.0, Linear, "Silences every pad that is not soloed.";
        in_main: bool = 1.0, "In main", Switch, 0.0 ..= 1.0, Linear, "Sends the pad to the main output; its own output always carries it.";
        pitch_st: f32 = 0.0, "Pitch", Semitones, -24.0 ..= 24.0, Linear, "Plays the pad's layers higher or lower.";
        fine_ct: f32 = 0.0, "Fine", Cents, -100.0 ..= 100.0, Linear, "Tunes the pad by hundredths of a semitone.";
        start_ms: f32 = 0.0, "Start", Milliseconds, 0.0 ..= 200.0, Fine, "Starts later in the sound: less attack, more body.";
        attack_ms: f32 = 0.0, "Attack", Milliseconds, 0.0 ..= 500.0, Fine, "Fades the pad in more slowly.";
        length: f32 = 1.0, "Length", Percent, 0.05 ..= 4.0, Logarithmic, "Stretches or shortens hold, decay and release.";
        low_cut_hz: f32 = 20.0, "Low cut", Hertz, 20.0 ..= 8000.0, Logarithmic, "Takes away what lies below; fully down it is off.";
        high_cut_hz: f32 = 20000.0, "High cut", Hertz, 100.0 ..= 20000.0, Logarithmic, "Takes away what lies above; fully up it is off.";
        tilt_db: f32 = 0.0, "Tilt", Decibels, -12.0 ..= 12.0, Linear, "Darker or brighter around 1 kHz.";
        drive_db: f32 = 0.0, "Drive", Decibels, -24.0 ..= 24.0, Linear, "More or less saturation, at equal loudness.";
        punch: f32 = 1.0, "Punch", Percent, 0.0 ..= 2.0, Linear, "How much the slow-attack compressor works.";
        low_hold: f32 = 1.0, "Low hold", Percent, 0.0 ..= 2.0, Linear, "How much the low-band compressor works.";
        copies: f32 = 1.0, "Cloud copies", Percent, 0.0 ..= 4.0, Fine, "Fewer or more copies in the cloud.";
        cloud_db: f32 = 0.0, "Cloud level", Decibels, -60.0 ..= 12.0, Linear, "Level of the copies against the hit itself.";
        spread: f32 = 1.0, "Cloud spread", Percent, 0.0 ..= 4.0, Fine, "Packs the copies tighter or spreads them in time.";
        scatter: f32 = 1.0, "Cloud pitch", Percent, 0.0 ..= 4.0, Fine, "Narrows or widens the pitches of the copies.";
        width: f32 = 1.0, "Width", Percent, 0.0 ..= 2.0, Linear, "Narrows or widens layers and copies between left and right.";
        vary: f32 = 1.0, "Variation", Percent, 0.0 ..= 4.0, Fine, "How much one hit differs from the next.";
        velocity: f32 = 1.0, "Velocity depth", Percent, 0.0 ..= 2.0, Linear, "How much the strength of a stroke changes its sound.";
        tone: bool = 1.0, "Tone", Switch, 0.0 ..= 1.0, Linear, "Switches the pad's whole tone chain.";
    }
}

settings! {
    /// Trims of the whole kit.
    pub struct KitTrims, table KIT_TRIMS, count KIT_TRIM_COUNT {
        level_db: f32 = 0.0, "Kit level", Decibels, -60.0 ..= 12.0, Linear, "Level of the main output, before the ceiling.";
        pitch_st: f32 = 0.0, "Kit pitch", Semitones, -12.0 ..= 12.0, Linear, "Plays every pad higher or lower.";
        vary: f32 = 1.0, "Kit variation", Percent, 0.0 ..= 2.0, Fine, "How much hits differ, over all pads.";
        velocity_curve: f32 = 0.0, "Velocity curve", Percent, -1.0 ..= 1.0, Linear, "Below zero soft strokes come out louder, above zero softer.";
        ceiling_on: bool = 1.0, "Ceiling", Switch, 0.0 ..= 1.0, Linear, "Holds every output below the ceiling level; leave it on.";
        ceiling_db: f32 = -1.0, "Ceiling level", Decibels, -24.0 ..= 0.0, Linear, "Highest true peak that leaves the outputs.";
    }
}

impl KitTrims {
    /// A velocity, 0 to 1, after the velocity curve: to a power from 2^-1.5 to 2^1.5.
    pub(crate) fn curved(&self, velocity: f64) -> f64 {
        libm::pow(velocity, libm::exp2(1.5 * f64::from(self.velocity_curve)))
    }
}
