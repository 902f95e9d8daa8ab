//! The ceiling holds, every output sample is finite, nothing clicks.

use crate::support::*;
use kitwright_core::{
    engine::Engine,
    kit::{Band, Kit, Layer, MAX_DIPS, Slice, TableVisitor, Trims},
    settings::{KIT_TRIMS, PAD_TRIMS, Setting},
    take::Take,
    units::db_to_gain,
};
use proptest::prelude::*;
use std::{
    fmt::Arguments,
    sync::{Arc, atomic::Ordering::Relaxed},
};

/// Sets every setting that it visits to a random position, some to the ends of their range.
struct Random<'a>(&'a mut Dice);

impl TableVisitor for Random<'_> {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        randomise(table, value, self.0);
    }
}

/// Sets half of a table's settings to random values of their range, some of them to its ends.
fn randomise<T>(table: &[Setting<T>], value: &mut T, dice: &mut Dice) {
    for s in table {
        let travel = match dice.below(6) {
            0 => 0.0,
            1 => 1.0,
            _ => dice.unit(),
        };
        if dice.below(2) == 0 {
            (s.set)(value, s.from_travel(travel));
        }
    }
}

pub fn random_kit(dice: &mut Dice) -> Kit {
    let mut kit = Kit::default();
    let rates = [8_000, 22_050, 44_100, 48_000, 384_000];
    kit.takes = (0..2)
        .map(|i| noise_take(rates[dice.below(5) as usize], 1 + dice.below(2) as usize, i + dice.next()))
        .collect();
    kit.doc.seed = dice.next();
    for pad in kit.doc.pads.iter_mut().take(4) {
        let slice = |dice: &mut Dice| {
            let start = dice.below(6000);
            let length = [1, 2, 30, 500, 40_000][dice.below(5) as usize];
            Slice {
                take: dice.below(3) as usize, // one of them is missing
                start,
                end: start + length,
                gain_db: 0.0,
                velocities: [dice.unit(), dice.unit()],
            }
        };
        pad.slices = (0..dice.below(4)).map(|_| slice(dice)).collect();
        pad.layers = (0..=dice.below(4))
            .map(|_| {
                let slice = (dice.below(3) == 0).then(|| slice(dice));
                Layer { slice, ..Layer::default() }
            })
            .collect();
        pad.tone.dips = vec![Band::default(); dice.below(MAX_DIPS as u64 + 1) as usize];
        pad.each_table(&mut Random(dice));
        pad.layers.iter_mut().for_each(|l| l.settings.on = true);
    }
    kit
}

pub fn random_trims(dice: &mut Dice) -> Trims {
    let mut trims = Trims::default();
    randomise(&KIT_TRIMS, &mut trims.kit, dice);
    trims.kit.ceiling_on = true;
    trims.pads.iter_mut().for_each(|p| randomise(&PAD_TRIMS, p, dice));
    trims
}

fn under_the_ceiling(seed: u64) -> Result<(), TestCaseError> {
    let mut dice = Dice(seed);
    let kit = random_kit(&mut dice);
    let rate = [44_100.0, 48_000.0, 96_000.0, 192_000.0][dice.below(4) as usize];
    let trims = [random_trims(&mut dice), random_trims(&mut dice)];
    let mut events = vec![Event { at: 0, act: Act::Trims(Box::new(trims[0].clone())) }];
    for _ in 0..12 {
        let at = dice.below(6000);
        let note = kit.doc.pads[dice.below(4) as usize].note;
        events.push(on(at, note, dice.unit()));
        events.push(Event { at: at + dice.below(3000), act: Act::Off(note) });
    }
    events.push(Event { at: 4000, act: Act::Trims(Box::new(trims[1].clone())) });
    events.sort_by_key(|e| e.at);
    let sound = play(&prepared(&kit), rate, &events, 9000, &mut |_| 1 + dice.below(300));
    // Rounding may add the last bit; while the ceiling glides the higher of the two counts.
    let gain = |db: f32| db_to_gain(db) * 1.0001;
    let ceilings = trims.each_ref().map(|t| gain(t.kit.ceiling_db));
    for channels in sound.pads.iter().chain([&sound.main]) {
        for (i, x) in channels.iter().flat_map(|c| c.iter().enumerate()) {
            let ceiling = if i < 4000 { ceilings[0] } else { ceilings[0].max(ceilings[1]) };
            prop_assert!(x.is_finite() && x.abs() <= ceiling, "{x} above {ceiling} at frame {i}");
            prop_assert!(*x == 0.0 || x.is_normal(), "a denormal number: {x:e}");
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn with_any_settings_the_output_is_finite_and_under_the_ceiling(seed in any::<u64>()) {
        under_the_ceiling(seed)?;
    }
}

#[test]
fn a_ceiling_lowered_in_silence_limits_the_first_sound() {
    let kit = prepared(&sine_kit(30.0, 1));
    let mut trims = Trims::default();
    (trims.pads[0].level_db, trims.kit.ceiling_db) = (24.0, -18.0);
    for at in [0, 64, 19_200] {
        let mut engine = Engine::new(48_000.0);
        engine.set_kit(kit.clone());
        let mut peak = 0.0_f32;
        for block in 0..800 {
            if block * 64 == at {
                engine.set_trims(&trims);
            }
            // Ten blocks later any glide of the ceiling is over.
            if block * 64 == at.max(64) + 640 {
                engine.note_on(36, 1.0);
            }
            engine.render(64);
            let sides = engine.main().into_iter().chain(engine.pad(0));
            peak = sides.flat_map(|s| &s[..64]).fold(peak, |p, x| p.max(x.abs()));
        }
        assert!((0.1..0.1260).contains(&peak), "{peak} under a ceiling of -18 dB that was set at frame {at}");
    }
}

/// Sets every setting that it visits to one number.
struct All(f32);

impl TableVisitor for All {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, _owner: Arguments<'_>) {
        table.iter().for_each(|s| (s.set)(value, self.0));
    }
}

#[test]
fn settings_out_of_range_are_clamped() {
    let mut kit = kit_document(1);
    for (i, pad) in kit.doc.pads.iter_mut().enumerate() {
        let bad = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30, -1e30][i % 5];
        pad.each_table(&mut All(bad));
        pad.layers[0].settings.on = true;
        pad.slices[0].start = if i % 2 == 0 { u64::MAX } else { 0 };
        pad.slices[1].end = u64::MAX;
        pad.slices[2].velocities = [bad, bad];
        pad.tone.low_band.on = true;
    }
    kit.doc.pads.truncate(11);
    let events: Vec<Event> = (0..11).map(|p| on(p * 50, 36 + p as u8, 1.0)).collect();
    let sound = play(&prepared(&kit), 48_000.0, &events, 8000, &mut |_| 64);
    assert!(sound.main.iter().flatten().all(|x| x.is_finite() && x.abs() < 0.892));
}

#[test]
fn the_first_sound_of_a_new_engine_is_under_the_ceiling() {
    let square = (0..48_000).map(|i| if i / 500 % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let full = Take::from_samples("full", 48_000, vec![square]);
    let mut kit = bare_kit(Arc::new(full), 1);
    kit.doc.pads[0].layers[0].settings.level_db = 24.0;
    kit.doc.pads[0].settings.level_db = 24.0;
    let mut trims = Trims::default();
    trims.kit.level_db = 12.0;
    trims.pads[0].level_db = 12.0;
    let mut engine = Engine::new(48_000.0);
    engine.set_trims(&trims);
    engine.set_kit(prepared(&kit));
    let sound = perform(&mut engine, &[on(0, NOTES[0], 1.0)], 3000, &mut |_| 64);
    let ceiling = db_to_gain(-1.0_f32) * 1.0001;
    assert!(peak(&sound) <= ceiling, "{}", peak(&sound));
    assert!(peak(&sound) > 0.5 * ceiling);
}

/// Largest step from one frame to the next.
fn largest_step(x: &[f32]) -> f32 {
    x.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max)
}

/// A kit of one slow sine: its own steps are small, those of a cut are not.
fn sine_kit(hz: f32, layers: usize) -> Kit {
    let mut kit = bare_kit(sine_take(48_000, hz, 2.0), 1);
    let pad = &mut kit.doc.pads[0];
    pad.variation = still();
    pad.layers[0].settings.hold_ms = 5000.0;
    pad.layers[0].settings.velocity_level = 0.0;
    pad.layers = vec![pad.layers[0].clone(); layers];
    kit
}

/// The sine of 60 Hz at 0.5: largest step of the sound itself, and of the steepest fade (4 ms) over it.
const OWN_STEP: f32 = 0.5 * std::f32::consts::TAU * 60.0 / 48_000.0;
const FADE_STEP: f32 = 0.5 / (0.004 * 48_000.0);

#[test]
fn no_event_makes_a_step_steeper_than_its_fade() {
    let kit = sine_kit(60.0, 1);
    let mut muted = Trims::default();
    muted.pads[0].mute = true;
    let mut panned = Trims::default();
    panned.pads[0].pan = -1.0;
    let mut no_tone = Trims::default();
    no_tone.pads[0].tone = false;
    let mut unceiled = Trims::default();
    unceiled.kit.ceiling_on = false;
    let mut low = Trims::default();
    low.kit.ceiling_db = -12.0;
    let mut elsewhere = Trims::default();
    elsewhere.pads[0].in_main = false;
    let mut other = sine_kit(60.0, 1);
    other.doc.seed = 4;
    // A quarter of a period after a whole number of them: the sound is at its peak.
    let at = 48_000 / 60 * 7 + 200;
    let trims = |t: &Trims| Act::Trims(Box::new(t.clone()));
    let acts = [
        ("choke", Act::Choke(NOTES[0])),
        ("all off", Act::AllOff),
        ("mute", trims(&muted)),
        ("pan", trims(&panned)),
        ("tone", trims(&no_tone)),
        ("ceiling off", trims(&unceiled)),
        ("ceiling down", trims(&low)),
        ("in main", trims(&elsewhere)),
        ("kit", Act::Kit(prepared(&other))),
    ];
    for (name, act) in acts {
        let events = [on(0, NOTES[0], 1.0), Event { at, act }];
        let sound = play(&prepared(&kit), 48_000.0, &events, 9000, &mut |_| 100);
        let step = largest_step(&sound.main[0]);
        // Half as much again for the pan's louder side.
        let allowed = 1.5 * (OWN_STEP + FADE_STEP);
        assert!(step < allowed, "{name}: a step of {step}, {allowed} allowed, a cut would be 0.5");
        assert!(largest_step(&sound.main[0][..5000]) > 0.9 * OWN_STEP, "{name}: no sound");
    }
}

#[test]
fn the_end_of_a_slice_and_of_a_held_key_do_not_click() {
    let mut kit = sine_kit(60.0, 1);
    // Ends at the peak of a period.
    kit.doc.pads[0].slices[0].end = 48_000 / 60 * 7 + 200;
    let sound = play(&prepared(&kit), 48_000.0, &[on(0, NOTES[0], 1.0)], 9000, &mut |_| 100);
    assert!(largest_step(&sound.main[0]) < OWN_STEP + 2.0 * FADE_STEP + 1e-4);
    kit.doc.pads[0].settings.held = true;
    let settings = &mut kit.doc.pads[0].layers[0].settings;
    settings.release_ms = 0.0;
    settings.release_curve = 0.0;
    settings.loop_on = true;
    settings.loop_ms = 37.0;
    let off = Event { at: 12_345, act: Act::Off(NOTES[0]) };
    let sound = play(&prepared(&kit), 48_000.0, &[on(0, NOTES[0], 1.0), off], 16_000, &mut |_| 100);
    assert!(rms(&sound.main[0][8000..12_000]) > 0.1, "the loop sounds on past the end of the slice");
    assert!(sound.main[0][12_400..].iter().all(|&x| x == 0.0));
    // Release within half a millisecond at least.
    assert!(largest_step(&sound.main[0]) < OWN_STEP + 8.0 * FADE_STEP);
}

#[test]
fn stealing_fades_the_quietest_voice() {
    let mut kit = sine_kit(30.0, 1);
    let sine = kit.doc.pads[0].clone();
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        *pad = sine.clone();
        pad.note = 36 + p as u8;
        // Pad 15 is the quietest by a little; pad 14 stays free for the trigger that steals.
        pad.layers[0].settings.level_db = if p == 15 { -31.0 } else { -30.0 };
    }
    kit.doc.pads[14].layers[0].settings.level_db = -60.0;
    kit.doc.pads[14].note = 127;
    let mut events: Vec<Event> = (0..63).map(|i| on(0, 36 + (i % 14) as u8, 1.0)).collect();
    events.push(on(0, 51, 1.0));
    events.push(on(2000, 127, 1.0)); // a quarter of the period of 1,600 after a whole one
    let sound = play(&prepared(&kit), 48_000.0, &events, 6000, &mut |_| 64);
    let one = 0.5 * db_to_gain(-31.0_f32);
    assert!(largest_step(&sound.pads[15][0]) < one * (0.01 + 1.0 / 192.0), "the stolen voice fades");
    assert!(sound.pads[15][0][2300..].iter().all(|&x| x == 0.0), "the quietest voice has ended");
    assert!((0..14).all(|p| rms(&sound.pads[p][0][3000..6000]) > 0.3 * f64::from(one)));
}

#[test]
fn grains_that_ended_ahead_fit_the_pool_when_a_pitch_move_rewinds_them() {
    // More triggers than the pool can hold. Short grains end ahead of the output and make room for others; each
    // pitch move then rewinds them to before their end.
    let mut kit = groove::limited(&groove::dense_kit(4, 48)).kit.as_ref().clone();
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.slices[0].end = 100 + 20 * p as u64;
        pad.cloud.spread_ms = 1.0;
    }
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(prepared(&kit));
    let (mut max, mut trims) = (0, Trims::default());
    for block in 0..160 {
        (0..16).for_each(|pad| engine.trigger(pad, 1.0));
        // The pitch was constant before: 15 blocks are 20 ms.
        if block % 16 == 15 {
            trims.kit.pitch_st += 0.5;
            engine.set_trims(&trims);
        }
        engine.render(64);
        max = max.max(engine.meters().grains.load(Relaxed));
    }
    assert!(max > 1300, "the pool of 1536 was full before some ended: {max}");
    (0..100).for_each(|_| engine.render(64));
    assert_eq!(engine.meters().grains.load(Relaxed), 0, "and is empty afterwards");
    engine.trigger(3, 1.0);
    engine.render(256);
    assert!(engine.main()[0].iter().any(|&x| x != 0.0));
}

#[test]
fn a_choke_group_chokes_the_other_pads_but_not_itself() {
    let mut kit = sine_kit(60.0, 1);
    kit.doc.pads[1] = kit.doc.pads[0].clone();
    kit.doc.pads[1].note = 37;
    kit.doc.pads[0].settings.choke_group = 2;
    kit.doc.pads[1].settings.choke_group = 2;
    let events = [on(0, 36, 1.0), on(1000, 36, 1.0), on(3000, 37, 1.0)];
    let sound = play(&prepared(&kit), 48_000.0, &events, 9000, &mut |_| 64);
    assert!(rms(&sound.pads[0][0][1000..3000]) > 0.2);
    assert!(sound.pads[0][0][3300..].iter().all(|&x| x == 0.0));
    assert!(rms(&sound.pads[1][0][3300..]) > 0.2);
}

/// The diffusion of a cloud rings on behind its copies; a choke ends it as well, and a stroke that comes meanwhile has its
/// own.
#[test]
fn a_choke_ends_what_rings_in_the_diffusion() {
    let mut kit = sine_kit(700.0, 1);
    let cloud = &mut kit.doc.pads[0].cloud;
    (cloud.copies, cloud.spread_ms, cloud.diffusion, cloud.dry_db) = (24, 400.0, 1.0, -60.0);
    kit.doc.pads[1] = kit.doc.pads[0].clone();
    kit.doc.pads[1].note = 37;
    kit.doc.pads[0].settings.choke_group = 2;
    kit.doc.pads[1].settings.choke_group = 2;
    for ahead in [false, true] {
        kit.doc.pads[0].tone.limiter.on = ahead;
        let sound = |more: Option<Event>, block: u64| {
            let events: Vec<Event> = [on(0, 36, 1.0), on(6000, 37, 1.0)].into_iter().chain(more).collect();
            play(&prepared(&kit), 48_000.0, &events, 16_000, &mut |_| block).pads[0][0].clone()
        };
        let choked = sound(None, 64);
        let peak = |x: &[f32]| x.iter().fold(0.0f32, |p, x| p.max(x.abs()));
        let before = peak(&choked[3000..6000]);
        assert!(before > 0.01);
        // 12 ms, and then nothing
        assert!(peak(&choked[6600..]) < 1e-4 * before, "{} of {before}", peak(&choked[6600..]));
        let steps = choked[5900..6700].windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
        let usual = choked[3000..5900].windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
        assert!(steps <= usual, "a step of {steps} where {usual} are usual");
        assert!(sound(None, 50) == choked, "it does not depend on the blocks");
        let again = || Some(on(6200, 36, 1.0));
        let anew = sound(again(), 64);
        assert!(peak(&anew[7500..12_000]) > 0.5 * before && sound(again(), 50) == anew);
    }
}

#[test]
fn a_pads_limiter_looks_ahead_without_latency() {
    // A quiet tone, then a peak: the gain must be falling before the peak comes.
    let rate = 48_000;
    let samples: Vec<f32> = (0..6000)
        .map(|i| {
            let level = if (3000..3100).contains(&i) { 0.9 } else { 0.1 };
            level * (i as f32 * 0.2).sin()
        })
        .collect();
    let take = Arc::new(Take::from_samples("peak", rate, vec![samples.clone()]));
    let mut kit = bare_kit(take, 1);
    kit.doc.pads[0].variation = still();
    kit.doc.pads[0].layers[0].settings.hold_ms = 5000.0;
    kit.doc.pads[0].tone.limiter.on = true;
    kit.doc.pads[0].tone.limiter.threshold_db = -12.0;
    let at = 77;
    let sound = play(&prepared(&kit), 48_000.0, &[on(at, NOTES[0], 1.0)], 8000, &mut |_| 64);
    let output = &sound.main[0][at as usize..];
    let gain = |range: std::ops::Range<usize>| rms(&output[range.clone()]) / rms(&samples[range]);
    assert!((gain(1000..2800) - 1.0).abs() < 1e-3, "no delay and no gain before: {}", gain(1000..2800));
    assert!(gain(2985..3000) < 0.8, "the gain falls before the peak: {}", gain(2985..3000));
    assert!(output[3000..3100].iter().all(|x| x.abs() <= 0.2513));
}
