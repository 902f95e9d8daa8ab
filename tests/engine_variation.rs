//! What is random about hits, as the engine plays them: distributions, likeness, the three ways.

mod engine_support;

use engine_support::figures::cloud::*;
use kitwright::kit::{Cloud, Timing, Variation, Way};

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

/// Noise comes out anew each time. A low tone hardly changes within 0.3 ms and 8 cents: how far its hits are
/// apart is up to the ranges of the pad, and only that they are never the same is promised here.
#[test]
fn two_live_hits_of_noise_correlate_below_0_98_and_those_of_a_tone_are_never_the_same() {
    let likeness = likeness_of_live_hits();
    println!("{likeness:?}");
    assert!(likeness.noise < 0.98, "{likeness:?}");
    assert!(likeness.tone_in_cloud < 0.999 && likeness.tone < 0.999, "{likeness:?}");
}

#[test]
fn placed_hits_are_the_same_at_the_same_place_to_the_bit() {
    assert_eq!(placed_apart(), 0);
}

#[test]
fn held_hits_are_all_alike_and_another_draw_is_another_hit() {
    let frozen =
        |frozen| hits(Cloud::default(), Variation { way: Way::Held, frozen, ..Variation::default() });
    let (a, b) = (frozen(3.0), frozen(4.0));
    assert!(a.windows(2).all(|w| w[0].1 == w[1].1));
    assert_ne!(a[0].1, b[0].1);
}
