//! Feed-forward compression with a soft knee and a smooth decoupled peak detector.
//!
//! D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design: A Tutorial and
//! Analysis", JAES 60(6), 2012: level in dB, static settings (equation 4), smooth decoupled peak detector
//! (equation 17) on the wanted gain reduction, both channels together.

use super::denormal::flush32;
use super::math::log2_fast;

/// dB per octave of amplitude: 20 log10 2.
const DB: f32 = 6.020_6;

/// The static settings: gain in dB (0 or below) at a level in dB (the paper's equation 4 minus its
/// input).
#[inline(always)]
pub fn static_gain_db(level_db: f32, threshold_db: f32, ratio: f32, knee_db: f32) -> f32 {
    let over = level_db - threshold_db;
    let slope = 1.0 / ratio - 1.0;
    let half = knee_db / 2.0;
    if over <= -half {
        0.0
    } else if over < half {
        // Inside the knee, which is wider than 0 here.
        slope * (over + half) * (over + half) / (2.0 * knee_db)
    } else {
        slope * over
    }
}

/// Settings of a compressor; times in ms, levels in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompressorSettings {
    /// Level above which gain is reduced, dBFS.
    pub threshold_db: f32,
    /// Ratio, N : 1; 1 or above.
    pub ratio: f32,
    /// Width of the knee.
    pub knee_db: f32,
    /// Time until 63 % of a step of the reduction is reached.
    pub attack_ms: f32,
    /// Time until 63 % of a step back is reached.
    pub release_ms: f32,
}

impl From<&crate::kit::Compressor> for CompressorSettings {
    fn from(c: &crate::kit::Compressor) -> Self {
        Self {
            threshold_db: c.threshold_db,
            ratio: c.ratio.max(1.0),
            knee_db: c.knee_db,
            attack_ms: c.attack_ms,
            release_ms: c.release_ms,
        }
    }
}

/// A compressor for two channels that share their gain.
#[derive(Debug, Clone, Copy)]
pub struct Compressor {
    sample_rate: f64,
    settings: CompressorSettings,
    attack: f32,
    release: f32,
    /// Detector, dB of reduction: held peak and its smoothed form.
    peak_db: f32,
    smooth_db: f32,
    /// Largest reduction since it was last taken, dB.
    max_db: f32,
}

impl Compressor {
    /// Without reduction, at `sample_rate` Hz.
    pub fn new(settings: CompressorSettings, sample_rate: f64) -> Self {
        let mut new = Self {
            sample_rate,
            settings,
            attack: 0.0,
            release: 0.0,
            peak_db: 0.0,
            smooth_db: 0.0,
            max_db: 0.0,
        };
        new.set_times();
        new
    }

    /// Takes new settings; the current reduction is kept.
    pub fn set(&mut self, settings: CompressorSettings) {
        let times = (self.settings.attack_ms, self.settings.release_ms);
        self.settings = settings;
        if times != (settings.attack_ms, settings.release_ms) {
            self.set_times();
        }
    }

    fn set_times(&mut self) {
        let attack = f64::from(self.settings.attack_ms);
        let release = release_pole_ms(attack, f64::from(self.settings.release_ms));
        self.attack = super::math::one_pole(attack, self.sample_rate) as f32;
        self.release = super::math::one_pole(release, self.sample_rate) as f32;
    }

    /// Writes the gain reduction (dB, 0 or above) for each frame of `left` and `right`.
    pub fn reductions_db(&mut self, left: &[f32], right: &[f32], out: &mut [f32]) {
        let CompressorSettings { threshold_db, ratio, knee_db, .. } = self.settings;
        for ((l, r), g) in left.iter().zip(right).zip(out.iter_mut()) {
            let level = l.abs().max(r.abs()).max(1e-10);
            *g = -static_gain_db(DB * log2_fast(level), threshold_db, ratio, knee_db);
        }
        let (mut peak, mut smooth) = (self.peak_db, self.smooth_db);
        for g in out.iter_mut() {
            peak = flush32(g.max(self.release * peak + (1.0 - self.release) * *g));
            smooth = flush32(self.attack * smooth + (1.0 - self.attack) * peak);
            *g = smooth;
            self.max_db = self.max_db.max(smooth);
        }
        (self.peak_db, self.smooth_db) = (peak, smooth);
    }

    /// Largest gain reduction since the last call, dB, 0 or above.
    pub fn take_reduction_db(&mut self) -> f32 {
        std::mem::take(&mut self.max_db)
    }

    /// Removes all reduction at once.
    pub fn reset(&mut self) {
        (self.peak_db, self.smooth_db, self.max_db) = (0.0, 0.0, 0.0);
    }
}

/// Time constant of the release stage such that release and attack stage together reach 63 % after `release_ms`.
/// The decoupled detector releases through both; the paper notes that its release is then longer than stated.
/// 0 when the attack stage alone takes that long.
fn release_pole_ms(attack_ms: f64, release_ms: f64) -> f64 {
    let left_after = |pole: f64| {
        if (pole - attack_ms).abs() < 1e-6 * release_ms {
            let x = release_ms / attack_ms;
            return (1.0 + x) * libm::exp(-x);
        }
        let part = |t: f64| if t > 0.0 { t * libm::exp(-release_ms / t) } else { 0.0 };
        (part(pole) - part(attack_ms)) / (pole - attack_ms)
    };
    let wanted = libm::exp(-1.0);
    let (mut low, mut high) = (0.0, release_ms);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if left_after(middle) > wanted {
            high = middle;
        } else {
            low = middle;
        }
    }
    low
}
