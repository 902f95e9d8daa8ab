//! The live spectrum of a pad, from the engine's latest output.

use super::spectrum::{Levels, SHOWN_BANDS, band_power};
use kitwright_core::{
    engine::{Meters, ScopeSource},
    spectrum::{RealFft, hann_periodic},
    units::power_to_db,
};

/// Frames of one spectrum: 171 ms at 48 kHz.
const LIVE_FRAMES: usize = 8192;
/// How fast a band falls, dB a second.
const BAND_FALL: f32 = 30.0;
/// How fast the reference level for the bands falls, dB a second.
const TOP_FALL: f32 = 6.0;
/// Lowest level that is shown, dB of full scale.
const SILENCE_DB: f32 = -100.0;

/// The live spectrum of one pad.
pub struct LiveSpectrum {
    fft: RealFft,
    window: Vec<f32>,
    frames: Vec<[f32; 2]>,
    /// Held levels, dB of full scale.
    held: Levels,
    top_db: f32,
    time: f64,
    written: Option<u64>,
}

impl std::fmt::Debug for LiveSpectrum {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LiveSpectrum").field("top_db", &self.top_db).finish_non_exhaustive()
    }
}

impl Default for LiveSpectrum {
    fn default() -> Self {
        // A Hann window, scaled so that a sine of full scale gives 0 dB.
        let window = (0..LIVE_FRAMES)
            .map(|i| hann_periodic(i, LIVE_FRAMES) as f32 * 4.0 / LIVE_FRAMES as f32)
            .collect();
        Self {
            window,
            frames: vec![[0.0; 2]; LIVE_FRAMES],
            fft: RealFft::new(LIVE_FRAMES),
            held: [SILENCE_DB; SHOWN_BANDS],
            top_db: SILENCE_DB,
            time: 0.0,
            written: None,
        }
    }
}

impl LiveSpectrum {
    /// Makes `pad` the source and reads its latest frames at `now` seconds. Levels are in dB below the strongest band
    /// of the last moments; `None` while the pad is silent.
    pub fn follow(&mut self, meters: &Meters, pad: usize, now: f64) -> Option<Levels> {
        let source = ScopeSource::Pad(pad);
        if meters.scope.source() != source {
            meters.scope.listen(source);
            self.held = [SILENCE_DB; SHOWN_BANDS];
            self.top_db = SILENCE_DB;
        }
        let passed = ((now - self.time) as f32).clamp(0.0, 0.25);
        self.time = now;
        self.held.iter_mut().for_each(|h| *h = (*h - BAND_FALL * passed).max(SILENCE_DB));
        self.top_db = (self.top_db - TOP_FALL * passed).max(SILENCE_DB);
        let written = meters.scope.latest(&mut self.frames);
        if written.is_some() && written != self.written {
            self.written = written;
            self.measure(meters.scope.sample_rate());
        }
        let strongest = self.held.iter().copied().fold(SILENCE_DB, f32::max);
        self.top_db = self.top_db.max(strongest);
        (strongest > SILENCE_DB + 10.0).then(|| self.held.map(|h| h - self.top_db))
    }

    fn measure(&mut self, rate: f64) {
        for ((sample, [left, right]), window) in self.fft.input.iter_mut().zip(&self.frames).zip(&self.window)
        {
            *sample = (left + right) * 0.5 * window;
        }
        let power = band_power(self.fft.transform(), rate / LIVE_FRAMES as f64);
        for (held, power) in self.held.iter_mut().zip(power) {
            *held = held.max(power_to_db(power.max(1e-20)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::{
        engine::{Engine, PlayKit},
        kit::{Kit, Slice, TakeEntry},
        take::Take,
    };
    use std::sync::Arc;

    /// A kit whose first pad plays a tone.
    fn tone_kit(hz: f32) -> Kit {
        let tone: Vec<f32> =
            (0..96_000).map(|i| 0.5 * (i as f32 * hz / 48_000.0 * std::f32::consts::TAU).sin()).collect();
        let take = Arc::new(Take::from_samples("t", 48_000, vec![tone]));
        let mut kit = Kit::default();
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        kit.takes.push(take);
        let slice = Slice { take: 0, start: 0, end: 96_000, gain_db: 0.0, velocities: [0.0, 1.0] };
        kit.doc.pads[0].slices.push(slice);
        kit
    }

    #[test]
    fn a_tone_shows_in_its_band_then_falls_and_ends() {
        let mut engine = Engine::new(48_000.0);
        engine.set_kit(Arc::new(PlayKit::new(Arc::new(tone_kit(1000.0)), 48_000.0)));
        let meters = engine.meters();
        let mut live = LiveSpectrum::default();
        assert_eq!(live.follow(&meters, 0, 0.0), None, "nothing sounds yet");
        engine.note_on(engine_note(), 1.0);
        for _ in 0..64 {
            engine.render(256);
        }
        let levels = live.follow(&meters, 0, 0.1).expect("it sounds");
        let band = ((1000.0_f64 / 20.0).ln() / 1000.0_f64.ln() * SHOWN_BANDS as f64) as usize;
        let strongest = (0..SHOWN_BANDS).max_by(|&a, &b| levels[a].total_cmp(&levels[b])).expect("bands");
        assert!(strongest.abs_diff(band) <= 1, "band {strongest}, not {band}");
        assert!(levels[band + 10] < -40.0 && levels[band - 10] < -40.0);
        let later = live.follow(&meters, 0, 0.2).expect("it falls slowly");
        assert!(later[strongest] < levels[strongest]);
        for i in 0..100 {
            live.follow(&meters, 0, 0.2 + f64::from(i) * 0.2);
        }
        assert_eq!(live.follow(&meters, 0, 30.0), None, "old frames are shown once");
    }

    fn engine_note() -> u8 {
        Kit::default().doc.pads[0].note
    }
}
