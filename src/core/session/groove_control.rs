//! How the groove plays, set by the window and read by the audio thread without locks.

use crate::groove::patterns::{GrooveSettings, Pattern};
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU32, Ordering::Relaxed};

#[derive(Debug)]
pub(super) struct GrooveControl {
    playing: AtomicBool,
    pattern: AtomicU8,
    /// `f32` bits, as the two below.
    swing: AtomicU32,
    density: AtomicU32,
    tempo: AtomicU32,
    /// The host's tempo in the last block, 0 while it does not play.
    host_tempo: AtomicU32,
}

impl Default for GrooveControl {
    fn default() -> Self {
        let control = Self {
            playing: AtomicBool::new(false),
            pattern: AtomicU8::new(0),
            swing: AtomicU32::new(0),
            density: AtomicU32::new(0),
            tempo: AtomicU32::new(0),
            host_tempo: AtomicU32::new(0),
        };
        control.set(GrooveSettings::default());
        control
    }
}

impl GrooveControl {
    pub(super) fn set(&self, settings: GrooveSettings) {
        let pattern = Pattern::ALL.iter().position(|p| *p == settings.pattern).unwrap_or(0);
        self.pattern.store(pattern as u8, Relaxed);
        self.swing.store(settings.swing.to_bits(), Relaxed);
        self.density.store(settings.density.to_bits(), Relaxed);
        self.tempo.store(settings.tempo.to_bits(), Relaxed);
        self.playing.store(settings.playing, Relaxed);
    }

    pub(super) fn get(&self) -> GrooveSettings {
        let number = |bits: &AtomicU32| f32::from_bits(bits.load(Relaxed));
        GrooveSettings {
            playing: self.playing.load(Relaxed),
            pattern: Pattern::ALL[usize::from(self.pattern.load(Relaxed)) % Pattern::ALL.len()],
            swing: number(&self.swing),
            density: number(&self.density),
            tempo: number(&self.tempo),
        }
    }

    pub(super) fn set_host_tempo(&self, tempo: Option<f64>) {
        self.host_tempo.store(tempo.map_or(0.0, |t| t as f32).to_bits(), Relaxed);
    }

    pub(super) fn host_tempo(&self) -> Option<f32> {
        Some(f32::from_bits(self.host_tempo.load(Relaxed))).filter(|t| *t > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_set_is_read_and_a_new_control_does_not_play() {
        let control = GrooveControl::default();
        assert_eq!(control.get(), GrooveSettings::default());
        assert!(!control.get().playing);
        for pattern in Pattern::ALL {
            let settings =
                GrooveSettings { playing: true, pattern, swing: 0.25, density: 0.75, tempo: 133.0 };
            control.set(settings);
            assert_eq!(control.get(), settings);
        }
    }
}
