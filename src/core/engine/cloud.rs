//! The grains of a cloud, as they are drawn for one trigger: time, pitch, level, length, direction and pan.

use super::draw::Draws;
use crate::kit::{Cloud, Draw, Timing};

/// Most grains in the cloud of one trigger.
pub const MAX_GRAINS_PER_CLOUD: usize = 48;

/// One grain of a cloud, as it was drawn.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CloudGrain {
    /// Delay after the trigger, ms.
    pub delay_ms: f64,
    /// Pitch relative to the hit's, semitones.
    pub pitch_st: f64,
    /// Level relative to the hit's, dB, 0 or below.
    pub level_db: f64,
    /// Length as a share of the hit's, 0 to 1.
    pub length: f64,
    /// Longest duration, ms; infinite when not limited.
    pub limit_ms: f64,
    /// Whether it plays against the direction of its layer.
    pub reverse: bool,
    /// Added to the pan of its layer, -1 to 1.
    pub pan: f64,
}

/// A pad's trims on its cloud: factors, 1 is neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// Of the number of grains.
    pub grains: f64,
    /// Of the spread in time.
    pub spread: f64,
    /// Of the pitch range.
    pub scatter: f64,
    /// Of the stereo width.
    pub width: f64,
}

/// Number of grains after the trim, at most [`MAX_GRAINS_PER_CLOUD`].
pub fn count(cloud: &Cloud, scale: &Scale) -> usize {
    ((f64::from(cloud.copies) * scale.grains).round() as usize).min(MAX_GRAINS_PER_CLOUD)
}

/// Draws the grains of one trigger into `out`, in the order of their index; returns how many.
pub fn plan(
    cloud: &Cloud,
    scale: &Scale,
    draws: &mut Draws,
    out: &mut [CloudGrain; MAX_GRAINS_PER_CLOUD],
) -> usize {
    let n = count(cloud, scale);
    for (k, grain) in out[..n].iter_mut().enumerate() {
        let (delay_ms, limit_ms) = time(cloud, scale.spread, k, n, draws);
        *grain = CloudGrain {
            delay_ms,
            limit_ms,
            pitch_st: pitch(cloud, scale.scatter, draws),
            level_db: -f64::from(cloud.level_range_db) * draws.unit()
                - fall_db(cloud, scale.spread, delay_ms),
            length: 1.0 - f64::from(cloud.length_range) * draws.unit(),
            reverse: draws.unit() < f64::from(cloud.reverse_chance),
            pan: (f64::from(cloud.width) * scale.width).min(1.0) * draws.signed(),
        };
    }
    n
}

/// Delay and longest duration of grain `k` of `n`, ms. Each grain falls into its own of `n` equal parts of the
/// range 0 to 1 (stratified sampling, so that grains do not bunch by chance), which the timing then warps.
fn time(cloud: &Cloud, spread: f64, k: usize, n: usize, draws: &mut Draws) -> (f64, f64) {
    let spread_ms = f64::from(cloud.spread_ms) * spread;
    let u = draws.unit();
    let x = (k as f64 + u) / n as f64;
    let warped = match cloud.timing {
        // With some jitter: within the middle half of its part.
        Timing::Even => (k as f64 + 0.25 + 0.5 * u) / n as f64,
        Timing::Early => x * x,
        Timing::Late => 1.0 - (1.0 - x) * (1.0 - x),
        Timing::Bursts => return burst(cloud, spread_ms, k, n, u),
    };
    (warped * spread_ms, f64::INFINITY)
}

/// How much softer a grain is because it falls late, dB: in proportion to its delay, up to the last one.
fn fall_db(cloud: &Cloud, spread: f64, delay_ms: f64) -> f64 {
    let bursts_ms = if cloud.timing == Timing::Bursts {
        f64::from(cloud.burst_gap_ms) * (f64::from(cloud.bursts) - 1.0)
    } else {
        0.0
    };
    let whole = f64::from(cloud.spread_ms) * spread + bursts_ms;
    if whole > 0.0 { f64::from(cloud.fall_db) * (delay_ms / whole).min(1.0) } else { 0.0 }
}

/// Delay and longest duration in bursts, ms: grain `k` belongs to burst `k` modulo the number of bursts. All but
/// the last burst end where the next one starts; the grains of the last one fall within the spread, dense at
/// first, and are not shortened.
fn burst(cloud: &Cloud, spread_ms: f64, k: usize, n: usize, u: f64) -> (f64, f64) {
    let bursts = usize::from(cloud.bursts).clamp(1, n);
    let gap = f64::from(cloud.burst_gap_ms);
    let (burst, nth) = (k % bursts, k / bursts);
    let start = burst as f64 * gap;
    if burst + 1 < bursts {
        // Hands of several clappers never meet exactly: within a fifth of the gap. Common practice, no source.
        return (start + 0.2 * gap * u, gap);
    }
    let x = (nth as f64 + u) / (n / bursts).max(1) as f64;
    (start + x * x * spread_ms, f64::INFINITY)
}

fn pitch(cloud: &Cloud, scatter: f64, draws: &mut Draws) -> f64 {
    let range = f64::from(cloud.pitch_st) * scatter;
    let st = match cloud.pitch_draw {
        Draw::Uniform => range * draws.signed(),
        // The range is two standard deviations; values beyond three ranges (1 in 5e8) are clamped.
        Draw::Gaussian => (0.5 * range * draws.gaussian()).clamp(-3.0 * range, 3.0 * range),
    };
    if cloud.pitch_steps { libm::round(st) } else { st }
}

#[cfg(test)]
mod tests {
    use super::super::draw::{
        DrawPurpose, Index,
        statistics::{kolmogorov_smirnov, uniform},
    };
    use super::*;

    const PLAIN: Scale = Scale { grains: 1.0, spread: 1.0, scatter: 1.0, width: 1.0 };

    /// One value of the grains of a thousand triggers.
    fn draw(cloud: &Cloud, value: impl Fn(&CloudGrain) -> f64) -> Vec<f64> {
        let mut all = Vec::new();
        for trigger in 0..1000 {
            let mut grains = [CloudGrain::default(); MAX_GRAINS_PER_CLOUD];
            let mut draws = Draws::new(9, 2, Index::Trigger(trigger), DrawPurpose::Cloud);
            let n = plan(cloud, &PLAIN, &mut draws, &mut grains);
            all.extend(grains[..n].iter().map(&value));
        }
        all
    }

    #[test]
    fn a_thousand_clouds_follow_the_stated_distributions() {
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
        // The measure must detect a wrong distribution.
        assert!(kolmogorov_smirnov(draw(&early, |c| c.delay_ms), uniform(0.0, 100.0)) > 1.0);
    }

    #[test]
    fn pitches_are_whole_semitones_and_reversed_grains_as_frequent_as_stated() {
        let cloud =
            Cloud { copies: 10, pitch_st: 3.0, pitch_steps: true, reverse_chance: 0.25, ..Cloud::default() };
        assert!(draw(&cloud, |c| c.pitch_st).iter().all(|st| st.fract() == 0.0 && st.abs() <= 3.0));
        let reversed = draw(&cloud, |c| f64::from(u8::from(c.reverse))).iter().sum::<f64>() / 10_000.0;
        // Five standard errors of a share of a quarter.
        assert!((reversed - 0.25).abs() < 5.0 * (0.25_f64 * 0.75 / 10_000.0).sqrt(), "{reversed}");
    }

    #[test]
    fn bursts_start_at_their_gap_and_only_the_last_one_is_long() {
        let cloud = Cloud {
            copies: 48,
            timing: Timing::Bursts,
            bursts: 4,
            burst_gap_ms: 11.0,
            spread_ms: 80.0,
            ..Cloud::default()
        };
        let mut grains = [CloudGrain::default(); MAX_GRAINS_PER_CLOUD];
        let mut draws = Draws::new(1, 0, Index::Trigger(0), DrawPurpose::Cloud);
        assert_eq!(plan(&cloud, &PLAIN, &mut draws, &mut grains), 48);
        for (k, grain) in grains.iter().enumerate() {
            let start = 11.0 * (k % 4) as f64;
            let reach = if k % 4 == 3 { 80.0 } else { 2.2 };
            assert!((start..=start + reach).contains(&grain.delay_ms), "grain {k} at {} ms", grain.delay_ms);
            assert_eq!(grain.limit_ms, if k % 4 == 3 { f64::INFINITY } else { 11.0 });
        }
    }

    #[test]
    fn the_trim_scales_the_number_of_grains_up_to_48() {
        let cloud = Cloud { copies: 20, ..Cloud::default() };
        assert_eq!(count(&cloud, &Scale { grains: 0.5, ..PLAIN }), 10);
        assert_eq!(count(&cloud, &Scale { grains: 4.0, ..PLAIN }), 48);
        assert_eq!(count(&cloud, &Scale { grains: 0.0, ..PLAIN }), 0);
    }

    #[test]
    fn later_copies_are_softer_in_proportion_to_their_delay() {
        for timing in [Timing::Even, Timing::Early, Timing::Late, Timing::Bursts] {
            let cloud = Cloud {
                copies: 40,
                spread_ms: 400.0,
                timing,
                fall_db: 30.0,
                level_range_db: 0.0,
                ..Cloud::default()
            };
            let mut grains = [CloudGrain::default(); MAX_GRAINS_PER_CLOUD];
            let mut draws = Draws::new(9, 2, Index::Trigger(1), DrawPurpose::Cloud);
            let n = plan(&cloud, &PLAIN, &mut draws, &mut grains);
            let whole_ms = if timing == Timing::Bursts { 400.0 + 3.0 * 11.0 } else { 400.0 };
            for grain in &grains[..n] {
                let wanted = -30.0 * grain.delay_ms / whole_ms;
                assert!((grain.level_db - wanted).abs() < 1e-6, "{timing:?}: {grain:?}, {wanted}");
            }
            let last = grains[..n].iter().map(|g| g.delay_ms).fold(0.0, f64::max);
            assert!(last > 0.7 * whole_ms, "{timing:?} reaches its end: {last} ms");
        }
    }
}
