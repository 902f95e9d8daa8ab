//! Hits set by hand.

use crate::listen_support::synth::{hiss, narrow, place, struck};
use kitwright_core::{
    listen::{DetectOptions, Hit, detect, detect_again, edit},
    progress::Quiet,
    take::Take,
};

/// Three strokes at 0.5, 1.0 and 1.5 s of two seconds at 48 kHz.
fn take() -> (Take, Vec<Hit>) {
    let mut x = hiss(96_000, -80.0, 7);
    for at in [24_000, 48_000, 72_000] {
        place(&mut x, &struck(48_000.0, 220.0, 0.05, 0.4), at, -6.0);
    }
    let take = Take::from_samples("three.wav", 48_000, vec![narrow(&x)]);
    let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
    assert_eq!(hits.len(), 3);
    (take, hits)
}

fn assert_in_order(hits: &[Hit], take: &Take) {
    for pair in hits.windows(2) {
        assert!(pair[0].end <= pair[1].start, "{} runs into {}", pair[0].end, pair[1].start);
    }
    assert!(hits.iter().all(|h| h.start < h.end && h.end <= take.frames() as u64));
}

#[test]
fn a_hit_made_by_hand_survives_another_detection() {
    let (take, mut hits) = take();
    let at = edit::add(&mut hits, &take, 26_000).unwrap();
    assert_eq!((at, hits.len()), (1, 4));
    assert_eq!(hits[0].end, 26_000, "the hit it falls into ends there");
    assert_in_order(&hits, &take);

    let again = detect_again(&take, &hits, &[], &DetectOptions::default(), &Quiet).unwrap();
    assert_in_order(&again, &take);
    assert_eq!(again.len(), 4);
    assert_eq!(again[1], hits[1]);
    assert!(!again[0].by_hand && again[0].end == 26_000);
}

#[test]
fn a_moved_start_stays_moved_and_the_detected_one_does_not_return() {
    let (take, mut hits) = take();
    let (start, end) = (hits[1].start - 960, hits[1].end);
    edit::reshape(&mut hits, &take, 1, start, end).unwrap();
    let again = detect_again(&take, &hits, &[], &DetectOptions::default(), &Quiet).unwrap();
    assert_eq!(again.len(), 3);
    assert_eq!((again[1].start, again[1].by_hand), (start, true));
    assert_in_order(&again, &take);
}

#[test]
fn split_and_merge_undo_each_other() {
    let (take, mut hits) = take();
    let whole = hits[1].clone();
    edit::split(&mut hits, &take, 1, whole.start + 2_000).unwrap();
    assert_eq!(hits.len(), 4);
    assert_eq!((hits[1].end, hits[2].start), (whole.start + 2_000, whole.start + 2_000));
    assert!(hits[2].description.peak_db < hits[1].description.peak_db, "each half has its own description");
    edit::merge(&mut hits, &take, 1).unwrap();
    assert_eq!(hits.len(), 3);
    assert_eq!((hits[1].start, hits[1].end), (whole.start, whole.end));
    assert_eq!(hits[1].description, whole.description);
}

#[test]
fn merged_hits_stay_one_and_removed_ones_stay_away() {
    let (take, mut hits) = take();
    edit::merge(&mut hits, &take, 1).unwrap();
    assert_eq!(hits.len(), 2);
    let again = detect_again(&take, &hits, &[], &DetectOptions::default(), &Quiet).unwrap();
    assert_eq!(again.len(), 2, "merged hits are not detected apart again");
    edit::remove(&mut hits, &take, 0).unwrap();
    assert_eq!(hits.len(), 1);
}

#[test]
fn a_removed_or_moved_hit_is_not_detected_at_its_old_place() {
    let (take, hits) = take();
    let more = DetectOptions { sensitivity: 0.3, ..DetectOptions::default() };
    let again = |hits: &[Hit], aside: &[u64]| detect_again(&take, hits, aside, &more, &Quiet).unwrap();
    let mut edited = hits.clone();
    edit::remove(&mut edited, &take, 1).unwrap();
    let aside: Vec<u64> = edit::set_aside(&hits, &edited).collect();
    assert_eq!(aside, [hits[1].start]);
    assert!(again(&edited, &[]).iter().any(|h| h.start == hits[1].start), "it would be detected");
    let starts = |hits: &[Hit]| hits.iter().map(|h| h.start).collect::<Vec<_>>();
    assert_eq!(starts(&again(&edited, &aside)), [hits[0].start, hits[2].start]);

    let mut edited = hits.clone();
    let later = hits[1].start + 1_500;
    edit::reshape(&mut edited, &take, 1, later, hits[1].end).unwrap();
    let aside: Vec<u64> = edit::set_aside(&hits, &edited).collect();
    assert_eq!(starts(&again(&edited, &aside)), [hits[0].start, later, hits[2].start]);

    // Nothing is removed when a hit grows, is split or merged.
    let mut edited = hits.clone();
    edit::reshape(&mut edited, &take, 1, hits[1].start - 500, hits[1].end).unwrap();
    edit::split(&mut edited, &take, 0, hits[0].start + 2_000).unwrap();
    edit::merge(&mut edited, &take, 2).unwrap();
    assert_eq!(edit::set_aside(&hits, &edited).count(), 0);
}

#[test]
fn an_edit_that_fails_gives_one_sentence_and_changes_nothing() {
    let (take, hits) = take();
    let mut edited = hits.clone();
    let past = take.frames() as u64;
    let errors = [
        edit::add(&mut edited, &take, past).map(|_| ()),
        edit::add(&mut edited, &take, hits[1].start + 3).map(|_| ()),
        edit::reshape(&mut edited, &take, 1, hits[2].start, hits[2].end),
        edit::reshape(&mut edited, &take, 1, hits[1].start, past),
        edit::split(&mut edited, &take, 1, hits[1].start),
        edit::split(&mut edited, &take, 9, 5),
        edit::merge(&mut edited, &take, 2),
        edit::remove(&mut edited, &take, 3).map(|_| ()),
    ];
    for error in errors {
        let said = error.unwrap_err().to_string();
        assert!(said.starts_with("three.wav: ") && said.len() > 30, "{said}");
    }
    assert_eq!(edited, hits);
}
