//! Candidates for onsets: peaks of a spectral flux over bands.
//!
//! Each band's level is compared with its highest in the recent past, above a floor that comes from the take's own
//! noise. There are far more candidates than hits; the onset classifier decides.
//!
//! The figures were fitted by trial to the recordings that `tests/SCORES.md` names.

use super::{
    evidence::Evidence,
    spectrogram::{MAX_BANDS, Spectrogram},
};
use crate::units::power_to_db;

/// Frames between a level and the near past it is compared with: almost a window, so that they hardly overlap.
const NEAR_GAP: usize = 3;
/// Frames between a level and the far past, for attacks slower than a window.
const FAR_GAP: usize = 8;
/// Weight of a rise over the far past against one over the near past.
const FAR_SHARE: f32 = 0.6;
/// Frames of past whose highest level counts; more where a cycle of the sound is longer than a window.
const MEMORY: usize = 6;
const LOW_MEMORY: usize = 8;
const LOW_HZ: f32 = 400.0;
/// A band's rise counts up to this, dB, so that one band cannot outvote the others.
const RISE_CAP_DB: f32 = 18.0;
/// This many times the noise power is added before levels are taken, so that the noise's fluctuation stays small.
const NOISE_GUARD: f32 = 6.0;
/// The highest power of noise in a narrow band, among a few frames, over its quietest tenth: a power in one
/// bin is exponentially distributed, 0.1 of its mean at the tenth and 3 times its mean at the highest of ten.
const FLUCTUATION: f32 = 30.0;
/// Upper edges of four regions of the spectrum, Hz: a hit may sound in one of them alone.
const REGION_EDGES_HZ: [f32; 4] = [480.0, 1350.0, 4500.0, f32::INFINITY];
/// Weight of the best region's rise against the rise of the whole.
const REGION_SHARE: f32 = 0.6;
/// Smallest rise that makes a candidate, dB.
const MIN_RISE_DB: f32 = 1.5;
/// Smallest evidence that makes a candidate in a noisy take, dB.
const MIN_EVIDENCE_DB: f32 = 8.0;
/// A candidate is the highest within this many frames on either side.
const PEAK_REACH: usize = 4;

/// The dip between two candidates is measured when they are closer than this, frames.
const DIP_FRAMES: usize = 50;
/// Dips count up to this, dB.
const MAX_DIP_DB: f32 = 20.0;
/// Frames of past that novelty is measured against: 100 ms.
const NOVELTY_FRAMES: usize = 38;
/// Frames on either side in which neighbours are counted: 60 ms.
const NEIGHBOUR_FRAMES: usize = 21;

/// A candidate for an onset, with what speaks for and against it.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    /// Frame of the steepest rise.
    pub frame: usize,
    /// Mean rise of all bands over the near past, dB.
    pub near_db: f32,
    /// Mean rise of all bands over the far past, dB.
    pub far_db: f32,
    /// Mean rise of each region, the greatest first, dB.
    pub regions_db: [f32; 4],
    /// Level of the attack over the take's noise floor, dB.
    pub over_floor_db: f32,
    /// Level of the attack over the loudest of the last fifth of a second, dB.
    pub over_recent_db: f32,
    /// Level of the attack over the loudest of the last 40 ms, dB.
    pub over_before_db: f32,
    /// Level of the 25 ms that follow the attack over the loudest of the last 40 ms, dB.
    pub lasting_db: f32,
    /// How far the level dips between the candidate before and this one, dB below the lesser of the two.
    pub dip_db: f32,
    /// Candidates within 60 ms on either side.
    pub neighbours: usize,
    /// Mean rise of all bands over the highest of each in the last 100 ms, dB: low for the grains of a scratch, high
    /// for the strokes of a roll.
    pub novelty_db: f32,
    /// Mean level of the 55 ms that follow over that of the 70 ms before, dB.
    pub step_db: f32,
    /// Change of level over the 80 ms before, dB: positive in a swell, negative in a decay.
    pub drift_db: f32,
    /// How far the loudest of the 100 ms that follow stands above the attack, dB.
    pub outdone_db: f32,
    /// In a noisy take only.
    pub in_noise: Option<InNoise>,
}

/// What speaks for a candidate in noise (see [`Evidence`]), dB.
#[derive(Debug, Clone, Copy)]
pub(super) struct InNoise {
    /// Evidence for an attack.
    pub attack_db: f32,
    /// Evidence for a sound that lasts.
    pub lasting_db: f32,
    /// Mean rise of all bands.
    pub rise_db: f32,
    /// Mean rise of the three bands that rise the most.
    pub best_db: f32,
}

/// Candidates in order of time; in a noisy take they are peaks of the evidence instead of the rise.
pub(super) fn candidates(s: &Spectrogram, noisy: bool) -> Vec<Candidate> {
    let floor = noise_floor(s);
    let rises = rises(s, &floor);
    let evidence = noisy.then(|| Evidence::of(s, &floor));
    let (curve, least) = match &evidence {
        Some(evidence) => (evidence.curve(), MIN_EVIDENCE_DB),
        None => (rises.iter().map(|r| r.sum).collect(), MIN_RISE_DB),
    };
    let total: Vec<f32> = s.power.iter().map(|p| power_to_db(p.iter().sum::<f32>() + 1e-12)).collect();
    let floor_db = power_to_db(floor[..s.bands].iter().sum::<f32>());
    let mut found: Vec<Candidate> = Vec::new();
    // The cut of a sound that rings at the end of the take is no hit.
    let whole = (s.length.saturating_sub(s.window / 2) / s.hop + 1).max(3);
    for (t, rise) in rises.iter().enumerate().take(whole) {
        let around = &curve[t.saturating_sub(PEAK_REACH)..(t + PEAK_REACH + 1).min(rises.len())];
        let highest = curve[t] >= least && around.iter().all(|&v| v <= curve[t]);
        if !highest || found.last().is_some_and(|c| t < c.frame + PEAK_REACH) {
            continue;
        }
        let loudest = |from: usize, to: usize, least: f32| {
            total[from.min(total.len())..to.min(total.len())].iter().copied().fold(least, f32::max)
        };
        let mean = |from: usize, to: usize| {
            let part = &total[from.min(total.len())..to.min(total.len())];
            let sum: f32 = part.iter().map(|&db| db.max(floor_db)).sum();
            if part.is_empty() { floor_db } else { sum / part.len() as f32 }
        };
        let peak = loudest(t, t + 8, -200.0);
        let before = loudest(t.saturating_sub(14), t.saturating_sub(4), floor_db);
        let after = &total[(t + 6).min(total.len())..(t + 14).min(total.len())];
        let after = if after.is_empty() { before } else { after.iter().sum::<f32>() / after.len() as f32 };
        let dip_db = found.last().filter(|c| t - c.frame < DIP_FRAMES).map_or(MAX_DIP_DB, |c| {
            let between = &total[c.frame..=t];
            let lowest = between.iter().copied().fold(f32::MAX, f32::min);
            let first = loudest(c.frame, (c.frame + 6).min(t), -200.0);
            (first.min(peak) - lowest).clamp(0.0, MAX_DIP_DB)
        });
        let mut regions_db = rise.regions;
        regions_db.sort_by(|a, b| b.total_cmp(a));
        found.push(Candidate {
            frame: t,
            near_db: rise.near,
            far_db: rise.far,
            regions_db,
            over_floor_db: peak - floor_db,
            over_recent_db: peak - loudest(t.saturating_sub(80), t.saturating_sub(4), floor_db),
            over_before_db: peak - before,
            lasting_db: after - before,
            dip_db,
            neighbours: 0,
            novelty_db: novelty(s, &floor, t),
            step_db: mean(t + 4, t + 24) - mean(t.saturating_sub(30), t.saturating_sub(4)),
            drift_db: mean(t.saturating_sub(12), t.saturating_sub(4))
                - mean(t.saturating_sub(34), t.saturating_sub(22)),
            outdone_db: loudest(t + 8, t + 46, peak) - peak,
            in_noise: evidence.as_ref().map(|e| {
                let [rise_db, best_db] = e.rises_db(t);
                InNoise { attack_db: curve[t], lasting_db: e.lasting(t), rise_db, best_db }
            }),
        });
    }
    let frames: Vec<usize> = found.iter().map(|c| c.frame).collect();
    for c in &mut found {
        let near = |f: usize| frames.partition_point(|&x| x < f);
        c.neighbours = near(c.frame + NEIGHBOUR_FRAMES) - near(c.frame.saturating_sub(NEIGHBOUR_FRAMES)) - 1;
    }
    found
}

/// Mean rise of all bands around frame `t` over the highest of each in [`NOVELTY_FRAMES`] before, dB.
fn novelty(s: &Spectrogram, floor: &[f32; MAX_BANDS], t: usize) -> f32 {
    let highest = |from: usize, to: usize, b: usize| {
        let part = &s.power[from.min(s.power.len())..to.min(s.power.len())];
        part.iter().map(|p| p[b]).fold(0.0f32, f32::max)
    };
    let rises = (0..s.bands).map(|b| {
        let now = highest(t, t + 5, b) + NOISE_GUARD * floor[b];
        let past = highest(t.saturating_sub(NOVELTY_FRAMES), t.saturating_sub(3), b) + NOISE_GUARD * floor[b];
        power_to_db(now / past).clamp(0.0, RISE_CAP_DB)
    });
    rises.sum::<f32>() / s.bands.max(1) as f32
}

/// Rises of one frame over its past, dB.
#[derive(Debug, Clone, Copy, Default)]
struct Rise {
    near: f32,
    far: f32,
    regions: [f32; 4],
    /// What candidates are picked by.
    sum: f32,
}

fn rises(s: &Spectrogram, floor: &[f32; MAX_BANDS]) -> Vec<Rise> {
    let n = s.bands;
    // Before the take began there was its noise, which fluctuates far above its quietest tenth.
    let quiet: [f32; MAX_BANDS] =
        std::array::from_fn(|b| power_to_db((FLUCTUATION + NOISE_GUARD) * floor[b]));
    let lead = FAR_GAP + LOW_MEMORY;
    let mut levels = vec![quiet; lead];
    levels.extend(s.power.iter().map(|p| -> [f32; MAX_BANDS] {
        std::array::from_fn(|b| if b < n { power_to_db(p[b] + NOISE_GUARD * floor[b]) } else { 0.0 })
    }));
    let memory: Vec<usize> =
        s.centres_hz.iter().map(|&hz| if hz < LOW_HZ { LOW_MEMORY } else { MEMORY }).collect();
    let region: Vec<usize> =
        s.centres_hz.iter().map(|&hz| REGION_EDGES_HZ.iter().position(|&e| hz < e).unwrap_or(3)).collect();

    (lead..levels.len())
        .map(|t| {
            let mut rise = Rise::default();
            let (mut sums, mut counts) = ([0.0f32; 4], [0.0f32; 4]);
            for b in 0..n {
                let highest = |gap: usize| {
                    levels[t + 1 - gap - memory[b]..t + 1 - gap].iter().map(|l| l[b]).fold(f32::MIN, f32::max)
                };
                let near = (levels[t][b] - highest(NEAR_GAP)).clamp(0.0, RISE_CAP_DB);
                // Only what still grows: after a sharp attack the far past stays low for a while.
                let growing = levels[t + 1 - FAR_GAP..t].iter().all(|l| l[b] <= levels[t][b] + 0.5);
                let far =
                    if growing { (levels[t][b] - highest(FAR_GAP)).clamp(0.0, RISE_CAP_DB) } else { 0.0 };
                rise.near += near / n as f32;
                rise.far += far / n as f32;
                sums[region[b]] += near.max(FAR_SHARE * far);
                counts[region[b]] += 1.0;
            }
            rise.regions = std::array::from_fn(|r| sums[r] / counts[r].max(2.0));
            let best = rise.regions.iter().copied().fold(0.0, f32::max);
            rise.sum = (sums.iter().sum::<f32>() / n.max(1) as f32).max(REGION_SHARE * best);
            rise
        })
        .collect()
}

/// Steady power of each band: what it exceeds nine tenths of the time.
fn noise_floor(s: &Spectrogram) -> [f32; MAX_BANDS] {
    let mut floor = [1e-12f32; MAX_BANDS];
    let mut column = Vec::new();
    for (b, floor) in floor.iter_mut().enumerate().take(s.bands) {
        column.clear();
        column.extend(s.power.iter().step_by(1 + s.power.len() / 20_000).map(|p| p[b]));
        let at = column.len() / 10;
        let (_, &mut value, _) = column.select_nth_unstable_by(at, f32::total_cmp);
        *floor = value.max(1e-12);
    }
    floor
}
