//! The peaks of a long spectrum, interpolated.

use crate::{
    spectrum::{Planner, RealFft, hann, parabolic_peak},
    units::{db_to_power, power_to_db},
};

/// Lowest and highest frequency of a peak, Hz.
const PEAK_RANGE_HZ: [f64; 2] = [27.0, 6000.0];
/// Peaks further below the strongest are left out, dB.
const PEAK_DEPTH_DB: f32 = 45.0;
/// Peaks that are kept at most, the strongest.
const MAX_PEAKS: usize = 12;
/// The transform is at least this many times as long as the sound; zeros fill it.
const PADDING: usize = 2;

/// One peak of a spectrum.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peak {
    /// Frequency, Hz.
    pub hz: f64,
    /// Level, dB (no absolute meaning).
    pub level_db: f32,
}

/// The strongest peaks of `x`, and the share of the power above 0 Hz that lies in the four strongest, 0 to 1.
pub(super) fn peaks(x: &[f32], rate: f64, planner: &mut Planner) -> (Vec<Peak>, f32) {
    let n = x.len();
    if n < 64 {
        return (Vec::new(), 0.0);
    }
    let size = (n * PADDING).next_power_of_two();
    let mut fft = RealFft::planned(planner, size);
    let mean = x.iter().sum::<f32>() / n as f32;
    for (i, (y, v)) in fft.input.iter_mut().zip(x).enumerate() {
        *y = (v - mean) * hann(i, n);
    }
    let power: Vec<f32> = fft.power().collect();
    let bin_hz = rate / size as f64;
    // Half the width of a Hann window's main lobe, in bins of the padded spectrum.
    let lobe = (2 * size).div_ceil(n);
    let lo = ((PEAK_RANGE_HZ[0] / bin_hz).ceil() as usize).max(1);
    let hi = ((PEAK_RANGE_HZ[1] / bin_hz) as usize).min(power.len() - 1);
    let mut found: Vec<(usize, f32)> = (lo..hi)
        .filter(|&k| {
            let near = &power[k.saturating_sub(lobe / 2)..(k + lobe / 2 + 1).min(power.len())];
            power[k] > 0.0 && near.iter().all(|&p| p <= power[k])
        })
        .map(|k| (k, power[k]))
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found.truncate(MAX_PEAKS);
    let least = found.first().map_or(0.0, |f| f.1 * db_to_power(-PEAK_DEPTH_DB));
    found.retain(|f| f.1 >= least);
    let inside: f32 = found
        .iter()
        .take(4)
        .map(|f| power[f.0.saturating_sub(lobe)..(f.0 + lobe + 1).min(power.len())].iter().sum::<f32>())
        .sum();
    let whole: f32 = power[1..].iter().sum();
    let peaks = found.iter().map(|&(k, p)| {
        let log_power = |k: usize| f64::from(power[k].max(1e-30).ln());
        let (a, b, c) = (log_power(k - 1), log_power(k), log_power(k + 1));
        Peak { hz: (k as f64 + parabolic_peak(a, b, c)) * bin_hz, level_db: power_to_db(p) }
    });
    (peaks.collect(), if whole > 0.0 { (inside / whole).min(1.0) } else { 0.0 })
}
