//! No denormal number in ten minutes of tails, neither in the output nor inside.

use crate::support::denormals::{met_denormals, tails};

#[test]
fn ten_minutes_of_tails_contain_no_denormal() {
    // Each of sixteen pads decays to silence three times.
    let found = tails(600, 12);
    println!("{found:?}");
    assert!(found.sounding > found.frames / 20, "no tails: {found:?}");
    assert!(found.sounding < found.frames, "the tails do not end: {found:?}");
    assert_eq!((found.in_output, found.met), (0, 0), "{found:?}");
    if met_denormals().is_none() {
        println!("skipped: denormals inside the engine, which this processor does not report");
    }
}

#[test]
fn the_processor_flag_detects_a_denormal() {
    if met_denormals().is_none() {
        println!("skipped: this processor does not report denormals");
        return;
    }
    let small = std::hint::black_box(f32::MIN_POSITIVE / 4.0);
    assert_eq!(met_denormals(), Some(false));
    assert!(std::hint::black_box(small * 0.5) > 0.0);
    assert_eq!(met_denormals(), Some(true));
    assert_eq!(met_denormals(), Some(false));
}
