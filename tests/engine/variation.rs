//! The random draws of triggers, as the engine plays them: distributions, similarity, the three modes.

use crate::support::figures::cloud::*;
use kitwright_core::kit::{Cloud, Timing, Variation, VariationMode};

#[test]
fn a_thousand_triggers_follow_the_stated_distributions() {
    for (what, distance) in distributions() {
        println!("{what}: {distance:.2} of the distance allowed");
        assert!(distance < 1.0, "{what}: {distance}");
    }
}

#[test]
fn a_wrong_distribution_is_detected() {
    let cloud = Cloud { copies: 1, timing: Timing::Early, spread_ms: 100.0, ..Cloud::default() };
    let times = draws(cloud, Variation::default()).iter().map(|(c, _)| f64::from(c.delay_ms)).collect();
    assert!(kolmogorov_smirnov(times, uniform(0.0, 100.0)) > 1.0);
}

/// Triggers of a low tone differ by their phase alone: see `draw::LowDiscrepancy`.
#[test]
fn consecutive_live_triggers_correlate_below_0_98() {
    let correlations = correlations_of_live_triggers();
    println!("{correlations:?}");
    assert!(correlations.noise < 0.98, "{correlations:?}");
    assert!(correlations.tone_in_cloud < 0.98 && correlations.tone < 0.98, "{correlations:?}");
}

/// 55 to 110 Hz, 200 to 300 ms long, on a pad with its default variation alone.
#[test]
fn consecutive_live_triggers_of_a_low_tone_correlate_below_0_98() {
    let (neighbours, all) = correlations_of_low_tones();
    let (worst, median) = (neighbours[neighbours.len() - 1], all[all.len() / 2]);
    println!("low tones: at most {worst:.4} in a row; median of all pairs {median:.4}");
    assert!(worst < 0.98, "{worst}");
    assert!(median < 0.98, "{median}");
}

/// The same on pads that are fitted to each role.
#[test]
fn consecutive_live_triggers_correlate_below_0_98_for_every_role() {
    for key in [None, Some("A".parse().unwrap())] {
        for (role, worst) in max_correlation_by_role(&[(55.0, 250.0)], key) {
            println!("{role:?}, {key:?}: at most {worst:.4} in a row");
            assert!(worst < 0.98, "{role:?}: {worst}");
        }
    }
}

/// The effect of the start's variation on the attack.
#[test]
fn variation_keeps_the_peak_of_a_kick() {
    let (mean, min, max) = attack_peak_of_live_kicks();
    println!(
        "attack peak of live kicks against one without variation: {mean:+.2} dB, {min:+.2} to {max:+.2} dB"
    );
    assert!(mean.abs() < 0.3 && min > -1.0 && max < 1.0, "{mean} {min} {max}");
}

#[test]
fn placed_triggers_are_identical_at_the_same_place() {
    assert_eq!(placed_differences(), 0);
}

#[test]
fn held_triggers_are_identical_until_another_draw_is_chosen() {
    let frozen = |frozen| {
        draws(Cloud::default(), Variation { mode: VariationMode::Held, frozen, ..Variation::default() })
    };
    let (a, b) = (frozen(3.0), frozen(4.0));
    assert!(a.windows(2).all(|w| w[0].1 == w[1].1));
    assert_ne!(a[0].1, b[0].1);
}
