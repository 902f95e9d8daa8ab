//! What is random about hits, as the engine plays them: distributions, likeness, the three ways.

use crate::support::figures::cloud::*;
use kitwright_core::kit::{Cloud, Timing, Variation, VariationMode};

#[test]
fn a_thousand_hits_follow_their_stated_distributions_live_and_placed() {
    for (what, distance) in distributions() {
        println!("{what}: {distance:.2} of the distance allowed");
        assert!(distance < 1.0, "{what}: {distance}");
    }
}

#[test]
fn a_wrong_law_is_found_out() {
    let cloud = Cloud { copies: 1, timing: Timing::Early, spread_ms: 100.0, ..Cloud::default() };
    let times = hits(cloud, Variation::default()).iter().map(|(c, _)| f64::from(c.delay_ms)).collect();
    assert!(kolmogorov_smirnov(times, uniform(0.0, 100.0)) > 1.0);
}

/// Noise comes out anew each time. Strokes of a low tone differ by their phase alone: see `draw::Apart`.
#[test]
fn two_live_hits_in_a_row_correlate_below_0_98() {
    let likeness = likeness_of_live_hits();
    println!("{likeness:?}");
    assert!(likeness.noise < 0.98, "{likeness:?}");
    assert!(likeness.tone_in_cloud < 0.98 && likeness.tone < 0.98, "{likeness:?}");
}

/// 55 to 110 Hz, over after 200 to 300 ms, on a pad with nothing but its small variations.
#[test]
fn two_live_hits_of_any_low_tone_in_a_row_correlate_below_0_98() {
    let (neighbours, all) = likeness_of_low_tones();
    let (worst, median) = (neighbours[neighbours.len() - 1], all[all.len() / 2]);
    println!("low tones: at most {worst:.4} in a row; any two {median:.4} in the middle");
    assert!(worst < 0.98, "{worst}");
    assert!(median < 0.98, "{median}");
}

/// The same from the pads of a whole kit, each shaped to its role.
#[test]
fn two_live_hits_in_a_row_correlate_below_0_98_on_the_fresh_pads_of_every_role() {
    for key in [None, Some("A".parse().unwrap())] {
        for (role, worst) in likeness_by_role(&[(55.0, 250.0)], key) {
            println!("{role:?}, {key:?}: at most {worst:.4} in a row");
            assert!(worst < 0.98, "{role:?}: {worst}");
        }
    }
}

/// What the start's small moves take away from an attack.
#[test]
fn small_variations_leave_a_kick_its_punch() {
    let (mean, least, most) = punch_of_live_kicks();
    println!("punch of live kicks against a still one: {mean:+.2} dB, {least:+.2} to {most:+.2} dB");
    assert!(mean.abs() < 0.3 && least > -1.0 && most < 1.0, "{mean} {least} {most}");
}

#[test]
fn placed_hits_are_the_same_at_the_same_place_to_the_bit() {
    assert_eq!(placed_apart(), 0);
}

#[test]
fn held_hits_are_all_alike_and_another_draw_is_another_hit() {
    let frozen = |frozen| {
        hits(Cloud::default(), Variation { way: VariationMode::Held, frozen, ..Variation::default() })
    };
    let (a, b) = (frozen(3.0), frozen(4.0));
    assert!(a.windows(2).all(|w| w[0].1 == w[1].1));
    assert_ne!(a[0].1, b[0].1);
}
