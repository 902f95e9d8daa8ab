//! Lights of pads that were triggered, and level meters of pads and main output.

use egui::Ui;
use kitwright_core::{kit::PADS, session::Session, units::gain_to_db};
use std::sync::atomic::Ordering;

/// How long a light stays on after a stroke, s.
const LIGHT_SECONDS: f64 = 0.18;
/// How fast a level meter falls, dB a second.
const LEVEL_FALL: f32 = 40.0;
/// Lowest level a meter shows, dB.
const METER_FLOOR_DB: f32 = -48.0;

/// Which pads were triggered a moment ago, and the meters of pads and main output.
#[derive(Debug, Default)]
pub struct Lights {
    strokes: [u32; PADS],
    lit_at: [Option<f64>; PADS],
    peak_db: [f32; PADS],
    main_db: f32,
    /// The pad that was struck last, until it is asked for.
    struck: Option<usize>,
    seen: bool,
    time: f64,
}

impl Lights {
    /// Reads the engine's meters; asks for another frame while anything still moves.
    pub fn follow(&mut self, ui: &Ui, session: &Session) {
        let now = ui.input(|i| i.time);
        let fall = ((now - self.time) as f32).clamp(0.0, 0.2) * LEVEL_FALL;
        self.time = now;
        if !self.seen {
            self.peak_db = [METER_FLOOR_DB; PADS];
            self.main_db = METER_FLOOR_DB;
        }
        let meters = session.meters();
        for pad in 0..PADS {
            let peak =
                meters.as_ref().map_or(0.0, |m| f32::from_bits(m.pad_peak[pad].swap(0, Ordering::Relaxed)));
            self.peak_db[pad] = fallen(self.peak_db[pad], fall, peak);
            let strokes = meters.as_ref().map_or(0, |m| m.pad_triggers[pad].load(Ordering::Acquire));
            // an engine at another sample rate counts from 0 again
            if self.seen && strokes != self.strokes[pad] && strokes != 0 {
                self.lit_at[pad] = Some(now);
                self.struck = Some(pad);
            }
            self.strokes[pad] = strokes;
        }
        let main = meters.as_ref().map_or(0.0, |m| f32::from_bits(m.main_peak.swap(0, Ordering::Relaxed)));
        self.main_db = fallen(self.main_db, fall, main);
        self.seen = true;
        let moving = self.main_db > METER_FLOOR_DB
            || self.peak_db.iter().any(|p| *p > METER_FLOOR_DB)
            || (0..PADS).any(|p| self.is_lit(p));
        if moving {
            ui.ctx().request_repaint_after(std::time::Duration::from_millis(16));
        }
    }

    /// Lights a pad at once: it was triggered in the window.
    pub fn light(&mut self, pad: usize) {
        self.lit_at[pad] = Some(self.time);
    }

    /// The pad that the engine played last, once.
    pub fn take_struck(&mut self) -> Option<usize> {
        self.struck.take()
    }

    /// Whether the pad was triggered a moment ago.
    pub fn is_lit(&self, pad: usize) -> bool {
        self.lit_at[pad].is_some_and(|at| self.time - at < LIGHT_SECONDS)
    }

    /// When the pad was last triggered, egui's time, s.
    pub fn triggered_at(&self, pad: usize) -> Option<f64> {
        self.lit_at[pad]
    }

    /// Level of a pad, dB of full scale.
    pub fn peak_db(&self, pad: usize) -> f32 {
        self.peak_db[pad]
    }

    /// Level of the main output, 0 (nothing) to 1 (full scale).
    pub fn main_share(&self) -> f32 {
        share(self.main_db)
    }
}

/// The reading of a meter that falls by `fall` dB, and rises to `peak` (a gain) at once.
fn fallen(db: f32, fall: f32, peak: f32) -> f32 {
    let now = if peak.is_finite() { gain_to_db(peak) } else { METER_FLOOR_DB };
    (db - fall).max(now).clamp(METER_FLOOR_DB, 6.0)
}

/// Height of a level in a meter, 0 to 1.
pub(super) fn share(db: f32) -> f32 {
    ((db - METER_FLOOR_DB) / -METER_FLOOR_DB).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::engine::Meters;
    use std::sync::Arc;

    #[test]
    fn meters_rise_at_once_and_fall_at_40_db_a_second() {
        assert_eq!(fallen(-6.0, 1.0, 0.0), -7.0);
        assert!((fallen(-40.0, 1.0, 0.5) - -6.02).abs() < 0.01);
        assert_eq!(fallen(-40.0, 1.0, f32::NAN), -41.0);
        assert_eq!(share(0.0), 1.0);
        assert_eq!(share(-48.0), 0.0);
    }

    #[test]
    fn counters_that_begin_anew_light_no_pad() {
        let session = Session::new();
        let mut lights = Lights::default();
        let counts = [3, 4, 0, 1];
        let lit = counts.map(|count| {
            let meters = Arc::new(Meters::default());
            meters.pad_triggers[2].store(count, Ordering::Relaxed);
            session.attach_engine(48_000.0, meters);
            egui::__run_test_ui(|ui| lights.follow(ui, &session));
            lights.take_struck()
        });
        assert_eq!(lit, [None, Some(2), None, Some(2)]);
    }
}
