//! Hours of music: the same samples as a fresh engine at that place, and memory that does not grow.

use crate::support::*;
use kitwright_core::{
    cast::{CastOptions, make_kit},
    demo,
    engine::{Engine, PlayKit, Transport},
    kit::{Kit, VariationMode},
    listen::{DetectOptions, detect},
    progress::Quiet,
};
use std::sync::Arc;

const RATE: f64 = 48_000.0;
/// Frames that are compared at the end.
const COMPARED: u64 = 4 * 48_000;
/// Frames of silence before them, longer than any tail of the kit.
const PAUSE: u64 = 12 * 48_000;

/// The stroke at a step of a sixteenth at 120 BPM, by its number alone.
fn stroke(step: u64) -> Option<(u8, f32)> {
    let mut dice = Dice(step * 2 + 1);
    (dice.below(3) > 0).then(|| (36 + dice.below(16) as u8, 0.2 + 0.8 * dice.unit()))
}

/// Plays from frame `from` to `to`; nothing is struck in the pause before the compared frames of `end`.
fn perform_song(
    engine: &mut Engine,
    from: u64,
    to: u64,
    end: u64,
    mut heard: impl FnMut(u64, &Engine),
) -> u64 {
    const STEP: u64 = 6000;
    let quiet = end - COMPARED - PAUSE..end - COMPARED;
    let (mut at, mut strokes) = (from, 0);
    while at < to {
        let beats = at as f64 / RATE * 2.0;
        engine.set_transport(Transport { beats: Some(beats), tempo: 120.0 });
        if let Some((note, velocity)) = stroke(at / STEP).filter(|_| at % STEP == 0 && !quiet.contains(&at)) {
            engine.note_on(note, velocity);
            strokes += 1;
        }
        if at == quiet.start {
            engine.all_off();
        }
        engine.render(240);
        heard(at, engine);
        at += 240;
    }
    strokes
}

/// The kit with draws that are placed: they depend on the place in the song, not on what was played before.
fn placed(mut kit: Kit) -> Arc<PlayKit> {
    for pad in &mut kit.doc.pads {
        pad.variation.mode = VariationMode::Placed;
    }
    prepared(&kit)
}

/// A kit as players have it: the borrowed cello's, made by recipes.
fn made_kit() -> Kit {
    let (take, _) = demo::borrowed_cello(1);
    let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
    let options = CastOptions { quick: true, ..CastOptions::default() };
    make_kit(&[(Arc::new(take), hits)], &options, &Quiet).unwrap()
}

/// Memory of the process in use, kilobytes.
#[cfg(target_os = "linux")]
fn memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/statm").unwrap();
    status.split(' ').nth(1).unwrap().parse::<u64>().unwrap() * 4
}

#[test]
fn after_minutes_of_every_setting_the_samples_are_those_of_a_fresh_engine_at_that_place() {
    check(placed(kit_document(3)));
}

#[test]
fn after_minutes_of_a_made_kit_the_samples_are_those_of_a_fresh_engine_at_that_place() {
    check(placed(made_kit()));
}

fn check(kit: Arc<PlayKit>) {
    let minutes = trials(1);
    let end = minutes * 60 * 48_000 + COMPARED + PAUSE;
    let keep = |to: &mut Vec<u32>, engine: &Engine| {
        to.extend(engine.main().iter().flat_map(|c| &c[..240]).map(|x| x.to_bits()));
    };
    let (mut old, mut fresh) = (Engine::offline(RATE), Engine::offline(RATE));
    let (mut late, mut anew) = (Vec::new(), Vec::new());
    old.set_kit(kit.clone());
    fresh.set_kit(kit);
    #[cfg(target_os = "linux")]
    let mut before = 0;
    let strokes = perform_song(&mut old, 0, end, end, |at, engine| {
        #[cfg(target_os = "linux")]
        if at == 20 * 48_000 {
            before = memory_kb();
        }
        if at >= end - COMPARED {
            keep(&mut late, engine);
        }
    });
    perform_song(&mut fresh, end - COMPARED, end, end, |_, engine| keep(&mut anew, engine));
    assert!(late.iter().any(|&bits| f32::from_bits(bits).abs() > 0.01), "nothing sounds");
    let differ = late.iter().zip(&anew).position(|(a, b)| a != b);
    assert_eq!(differ, None, "of {} samples", late.len());
    #[cfg(target_os = "linux")]
    if std::env::var_os("KITWRIGHT_TRIALS").is_some() {
        // alone in its process only: other tests take memory of their own
        let grown = memory_kb().saturating_sub(before);
        println!("{minutes} minutes, {strokes} strokes, {grown} kB more than after 20 s");
        assert!(grown < 20_000, "{grown} kB");
    }
    assert!(strokes > 100 * minutes);
}
