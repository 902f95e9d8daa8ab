//! The copies around a hit: when each falls, how it is pitched, how loud, how long, which way and where.

use super::draw::Draws;
use crate::kit::{Cloud, Draw, Timing};

/// Copies of one hit at most.
pub const MAX_COPIES: usize = 48;

/// One copy.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Copy {
    /// After the hit, ms.
    pub delay_ms: f64,
    /// Away from the hit's own pitch, semitones.
    pub pitch_st: f64,
    /// Below the hit's own level, dB (0 or less).
    pub level_db: f64,
    /// Share of the hit's own length.
    pub length: f64,
    /// It ends this long after its start at the latest, ms.
    pub limit_ms: f64,
    /// Read against the direction of its layer.
    pub reverse: bool,
    /// Added to the pan of its layer, -1 to 1.
    pub pan: f64,
}

/// Trims on a cloud.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// Times the number of copies.
    pub copies: f64,
    /// Times the spread.
    pub spread: f64,
    /// Times the pitch range.
    pub scatter: f64,
    /// Times the width.
    pub width: f64,
}

/// Number of copies after the trim.
pub fn count(cloud: &Cloud, scale: &Scale) -> usize {
    ((f64::from(cloud.copies) * scale.copies).round() as usize).min(MAX_COPIES)
}

/// Draws the copies of one hit into `out`, in the order of their index; returns how many.
pub fn plan(cloud: &Cloud, scale: &Scale, draws: &mut Draws, out: &mut [Copy; MAX_COPIES]) -> usize {
    let n = count(cloud, scale);
    for (k, copy) in out[..n].iter_mut().enumerate() {
        let (delay_ms, limit_ms) = time(cloud, scale.spread, k, n, draws);
        *copy = Copy {
            delay_ms,
            limit_ms,
            pitch_st: pitch(cloud, scale.scatter, draws),
            level_db: -f64::from(cloud.level_range_db) * draws.unit(),
            length: 1.0 - f64::from(cloud.length_range) * draws.unit(),
            reverse: draws.unit() < f64::from(cloud.reverse_chance),
            pan: (f64::from(cloud.width) * scale.width).min(1.0) * draws.signed(),
        };
    }
    n
}

/// When copy `k` of `n` falls and how long it may last. Each falls into its own of `n` equal shares of
/// a travel from 0 to 1 (so that no two hits bunch by chance alone), which is then bent.
fn time(cloud: &Cloud, spread: f64, k: usize, n: usize, draws: &mut Draws) -> (f64, f64) {
    let spread_ms = f64::from(cloud.spread_ms) * spread;
    let u = draws.unit();
    let x = (k as f64 + u) / n as f64;
    let bent = match cloud.timing {
        // Slightly loosened: the middle half of its share.
        Timing::Even => (k as f64 + 0.25 + 0.5 * u) / n as f64,
        Timing::Early => x * x,
        Timing::Late => 1.0 - (1.0 - x) * (1.0 - x),
        Timing::Bursts => return burst(cloud, spread_ms, k, n, u),
    };
    (bent * spread_ms, f64::INFINITY)
}

/// Bursts: copies take turns between the bursts. All but the last are short (over by the next one);
/// the copies of the last one fall within the spread, dense at first, and ring on.
fn burst(cloud: &Cloud, spread_ms: f64, k: usize, n: usize, u: f64) -> (f64, f64) {
    let bursts = usize::from(cloud.bursts).clamp(1, n);
    let gap = f64::from(cloud.burst_gap_ms);
    let (burst, nth) = (k % bursts, k / bursts);
    let start = burst as f64 * gap;
    if burst + 1 < bursts {
        // Hands never meet at one instant: within a fifth of the gap.
        return (start + 0.2 * gap * u, gap);
    }
    let x = (nth as f64 + u) / (n / bursts).max(1) as f64;
    (start + x * x * spread_ms, f64::INFINITY)
}

fn pitch(cloud: &Cloud, scatter: f64, draws: &mut Draws) -> f64 {
    let range = f64::from(cloud.pitch_st) * scatter;
    let st = match cloud.pitch_draw {
        Draw::Uniform => range * draws.signed(),
        // The range is two standard deviations; beyond three ranges nothing is ever drawn in practice.
        Draw::Gaussian => (0.5 * range * draws.gaussian()).clamp(-3.0 * range, 3.0 * range),
    };
    if cloud.pitch_steps { libm::round(st) } else { st }
}
