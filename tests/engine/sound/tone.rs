//! The tone chain of a pad, measured at the output of the engine: bypass, order, tilt, the bell that follows the note.

use super::{RATE, level_db, plain, sine};
use crate::support::*;
use kitwright_core::{
    demo::borrowed_cello,
    engine::Engine,
    kit::{Band, Kit, Slice, TakeEntry, Tone, ToneStage, Trims},
    listen::{Description, DetectOptions, Hit, detect},
    progress::Quiet,
    take::Take,
    units::{db_to_gain, power_to_db},
};
use std::sync::Arc;

/// The demo take, and two recordings with the feature `test-recordings`.
fn takes() -> Vec<(&'static str, Arc<Take>)> {
    [
        ("invented take", Arc::new(borrowed_cello(1).0)),
        #[cfg(feature = "test-recordings")]
        recorded("dr1_guitar_arpeggio.flac"),
        #[cfg(feature = "test-recordings")]
        recorded("dr2_tabla_loop.flac"),
    ]
    .to_vec()
}

#[cfg(feature = "test-recordings")]
fn recorded(name: &'static str) -> (&'static str, Arc<Take>) {
    let file = crate::data::recordings("real").join(name);
    (name, Arc::new(Take::read(file, &Quiet).expect("a recording")))
}

/// A pad that plays the loudest hit of a take through a strong chain.
fn kit_of(take: &Arc<Take>, hits: &[Hit], tone: Tone) -> Kit {
    let mut kit = bare_kit(take.clone(), 1);
    let mut loud: Vec<&Hit> = hits.iter().collect();
    loud.sort_by(|a, b| b.description.peak_db.total_cmp(&a.description.peak_db));
    let pad = &mut kit.doc.pads[0];
    pad.variation = still();
    pad.slices = loud
        .iter()
        .take(1)
        .map(|h| Slice {
            take: 0,
            start: h.start,
            end: h.end,
            gain_db: (-6.0 - h.description.peak_db).clamp(-24.0, 48.0),
            velocities: [0.0, 1.0],
        })
        .collect();
    pad.tone = tone;
    kit.doc.takes = vec![TakeEntry::new(take, hits.to_vec())];
    kit
}

/// Triggers of several velocities over two seconds without bypass, then two seconds with stages bypassed, as when a
/// player compares. Returns the second half.
fn triggers(kit: &Kit, stages: u8, whole: bool) -> [Vec<f32>; 2] {
    let mut trims = Trims::default();
    trims.kit.ceiling_on = false;
    let mut engine = Engine::new(RATE);
    engine.set_trims(&trims);
    engine.set_kit(prepared(kit));
    let events: Vec<Event> =
        (0..5).map(|i| on(i * 19_200, NOTES[0], [1.0, 0.7, 0.9, 0.5, 0.8][i as usize % 5])).collect();
    perform(&mut engine, &events, 96_000, &mut |_| 256);
    trims.pads[0].tone = !whole;
    engine.set_trims(&trims);
    engine.bypass(0, stages);
    perform(&mut engine, &events, 96_000, &mut |_| 256).main
}

fn loudness(sound: &[Vec<f32>; 2]) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, RATE as u32, ebur128::Mode::I).expect("a meter");
    meter.add_frames_planar_f32(&[&sound[0], &sound[1]]).expect("measured");
    meter.loudness_global().expect("a loudness")
}

/// By ebur128 (ITU-R BS.1770), within 1 LU: about the smallest audible difference. Common practice, no source.
#[test]
fn every_stage_is_bypassed_at_its_own_loudness_on_real_sounds() {
    let mut worst = 0.0_f64;
    for (name, take) in takes() {
        let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("hits");
        for stage in ToneStage::ALL {
            let kit = kit_of(&take, &hits, figures::tone::only(stage));
            let (with, without) = (triggers(&kit, 0, false), triggers(&kit, 1 << stage as u8, false));
            assert!(with != without, "{name}: {stage:?} is audible");
            let apart = loudness(&without) - loudness(&with);
            println!("{name}: {stage:?} bypassed {apart:+.2} LU louder");
            worst = worst.max(apart.abs());
        }
        let kit = kit_of(&take, &hits, figures::tone::full());
        let apart = loudness(&triggers(&kit, 0, true)) - loudness(&triggers(&kit, 0, false));
        println!("{name}: the whole chain bypassed {apart:+.2} LU louder");
        worst = worst.max(apart.abs());
    }
    assert!(worst < 1.0, "{worst:.2} LU");
}

#[test]
fn the_order_of_the_stages_is_audible_and_saved_in_the_kit() {
    let take = Arc::new(borrowed_cello(1).0);
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("hits");
    let usual = kit_of(&take, &hits, figures::tone::full());
    let mut turned = usual.clone();
    turned.doc.pads[0].tone.order.reverse();
    assert!(triggers(&usual, 0, false) != triggers(&turned, 0, false), "another order sounds different");
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("turned.kitwright");
    turned.save(&path, &Quiet).expect("saved");
    let loaded = Kit::load(&path, &Quiet).expect("loaded");
    assert_eq!(loaded.doc.pads[0].tone.order, turned.doc.pads[0].tone.order);
    assert!(triggers(&loaded, 0, false) == triggers(&turned, 0, false), "to the bit");
}

/// Level at `hz` with a change of the pad, against the pad without, dB.
fn gain(hz: f64, trims: &Trims, change: impl Fn(&mut Kit)) -> f64 {
    let mut kit = plain(sine(hz, 40_000));
    let entry = kit.takes[0].clone();
    // The fundamental that detection found.
    let described = Description { pitch_hz: Some(hz as f32), ..Description::default() };
    kit.doc.takes = vec![TakeEntry::new(
        &entry,
        vec![Hit { start: 0, end: 40_000, by_hand: false, description: described }],
    )];
    let level = |kit: &Kit| {
        let trimmed = Event { at: 0, act: Act::Trims(Box::new(trims.clone())) };
        let mut engine = Engine::new(RATE);
        engine.set_kit(prepared(kit));
        let sound = perform(&mut engine, &[trimmed, on(0, NOTES[0], 1.0)], 20_000, &mut |_| 64);
        level_db(&sound.main[0][8000..20_000])
    };
    let without = level(&kit);
    change(&mut kit);
    level(&kit) - without
}

/// The prototype `(g s + 1) / (s + g)` at `s = j hz / 1000`.
#[test]
fn tilt_follows_its_prototype_around_1_khz() {
    for db in [6.0_f32, -6.0] {
        for hz in [60.0, 400.0, 1000.0, 2500.0, 9000.0] {
            let (g, s) = (db_to_gain(f64::from(db)), hz / 1000.0);
            let wanted = power_to_db((g * g * s * s + 1.0) / (s * s + g * g));
            let made = gain(hz, &Trims::default(), |k| k.doc.pads[0].tone.tilt_db = db);
            assert!((made - wanted).abs() < 0.3, "{db} dB at {hz} Hz: {made:.2} dB, {wanted:.2} dB");
        }
    }
}

#[test]
fn a_tilt_is_played_up_to_24_db() {
    for db in [24.0_f32, -24.0] {
        // On the side that it lowers, so that the ceiling does not act.
        let hz = if db > 0.0 { 60.0 } else { 9000.0 };
        let made = gain(hz, &Trims::default(), |k| k.doc.pads[0].tone.tilt_db = db);
        let half = gain(hz, &Trims::default(), |k| k.doc.pads[0].tone.tilt_db = db / 2.0);
        assert!(made < half - 5.0, "{db} dB at {hz} Hz: {made:.2} dB, half of it {half:.2} dB");
    }
}

#[test]
fn a_slice_is_lifted_and_lowered_by_120_db() {
    for db in [120.0_f32, -120.0] {
        let without = gain(400.0, &Trims::default(), |k| {
            let pad = &mut k.doc.pads[0];
            pad.slices[0].gain_db = db;
            // The remaining gain is within the levels of pads and layers.
            (pad.layers[0].settings.level_db, pad.settings.level_db) =
                if db > 0.0 { (-60.0, -60.0) } else { (24.0, 24.0) };
        });
        let wanted = if db > 0.0 { 0.0 } else { -72.0 };
        assert!((without - wanted).abs() < 0.1, "{db} dB: {without:.2} dB, {wanted} dB");
    }
}

#[test]
fn the_note_bell_follows_the_pitch_of_the_pad() {
    for (st, cents, trim, kit_trim) in [
        (0.0, 0.0, 0.0, 0.0),
        (7.0, 0.0, 0.0, 0.0),
        (-5.0, 30.0, 0.0, 0.0),
        (0.0, 0.0, 4.0, 0.0),
        (3.0, 0.0, -8.0, 0.0),
        (0.0, 0.0, 0.0, 5.0),
        (0.0, 0.0, 3.0, -7.0),
    ] {
        let mut trims = Trims::default();
        trims.pads[0].pitch_st = trim;
        trims.kit.pitch_st = kit_trim;
        let pitched = |k: &mut Kit| {
            let s = &mut k.doc.pads[0].layers[0].settings;
            (s.pitch_st, s.fine_ct) = (st, cents);
        };
        let made = gain(300.0, &trims, |k| {
            pitched(k);
            // At its own frequency it would do nothing here.
            k.doc.pads[0].tone.note_bell = Band { on: true, hz: 8000.0, gain_db: 9.0, q: 8.0 };
        }) - gain(300.0, &trims, pitched);
        assert!(
            (made - 9.0).abs() < 0.1,
            "pitch {st} st {cents} ct, trims {trim} and {kit_trim} st: {made:+.2} dB"
        );
    }
}
