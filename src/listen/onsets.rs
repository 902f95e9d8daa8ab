//! Where hits begin, to within a few milliseconds: multi-band spectral flux, adaptive threshold.

use super::spectrogram::{MAX_BANDS, Spectrogram};

/// Frames between a level and the past it is compared with: almost a window, so they hardly overlap.
const GAP: usize = 3;
/// How far one band's rise counts, dB: beyond it a band only says "yes" louder.
const RISE_CAP_DB: f32 = 18.0;

/// Steady level of each band: the noise floor, the power that a band exceeds nine tenths of the time.
pub(super) fn noise_floor(s: &Spectrogram) -> [f32; MAX_BANDS] {
    let mut floor = [1e-12f32; MAX_BANDS];
    let mut column = Vec::new();
    for b in 0..s.bands {
        column.clear();
        column.extend(s.power.iter().step_by(1 + s.power.len() / 20_000).map(|p| p[b]));
        let at = column.len() / 10;
        let (_, &mut value, _) = column.select_nth_unstable_by(at, f32::total_cmp);
        floor[b] = value.max(1e-12);
    }
    floor
}

/// Frames at which hits begin, in order. `sensitivity` is -1 (fewer) to 1 (more).
pub(super) fn pick(s: &Spectrogram, sensitivity: f32) -> Vec<usize> {
    let floor = noise_floor(s);
    let flux = flux(s, &floor);
    let threshold = 3.0 * (-sensitivity.clamp(-1.0, 1.0)).exp2();
    let mut picked: Vec<usize> = Vec::new();
    for t in 0..flux.len() {
        let around = &flux[t.saturating_sub(5)..(t + 6).min(flux.len())];
        let highest = around.iter().all(|&v| v <= flux[t]);
        if flux[t] >= threshold && highest && picked.last().is_none_or(|&p| t >= p + 6) {
            picked.push(t);
        }
    }
    picked
}

/// Mean rise over the bands in dB, each against the highest of its recent past.
fn flux(s: &Spectrogram, floor: &[f32; MAX_BANDS]) -> Vec<f32> {
    let levels: Vec<[f32; MAX_BANDS]> = s
        .power
        .iter()
        .map(|p| {
            std::array::from_fn(|b| if b < s.bands { 10.0 * (p[b] + 4.0 * floor[b]).log10() } else { 0.0 })
        })
        .collect();
    let quiet: [f32; MAX_BANDS] = std::array::from_fn(|b| 10.0 * (5.0 * floor[b]).log10());
    // Low bands wobble with the cycle of a low note: they look back for one whole cycle of 40 Hz.
    let memory: Vec<usize> = s.centres_hz.iter().map(|&hz| if hz < 400.0 { 8 } else { 4 }).collect();
    (0..levels.len())
        .map(|t| {
            let mut sum = 0.0;
            for b in 0..s.bands {
                let past = (GAP..GAP + memory[b])
                    .map(|k| if t >= k { levels[t - k][b] } else { quiet[b] })
                    .fold(f32::MIN, f32::max);
                sum += (levels[t][b] - past).clamp(0.0, RISE_CAP_DB);
            }
            sum / s.bands.max(1) as f32
        })
        .collect()
}
