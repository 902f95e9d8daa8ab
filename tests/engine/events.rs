//! The engine: the same bits for all chunk sizes, events on their frame, silence of exact zeros.

use crate::support::*;
use kitwright_core::{
    engine::{Engine, Transport},
    kit::{Alternate, Timing, Trims, VariationMode},
};

/// Note ons, note offs, chokes, trims and a change of kit, at irregular frames.
fn performance() -> Vec<Event> {
    let mut events = Vec::new();
    let mut dice = Dice(11);
    for i in 0..60_u64 {
        let at = i * 613 + dice.below(300);
        let note = NOTES[dice.below(6) as usize];
        events.push(Event { at, act: Act::On(note, 0.1 + 0.9 * dice.unit()) });
        events.push(Event { at: at + 200 + dice.below(3000), act: Act::Off(note) });
    }
    let mut trims = Trims::default();
    trims.kit.level_db = -3.0;
    trims.kit.ceiling_db = -6.0;
    trims.pads[0].pitch_st = 3.0;
    trims.pads[1].pan = 0.5;
    trims.pads[2].mute = true;
    events.push(Event { at: 9_777, act: Act::Trims(Box::new(trims.clone())) });
    trims.pads[2].mute = false;
    trims.pads[3].solo = true;
    events.push(Event { at: 15_001, act: Act::Trims(Box::new(trims)) });
    events.push(Event { at: 20_003, act: Act::Kit(full_kit(2)) });
    events.push(Event { at: 20_050, act: Act::Kit(full_kit(3)) });
    events.push(Event { at: 25_000, act: Act::Trims(Box::default()) });
    events.push(Event { at: 30_011, act: Act::Choke(NOTES[0]) });
    events.push(Event { at: 36_000, act: Act::AllOff });
    events.sort_by_key(|e| e.at);
    events
}

#[test]
fn the_output_does_not_depend_on_chunks() {
    let events = performance();
    let whole = play(&full_kit(1), 48_000.0, &events, 44_000, &mut |_| 8192);
    assert!(peak(&whole) > 0.05, "the performance is silent");
    for size in [1_u64, 17, 64, 256, 512] {
        let other = play(&full_kit(1), 48_000.0, &events, 44_000, &mut |_| size);
        assert_same(&whole, &other, &format!("chunks of {size}"));
    }
    let mut dice = Dice(5);
    let other = play(&full_kit(1), 48_000.0, &events, 44_000, &mut |_| 1 + dice.below(700));
    assert_same(&whole, &other, "random chunks");
}

#[test]
fn an_offline_engine_gives_the_same_bits() {
    let events = performance();
    let mut kit = full_kit(1).kit.as_ref().clone();
    for pad in &mut kit.doc.pads {
        // Two stages more whose loudness is matched.
        (pad.tone.saturation.on, pad.tone.saturation.drive_db, pad.tone.punch.on) = (true, 12.0, true);
    }
    let kit = prepared(&kit);
    let live = play(&kit, 48_000.0, &events, 44_000, &mut |_| 64);
    let mut offline = Engine::offline(48_000.0);
    offline.set_kit(kit);
    assert_same(&live, &perform(&mut offline, &events, 44_000, &mut |_| 64), "offline");
}

#[test]
fn a_hit_at_its_own_pitch_is_unchanged_and_on_its_frame() {
    let mut kit = bare_kit(click_take(48_000), 1);
    kit.doc.pads[0].variation = still();
    kit.doc.pads[0].layers[0].settings.hold_ms = 1000.0;
    for at in [0, 1, 63, 64, 65, 300] {
        let out = play(&prepared(&kit), 48_000.0, &[on(at, NOTES[0], 1.0)], 13_000, &mut |_| 64);
        let take = &kit.takes[0].channels[0];
        assert!(out.main[0][..at as usize].iter().all(|&x| x == 0.0));
        // The last two milliseconds fade out.
        let whole = take.len() - 96;
        assert_eq!(out.main[0][at as usize..][..whole], take[..whole]);
    }
}

#[test]
fn every_rate_of_take_and_engine_plays_in_time() {
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for take_rate in [8_000, 44_100, 48_000, 384_000] {
            let mut kit = bare_kit(sine_take(take_rate, 440.0, 0.5), 1);
            kit.doc.pads[0].variation = still();
            let out = play(&prepared(&kit), rate, &[on(0, NOTES[0], 1.0)], rate as usize / 2, &mut |_| 200);
            let hz = crossings_hz(&out.main[0][1000..rate as usize / 4], rate);
            assert!((hz - 440.0).abs() < 3.0, "{take_rate} Hz at {rate} Hz: {hz} Hz");
        }
    }
}

#[test]
fn after_the_tail_the_output_is_exactly_zero_and_the_engine_silent() {
    let kit = full_kit(4);
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(kit);
    assert!(engine.is_silent());
    NOTES.iter().for_each(|&n| engine.note_on(n, 1.0));
    engine.render(200);
    NOTES.iter().for_each(|&n| engine.note_off(n));
    let mut frames = 0;
    while !engine.is_silent() {
        engine.render(256);
        frames += 256;
        assert!(frames < 48_000 * 20, "the tail never ends");
    }
    for _ in 0..20 {
        engine.render(256);
        let [l, r] = engine.main();
        assert!(l.iter().chain(r).all(|x| x.to_bits() == 0));
        assert!((0..16).all(|p| engine.pad(p)[0].iter().all(|x| x.to_bits() == 0)));
    }
}

#[test]
fn a_reset_engine_plays_like_a_new_one() {
    let kit = full_kit(1);
    let events = [on(3, NOTES[0], 0.9), on(700, NOTES[1], 0.5), on(2000, NOTES[0], 0.9)];
    let fresh = play(&kit, 48_000.0, &events, 20_000, &mut |_| 64);
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(kit);
    for n in NOTES {
        engine.note_on(n, 1.0);
    }
    engine.render(200);
    engine.reset();
    assert!(engine.is_silent());
    let again = perform(&mut engine, &events, 20_000, &mut |_| 64);
    assert_same(&fresh, &again, "after a reset");
}

#[test]
fn the_seed_decides_the_draws() {
    let events = [on(0, NOTES[0], 1.0)];
    let a = play(&full_kit(1), 48_000.0, &events, 5000, &mut |_| 64);
    let b = play(&full_kit(1), 48_000.0, &events, 5000, &mut |_| 64);
    let mut other = kit_document(1);
    other.doc.seed = 99;
    let c = play(&prepared(&other), 48_000.0, &events, 5000, &mut |_| 64);
    assert_same(&a, &b, "the same seed");
    assert_ne!(a.main[0], c.main[0]);
}

#[test]
fn no_slice_plays_twice_in_a_row() {
    for mode in [Alternate::InTurn, Alternate::Random] {
        let mut kit = bare_kit(steps_take(), 4);
        kit.doc.pads[0].settings.alternate = mode;
        let mut engine = Engine::new(48_000.0);
        engine.set_kit(prepared(&kit));
        let meters = engine.meters();
        let mut last = None;
        let mut seen = [0; 4];
        for _ in 0..400 {
            engine.note_on(NOTES[0], 1.0);
            engine.render(10);
            let slice = meters.last_trigger[0].slice.load(std::sync::atomic::Ordering::Relaxed);
            assert_ne!(Some(slice), last, "{mode:?}");
            seen[slice as usize] += 1;
            last = Some(slice);
        }
        assert!(seen.iter().all(|&n| n > 60), "{mode:?}: {seen:?}");
    }
}

#[test]
fn velocity_chooses_the_slice() {
    let mut kit = bare_kit(steps_take(), 2);
    kit.doc.pads[0].slices[0].velocities = [0.0, 0.5];
    kit.doc.pads[0].slices[1].velocities = [0.5, 1.0];
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(prepared(&kit));
    let meters = engine.meters();
    for (velocity, expected) in [(0.2, 0), (0.9, 1), (0.1, 0), (0.3, 0), (1.0, 1)] {
        engine.note_on(NOTES[0], velocity);
        assert_eq!(meters.last_trigger[0].slice.load(std::sync::atomic::Ordering::Relaxed), expected);
    }
}

#[test]
fn live_triggers_differ_placed_and_held_ones_do_not() {
    let hit = |mode: VariationMode, beats: Option<f64>, skip: usize| {
        let mut kit = kit_document(1);
        kit.doc.pads[0].variation.mode = mode;
        let mut engine = Engine::new(48_000.0);
        engine.set_kit(prepared(&kit));
        for _ in 0..skip {
            engine.note_on(NOTES[0], 1.0);
            perform(&mut engine, &[], 60_000, &mut |_| 256);
        }
        engine.set_transport(Transport { beats, tempo: 120.0 });
        perform(&mut engine, &[on(0, NOTES[0], 1.0)], 6000, &mut |_| 256).main[0].clone()
    };
    let live = [hit(VariationMode::Live, Some(4.0), 0), hit(VariationMode::Live, Some(4.0), 1)];
    let r = correlation(&live[0], &live[1]);
    assert!(r < 0.98, "two live hits correlate by {r}");
    // Earlier triggers and rounding of the position do not matter, the place does.
    let placed = [hit(VariationMode::Placed, Some(4.0), 0), hit(VariationMode::Placed, Some(4.000_1), 2)];
    assert_eq!(placed[0], placed[1]);
    assert_ne!(placed[0], hit(VariationMode::Placed, Some(4.25), 0));
    assert_eq!(hit(VariationMode::Held, None, 0), hit(VariationMode::Held, Some(1.0), 3));
    // Without a song position placed counts triggers since the start.
    assert_eq!(hit(VariationMode::Placed, None, 1), hit(VariationMode::Placed, None, 1));
    assert_ne!(hit(VariationMode::Placed, None, 0), hit(VariationMode::Placed, None, 1));
}

#[test]
fn clouds_of_every_timing_sound_within_their_spread() {
    for timing in Timing::ALL {
        let mut kit = bare_kit(click_take(48_000), 1);
        let pad = &mut kit.doc.pads[0];
        pad.cloud.copies = 24;
        pad.cloud.timing = *timing;
        pad.cloud.spread_ms = 100.0;
        let out = play(&prepared(&kit), 48_000.0, &[on(0, NOTES[0], 1.0)], 20_000, &mut |_| 64);
        let late = rms(&out.main[0][2_400..4_800]);
        assert!(late > 1e-4, "{timing:?}: silent between 50 and 100 ms");
    }
}
