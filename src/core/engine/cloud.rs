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

#[cfg(test)]
mod tests {
    use super::super::draw::{
        Index, Purpose,
        statistics::{kolmogorov_smirnov, uniform},
    };
    use super::*;

    const PLAIN: Scale = Scale { copies: 1.0, spread: 1.0, scatter: 1.0, width: 1.0 };

    /// One value of the copies of a thousand hits.
    fn draw(cloud: &Cloud, value: impl Fn(&Copy) -> f64) -> Vec<f64> {
        let mut all = Vec::new();
        for hit in 0..1000 {
            let mut copies = [Copy::default(); MAX_COPIES];
            let mut draws = Draws::new(9, 2, Index::Stroke(hit), Purpose::Cloud);
            let n = plan(cloud, &PLAIN, &mut draws, &mut copies);
            all.extend(copies[..n].iter().map(&value));
        }
        all
    }

    #[test]
    fn a_thousand_hits_follow_the_stated_distributions() {
        let cloud = Cloud { copies: 1, pitch_st: 4.0, width: 0.8, spread_ms: 100.0, ..Cloud::default() };
        let fits = |what: &str, sample: Vec<f64>, cdf: &dyn Fn(f64) -> f64| {
            let d = kolmogorov_smirnov(sample, cdf);
            assert!(d < 1.0, "{what}: {d} of the distance allowed");
        };
        fits("pitch", draw(&cloud, |c| c.pitch_st), &uniform(-4.0, 4.0));
        fits("level", draw(&cloud, |c| c.level_db), &uniform(-6.0, 0.0));
        fits("length", draw(&cloud, |c| c.length), &uniform(1.0 - f64::from(0.3_f32), 1.0));
        fits("pan", draw(&cloud, |c| c.pan), &uniform(-0.8, 0.8));
        fits("even", draw(&cloud, |c| c.delay_ms), &uniform(25.0, 75.0));
        // The range is two standard deviations.
        let gaussian = Cloud { pitch_draw: Draw::Gaussian, ..cloud };
        let normal = |x: f64| 0.5 * (1.0 + libm::erf(x / 2.0 / std::f64::consts::SQRT_2));
        fits("gaussian pitch", draw(&gaussian, |c| c.pitch_st), &normal);
        let early = Cloud { timing: Timing::Early, ..cloud };
        fits("early", draw(&early, |c| c.delay_ms), &|t| (t / 100.0).max(0.0).sqrt());
        let late = Cloud { timing: Timing::Late, ..cloud };
        fits("late", draw(&late, |c| c.delay_ms), &|t| 1.0 - (1.0 - t / 100.0).max(0.0).sqrt());
        // A measure that cannot fail proves nothing: the wrong law is found out.
        assert!(kolmogorov_smirnov(draw(&early, |c| c.delay_ms), uniform(0.0, 100.0)) > 1.0);
    }

    #[test]
    fn semitone_steps_and_the_reverse_chance_are_kept() {
        let cloud =
            Cloud { copies: 10, pitch_st: 3.0, pitch_steps: true, reverse_chance: 0.25, ..Cloud::default() };
        assert!(draw(&cloud, |c| c.pitch_st).iter().all(|st| st.fract() == 0.0 && st.abs() <= 3.0));
        let reversed = draw(&cloud, |c| f64::from(u8::from(c.reverse))).iter().sum::<f64>() / 10_000.0;
        // Five standard errors of a share of a quarter.
        assert!((reversed - 0.25).abs() < 5.0 * (0.25_f64 * 0.75 / 10_000.0).sqrt(), "{reversed}");
    }

    #[test]
    fn a_clap_has_short_bursts_at_their_gap_and_a_long_last_one() {
        let cloud = Cloud {
            copies: 48,
            timing: Timing::Bursts,
            bursts: 4,
            burst_gap_ms: 11.0,
            spread_ms: 80.0,
            ..Cloud::default()
        };
        let mut copies = [Copy::default(); MAX_COPIES];
        let mut draws = Draws::new(1, 0, Index::Stroke(0), Purpose::Cloud);
        assert_eq!(plan(&cloud, &PLAIN, &mut draws, &mut copies), 48);
        for (k, copy) in copies.iter().enumerate() {
            let start = 11.0 * (k % 4) as f64;
            let reach = if k % 4 == 3 { 80.0 } else { 2.2 };
            assert!((start..=start + reach).contains(&copy.delay_ms), "copy {k} at {} ms", copy.delay_ms);
            assert_eq!(copy.limit_ms, if k % 4 == 3 { f64::INFINITY } else { 11.0 });
        }
    }

    #[test]
    fn trims_scale_a_cloud_and_forty_eight_are_the_most() {
        let cloud = Cloud { copies: 20, ..Cloud::default() };
        assert_eq!(count(&cloud, &Scale { copies: 0.5, ..PLAIN }), 10);
        assert_eq!(count(&cloud, &Scale { copies: 4.0, ..PLAIN }), 48);
        assert_eq!(count(&cloud, &Scale { copies: 0.0, ..PLAIN }), 0);
    }
}
