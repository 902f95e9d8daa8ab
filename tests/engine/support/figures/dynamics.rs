//! Compressors against the published formula and their times; ceilings against two meters.

use kitwright_core::{
    engine::dsp::{
        ceiling::Ceiling,
        compressor::{Compressor, CompressorSettings, static_gain_db},
    },
    units::{db_to_gain, gain_to_db},
};
use std::f64::consts::TAU;

/// Hz.
pub const RATE: f64 = 48_000.0;

fn curve() -> CompressorSettings {
    CompressorSettings { threshold_db: -20.0, ratio: 4.0, knee_db: 6.0, attack_ms: 10.0, release_ms: 100.0 }
}

/// Giannoulis, Massberg, Reiss (2012), equation 4, written out as printed.
fn published(x: f64, t: f64, r: f64, w: f64) -> f64 {
    if 2.0 * (x - t) < -w {
        x
    } else if 2.0 * (x - t).abs() <= w && w > 0.0 {
        x + (1.0 / r - 1.0) * (x - t + w / 2.0).powi(2) / (2.0 * w)
    } else {
        t + (x - t) / r
    }
}

/// Greatest distance from the formula, dB: of the curve itself, and of the whole compressor on steady levels.
pub fn static_curve() -> (f64, f64) {
    let mut worst = (0.0_f64, 0.0_f64);
    for knee in [0.0, 6.0, 24.0] {
        for ratio in [1.0, 2.0, 4.0, 20.0] {
            for level in -80..=12 {
                let level = f64::from(level);
                let exact = published(level, -20.0, ratio, knee);
                let gain = f64::from(static_gain_db(level as f32, -20.0, ratio as f32, knee as f32));
                let c = CompressorSettings {
                    ratio: ratio as f32,
                    knee_db: knee as f32,
                    attack_ms: 1.0,
                    ..curve()
                };
                let x = vec![db_to_gain(level as f32); 4800];
                let mut reductions = vec![0.0; 4800];
                Compressor::new(c, RATE).reductions_db(&x, &x, &mut reductions);
                let made = level - f64::from(reductions[4799]);
                worst = (worst.0.max((level + gain - exact).abs()), worst.1.max((made - exact).abs()));
            }
        }
    }
    worst
}

/// Frames until 63 % of the way from the first to the last reduction (dB) is done.
fn frames_to_63(reductions: &[f64]) -> usize {
    let (from, to) = (reductions[0], *reductions.last().unwrap());
    let target = from + (to - from) * (1.0 - (-1f64).exp());
    reductions.iter().position(|x| (x - target) * (to - from).signum() >= 0.0).unwrap()
}

/// Greatest distance of attacks and releases from what is stated, as a share of it, apart from the frame that
/// counting frames may be off by.
pub fn times() -> f64 {
    let mut worst = 0.0_f64;
    for rate in [44_100.0, 48_000.0, 192_000.0] {
        for (attack, release) in [(10.0f32, 100.0f32), (25.0, 120.0), (0.5, 50.0), (60.0, 150.0)] {
            let c = CompressorSettings { attack_ms: attack, release_ms: release, ..curve() };
            let mut compressor = Compressor::new(c, rate);
            let n = rate as usize * 2;
            let mut step = |level: f32| {
                let x = vec![level; n];
                let mut reductions = vec![0.0; n];
                compressor.reductions_db(&x, &x, &mut reductions);
                reductions.into_iter().map(f64::from).collect::<Vec<_>>()
            };
            step(0.001);
            for (level, stated) in [(1.0, attack), (0.001, release)] {
                let made = frames_to_63(&step(level)) as f64 / rate * 1000.0;
                let off = ((made - f64::from(stated)).abs() - 1000.0 / rate).max(0.0);
                worst = worst.max(off / f64::from(stated));
            }
        }
    }
    worst
}

/// Pseudo-random numbers within ±1.
pub fn noise(seed: u32) -> impl FnMut() -> f32 {
    let mut s = seed;
    move || {
        s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (s >> 8) as f32 / 8_388_608.0 - 1.0
    }
}

/// True peak at 16 times the rate by a long windowed sinc, dBTP. Its window is written out here, since the kernels of
/// the engine are what it checks.
pub fn true_peak_16(x: &[f32]) -> f64 {
    const SIDE: i64 = 32;
    let mut peak = 0.0f64;
    for phase in 0..16 {
        let taps: Vec<f64> = (-SIDE + 1..=SIDE)
            .map(|k| {
                let t = k as f64 - f64::from(phase) / 16.0;
                let w = (TAU / 4.0 * t / SIDE as f64).cos().powi(2);
                if t == 0.0 { 1.0 } else { (TAU / 2.0 * t).sin() / (TAU / 2.0 * t) * w }
            })
            .collect();
        for i in 0..x.len() {
            let y: f64 = taps
                .iter()
                .zip(-SIDE + 1..=SIDE)
                .map(|(h, k)| {
                    let at = i as i64 + k;
                    if at < 0 { 0.0 } else { h * f64::from(x.get(at as usize).copied().unwrap_or(0.0)) }
                })
                .sum();
            peak = peak.max(y.abs());
        }
    }
    gain_to_db(peak)
}

/// True peak at 4 times the rate by an independent meter, dBTP.
pub fn true_peak_ebur128(l: &[f32], r: &[f32], rate: u32) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, rate, ebur128::Mode::TRUE_PEAK).unwrap();
    meter.add_frames_planar_f32(&[l, r]).unwrap();
    let peak = meter.true_peak(0).unwrap().max(meter.true_peak(1).unwrap());
    gain_to_db(peak)
}

/// True peak by the interpolating filter that ITU-R BS.1770-5 tabulates (annex 2; 48 taps in four phases, of which the
/// last two are the first two turned round), dBTP.
pub fn true_peak_bs1770(x: &[f32]) -> f64 {
    const PHASES: [[f64; 12]; 2] = [
        [
            0.001_708_984_375,
            0.010_986_328_125,
            -0.019_653_320_312_5,
            0.033_203_125,
            -0.059_448_242_187_5,
            0.137_329_101_562_5,
            0.972_167_968_75,
            -0.102_294_921_875,
            0.047_607_421_875,
            -0.026_611_328_125,
            0.014_892_578_125,
            -0.008_300_781_25,
        ],
        [
            -0.029_174_804_687_5,
            0.029_296_875,
            -0.051_757_812_5,
            0.089_111_328_125,
            -0.166_503_906_25,
            0.465_087_890_625,
            0.779_785_156_25,
            -0.200_317_382_812_5,
            0.101_562_5,
            -0.058_227_539_062_5,
            0.033_081_054_687_5,
            -0.018_920_898_437_5,
        ],
    ];
    let padded = [&[0.0; 12][..], x, &[0.0; 12]].concat();
    let mut peak = 0.0_f64;
    for window in padded.windows(12) {
        for phase in &PHASES {
            let forwards: f64 = window.iter().zip(phase).map(|(x, h)| f64::from(*x) * h).sum();
            let backwards: f64 = window.iter().rev().zip(phase).map(|(x, h)| f64::from(*x) * h).sum();
            peak = peak.max(forwards.abs()).max(backwards.abs());
        }
    }
    gain_to_db(peak)
}

/// Kinds of [`stress_material`].
pub const STRESS_KINDS: usize = 12;

/// Material that is hard to limit: bursts of tones that start at their worst phase, noise, clicks,
/// square waves, and low tones.
pub fn stress_material(kind: usize, frames: usize, rate: f64) -> Vec<f32> {
    let mut n = noise(kind as u32 + 1);
    (0..frames)
        .map(|i| {
            let since = i % 700;
            let t = since as f64;
            let level = 4.0;
            let x = match kind {
                0 => (TAU / 4.0 * t + TAU / 8.0).sin(),
                1 => (TAU * 11_000.0 / rate * t + 0.7).sin(),
                2 => (TAU * 17_000.0 / rate * t + 0.3).sin(),
                3 => f64::from(n()),
                4 => f64::from(n()).signum(),
                5 => (TAU * 60.0 / rate * i as f64).sin(),
                6 => (TAU * 1000.0 / rate * t).sin().signum(),
                // Half the rate, its sign turned round in the middle: the highest true peak that samples of
                // equal size can have.
                7 => (if i % 2 == 0 { 1.0 } else { -1.0 }) * (if since < 200 { 1.0 } else { -1.0 }),
                // A sweep through everything within the burst.
                8 => (TAU / 4.0 * t * t / 400.0).sin(),
                // Samples that add up as far as they can between two of them: the signs of a sinc.
                9 => (TAU / 2.0 * (t - 199.5)).sin().signum() * (t - 199.5).signum(),
                // Rises over the ceiling within hundreds of frames, far above it at the end.
                10 => (TAU * 5000.0 / rate * t).sin() * (t / 50.0).exp() * 0.02,
                _ => {
                    if since == 0 {
                        1.0
                    } else if since == 1 {
                        -1.0
                    } else {
                        0.0
                    }
                }
            };
            (x * level) as f32 * if since < 400 { 1.0 } else { 0.1 }
        })
        .collect()
}

/// Highest true peak behind a ceiling of -1 dBTP on stress material, dBTP: by ebur128 and by 16 times.
pub fn ceiling() -> (f64, f64) {
    let mut worst = (-100.0f64, -100.0f64);
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        for kind in 0..STRESS_KINDS {
            let (mut l, mut r) =
                (stress_material(kind, 6000, rate), stress_material((kind + 3) % STRESS_KINDS, 6000, rate));
            let mut ceiling = Ceiling::new(-1.0, rate);
            for (l, r) in l.chunks_mut(64).zip(r.chunks_mut(64)) {
                ceiling.process(l, r);
            }
            let by_meter = true_peak_ebur128(&l, &r, rate as u32);
            let own = true_peak_16(&l).max(true_peak_16(&r));
            println!("kind {kind} at {rate}: {by_meter:.3} dBTP by ebur128, {own:.3} by 16 times");
            worst = (worst.0.max(by_meter), worst.1.max(own));
        }
    }
    worst
}
