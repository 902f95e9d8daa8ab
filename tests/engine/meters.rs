//! Meters for the window: gain reductions, the cloud as it was drawn, the latest output.

use crate::support::*;
use kitwright_core::{
    engine::{Engine, Meters, ScopeSource, ShownGrain},
    kit::{Draw, Kit, Trims},
};
use std::sync::atomic::Ordering::Relaxed;

fn engine(kit: &Kit) -> Engine {
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(prepared(kit));
    engine
}

/// Reductions of pad 0 since the last call: limiter, punch, low band, colour, ceiling.
fn taken(meters: &Meters) -> [f32; 5] {
    let r = &meters.reductions[0];
    [&r.limiter_db, &r.punch_db, &r.low_band_db, &r.colour_db, &r.ceiling_db].map(Meters::take_peak)
}

#[test]
fn each_gain_reduction_is_shown_by_its_own_meter_only() {
    type Change = fn(&mut Kit);
    let changes: [Change; 6] = [
        |_| (),
        |k| k.doc.pads[0].tone.limiter.on = true,
        |k| k.doc.pads[0].tone.punch.on = true,
        |k| k.doc.pads[0].tone.low_band.on = true,
        |k| k.doc.pads[0].tone.colour.on = true,
        |k| k.doc.pads[0].settings.level_db = 12.0,
    ];
    for (which, change) in changes.into_iter().enumerate() {
        let mut kit = bare_kit(sine_take(48_000, 100.0, 1.0), 1);
        kit.doc.pads[0].variation = still();
        let tone = &mut kit.doc.pads[0].tone;
        tone.limiter.threshold_db = -18.0;
        tone.colour.threshold_db = -18.0;
        tone.punch.threshold_db = -30.0;
        tone.low_band.threshold_db = -30.0;
        kit.doc.pads[0].layers[0].settings.hold_ms = 1000.0;
        change(&mut kit);
        let mut engine = engine(&kit);
        let meters = engine.meters();
        engine.note_on(NOTES[0], 1.0);
        for _ in 0..40 {
            engine.render(256);
        }
        let shown = taken(&meters);
        for (i, db) in shown.into_iter().enumerate() {
            assert_eq!(db > 3.0, i + 1 == which, "change {which}: {shown:?}");
            assert!(i + 1 == which || db == 0.0, "change {which}: {shown:?}");
        }
        assert_eq!(taken(&meters), [0.0; 5], "reading resets the meters");
        // The sine of -6 dB at a threshold of -18 dB.
        if which == 1 {
            assert!((shown[0] - 12.0).abs() < 0.05, "{shown:?}");
        }
    }
}

#[test]
fn the_main_ceiling_shows_its_reduction_only_while_it_is_on() {
    let mut kit = bare_kit(sine_take(48_000, 1000.0, 1.0), 1);
    kit.doc.pads[0].settings.level_db = 12.0;
    let mut engine = engine(&kit);
    let meters = engine.meters();
    for on in [true, false] {
        let mut trims = Trims::default();
        trims.kit.ceiling_on = on;
        engine.set_trims(&trims);
        (0..10).for_each(|_| engine.render(256));
        Meters::take_peak(&meters.main_ceiling_db);
        engine.note_on(NOTES[0], 1.0);
        (0..10).for_each(|_| engine.render(256));
        let db = Meters::take_peak(&meters.main_ceiling_db);
        assert_eq!(db > 1.0, on, "{db} dB");
        assert!(on || db == 0.0);
    }
}

#[test]
fn the_cloud_is_shown_as_it_was_drawn_and_played() {
    let mut kit = bare_kit(click_take(48_000), 1);
    let pad = &mut kit.doc.pads[0];
    pad.variation = still();
    pad.cloud.copies = 20;
    pad.cloud.spread_ms = 200.0;
    pad.cloud.pitch_st = 5.0;
    pad.cloud.pitch_draw = Draw::Gaussian;
    pad.cloud.reverse_chance = 0.5;
    pad.cloud.dry_db = -60.0;
    pad.cloud.width = 1.0;
    let mut engine = engine(&kit);
    let meters = engine.meters();
    let mut grains = vec![ShownGrain::default()];
    assert!(meters.last_cloud[0].read(&mut grains) && grains.is_empty());
    engine.note_on(NOTES[0], 1.0);
    assert!(meters.last_cloud[0].read(&mut grains));
    assert_eq!(grains.len(), 20);
    assert_eq!(meters.last_trigger[0].grains.load(Relaxed), 20);
    let within = |c: &ShownGrain| {
        (0.0..=200.0).contains(&c.delay_ms)
            && c.pitch_st.abs() <= 15.0
            && (-6.0..=0.0).contains(&c.level_db)
            && c.pan.abs() <= 1.0
            && (0.7..=1.0).contains(&c.length)
    };
    assert!(grains.iter().all(within), "{grains:?}");
    let turned = grains.iter().filter(|c| c.reverse).count();
    assert!((1..20).contains(&turned));
    // Each grain sounds from its shown time on; forward ones start at their peak.
    let (mut left, mut right) = (Vec::new(), Vec::new());
    for _ in 0..60 {
        engine.render(256);
        left.extend_from_slice(engine.main()[0]);
        right.extend_from_slice(engine.main()[1]);
    }
    let step = |x: &[f32], at: usize| x[at..at + 200].iter().fold(0.0f32, |p, x| p.max(x.abs()));
    let early = grains.iter().filter(|c| !c.reverse).min_by(|a, b| a.delay_ms.total_cmp(&b.delay_ms));
    let first = early.expect("some run forwards");
    let at = (first.delay_ms * 48.0) as usize;
    let side = if first.pan < 0.0 { &left } else { &right };
    assert!(step(side, at) > 3.0 * step(side, at.saturating_sub(201)).max(1e-4), "{first:?}");
    // Another trigger draws another cloud.
    engine.note_on(NOTES[0], 1.0);
    let mut next = Vec::new();
    assert!(meters.last_cloud[0].read(&mut next) && next != grains);
}

#[test]
fn the_scope_follows_the_chosen_output() {
    let mut kit = bare_kit(sine_take(48_000, 500.0, 1.0), 1);
    kit.doc.pads[1] = kit.doc.pads[0].clone();
    kit.doc.pads[1].note = NOTES[1];
    kit.doc.pads[1].settings.pan = 0.7;
    let mut engine = engine(&kit);
    let meters = engine.meters();
    let mut shown = vec![[0.0; 2]; 512];
    for (source, pad) in
        [(ScopeSource::Main, None), (ScopeSource::Pad(0), Some(0)), (ScopeSource::Pad(1), Some(1))]
    {
        meters.scope.listen(source);
        engine.note_on(NOTES[0], 1.0);
        engine.note_on(NOTES[1], 1.0);
        let mut put_out = Vec::new();
        for n in [200, 256, 100, 3] {
            engine.render(n);
            let [l, r] = pad.map_or(engine.main(), |p| engine.pad(p));
            put_out.extend(l.iter().zip(r).take(n).map(|(l, r)| [*l, *r]));
        }
        assert!(meters.scope.latest(&mut shown).is_some());
        assert_eq!(shown, put_out[put_out.len() - 512..], "{source:?}");
        assert!(shown.iter().any(|f| f[0].abs() > 0.1));
    }
    meters.scope.listen(ScopeSource::Off);
    engine.render(100);
    assert_eq!(meters.scope.source(), ScopeSource::Off);
}
