//! The tone chain: loudness with and without its stages.

use kitwright_core::{
    engine::tone::ToneChain,
    kit::{Band, Character, Compressor, Cut, Limiter, Saturation, Slope, Tone, ToneStage},
    settings::PadTrims,
};
use std::f64::consts::TAU;

/// Hz.
pub const RATE: f64 = 48_000.0;

/// All stages on.
pub fn full() -> Tone {
    let band = |hz, gain_db| Band { on: true, hz, gain_db, q: 1.0 };
    Tone {
        low_cut: Cut { on: true, hz: 40.0, slope: Slope::TwentyFour },
        high_cut: Cut { on: true, hz: 12_000.0, slope: Slope::Twelve },
        limiter: Limiter { on: true, threshold_db: -9.0, release_ms: 60.0, makeup_db: 3.0 },
        saturation: Saturation { on: true, character: Character::Asymmetric, drive_db: 12.0, mix: 0.8 },
        bands: [band(120.0, 4.0), band(900.0, -6.0), band(6000.0, 5.0)],
        dips: vec![band(440.0, -9.0)],
        note_bell: band(100.0, 6.0),
        tilt_db: 2.0,
        punch: Compressor { on: true, threshold_db: -24.0, ..Compressor::default() },
        low_band: Compressor { on: true, threshold_db: -30.0, ..Tone::default().low_band },
        colour: Limiter { on: true, threshold_db: -3.0, ..Limiter::default() },
        ..Tone::default()
    }
}

/// Hits of a low tone and noise, four a second.
pub fn hits(frames: usize, level: f32) -> Vec<f32> {
    let mut seed = 9u32;
    (0..frames)
        .map(|i| {
            let t = (i % 12_000) as f64 / RATE;
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (seed >> 8) as f32 / 8_388_608.0 - 1.0;
            level * ((TAU * 90.0 * t).sin() as f32 + 0.4 * noise) * (-t * 25.0).exp() as f32
        })
        .collect()
}

/// A chain at rest.
pub fn chain(tone: &Tone) -> ToneChain {
    let mut chain = ToneChain::new(RATE);
    chain.set_now(tone, &PadTrims::default(), Some(98.0));
    chain
}

/// A sound in both channels through a chain, without look-ahead.
pub fn process(chain: &mut ToneChain, x: &[f32]) -> Vec<f32> {
    let (mut l, mut r) = (x.to_vec(), x.to_vec());
    chain.process(&mut l, &mut r, [&[], &[]]);
    l
}

/// Integrated loudness of a sound in both channels, LUFS.
pub fn loudness(x: &[f32]) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, RATE as u32, ebur128::Mode::I).unwrap();
    meter.add_frames_planar_f32(&[x, x]).unwrap();
    meter.loudness_global().unwrap()
}

/// A chain in which only this stage is on, and strongly so.
pub fn only(stage: ToneStage) -> Tone {
    let (f, off) = (full(), Tone::default());
    match stage {
        ToneStage::Cuts => Tone { low_cut: Cut { hz: 300.0, ..f.low_cut }, ..off },
        ToneStage::Limiter => {
            Tone { limiter: Limiter { threshold_db: -20.0, makeup_db: 12.0, ..f.limiter }, ..off }
        }
        ToneStage::Saturation => Tone { saturation: f.saturation, ..off },
        ToneStage::Eq => Tone { bands: f.bands, tilt_db: 6.0, ..off },
        ToneStage::Punch => Tone { punch: Compressor { makeup_db: 9.0, ..f.punch }, ..off },
        ToneStage::LowBand => Tone { low_band: f.low_band, ..off },
        ToneStage::Colour => {
            Tone { colour: Limiter { threshold_db: -15.0, makeup_db: 6.0, ..f.colour }, ..off }
        }
    }
}

/// Loudness of each stage and of the whole chain when bypassed, relative to active, LU by ebur128 (ITU-R BS.1770);
/// after four seconds active, as when a player compares.
pub fn bypass() -> Vec<(String, f64)> {
    let x = hits(96_000 * 2, 0.5);
    let mut found = Vec::new();
    for stage in ToneStage::ALL {
        let tone = only(stage);
        let (mut working, mut bypassed) = (chain(&tone), chain(&tone));
        process(&mut working, &x);
        process(&mut bypassed, &x);
        bypassed.bypass(stage, true);
        let (with, without) = (process(&mut working, &x), process(&mut bypassed, &x));
        assert!(with != without);
        found.push((format!("{stage:?}"), loudness(&without) - loudness(&with)));
    }
    let (mut working, mut off) = (chain(&full()), chain(&full()));
    process(&mut working, &x);
    process(&mut off, &x);
    off.set(&full(), &PadTrims { tone: false, ..PadTrims::default() }, Some(98.0));
    let (with, without) = (process(&mut working, &x), process(&mut off, &x));
    found.push(("whole chain".into(), loudness(&without) - loudness(&with)));
    found
}
