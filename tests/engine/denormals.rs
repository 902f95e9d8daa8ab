//! No denormal number in an hour of tails, neither put out nor met inside.

use crate::support::denormals::{met_denormals, tails};

#[test]
fn an_hour_of_tails_holds_no_denormal() {
    // Each of sixteen pads rings out to silence three times.
    let found = tails(3600, 75);
    println!("{found:?}");
    assert!(found.sounding > found.frames / 20, "there are tails: {found:?}");
    assert!(found.sounding < found.frames, "they come to rest: {found:?}");
    assert_eq!((found.put_out, found.met), (0, 0), "{found:?}");
    if met_denormals().is_none() {
        println!("skipped: denormals inside the engine, which this processor does not tell of");
    }
}

#[test]
fn the_processor_would_tell() {
    if met_denormals().is_none() {
        println!("skipped: this processor does not tell");
        return;
    }
    let small = std::hint::black_box(f32::MIN_POSITIVE / 4.0);
    assert_eq!(met_denormals(), Some(false));
    assert!(std::hint::black_box(small * 0.5) > 0.0);
    assert_eq!(met_denormals(), Some(true));
    assert_eq!(met_denormals(), Some(false));
}
