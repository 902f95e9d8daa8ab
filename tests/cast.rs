//! Casting: a take becomes a kit that is in proportion, whatever the take is like.

use kitwright::{
    cast::{CastOptions, audition::Stage, balance, make_kit},
    demo::borrowed_cello,
    engine::PlayKit,
    export::{RenderOptions, Score, groove_midi, render},
    kit::{Kit, Role},
    listen::{HearOptions, hear},
    progress::Quiet,
    take::Take,
};
use std::sync::{Arc, LazyLock};

/// The kit of a take.
fn kit_of(take: Take, options: &CastOptions) -> Kit {
    let take = Arc::new(take);
    let hits = hear(&take, &HearOptions::default(), &Quiet).expect("heard");
    make_kit(&[(take, hits)], options, &Quiet).expect("made")
}

/// A fresh kit of the invented recording, fully shaped.
static DEMO: LazyLock<Kit> =
    LazyLock::new(|| kit_of(borrowed_cello(1).0, &CastOptions { fit: 1.0, ..CastOptions::default() }));

/// Loudness of each pad that sounds, LUFS.
fn loudness(kit: &Kit) -> Vec<(Role, f32)> {
    let mut stage = Stage::new(kit);
    let pads = kit.doc.pads.iter().filter(|p| !p.is_empty());
    pads.filter_map(|pad| {
        let [left, right] = stage.play(pad, 1.2);
        Some((pad.role, balance::loudness(&left, &right)?))
    })
    .collect()
}

/// Peak of the project's groove, dBFS, played without the ceiling.
fn groove_peak_db(kit: &Kit) -> f32 {
    let mut kit = kit.clone();
    kit.doc.trims.kit.ceiling_on = false;
    let score = Score::parse(&groove_midi(&kit)).expect("a groove");
    let play = Arc::new(PlayKit::new(Arc::new(kit), 48_000.0));
    let mut peak = 0.0f32;
    render(
        &play,
        &score,
        RenderOptions { rate: 48_000, ..RenderOptions::default() },
        &Quiet,
        &mut |engine, n| {
            peak = engine.main().iter().flat_map(|c| &c[..n]).fold(peak, |a, x| a.max(x.abs()));
            Ok(())
        },
    )
    .expect("played");
    20.0 * peak.log10()
}

#[test]
fn a_fresh_kit_is_balanced_by_loudness() {
    let loud = loudness(&DEMO);
    let kick = loud.iter().find(|(role, _)| *role == Role::Kick).expect("a kick").1;
    for &(role, lufs) in &loud {
        let over = lufs - kick;
        // no pad may be more than 2 LU above the kick; ours stay at or below their role's offset
        assert!(over <= balance::offset_lu(role) + 0.3, "{role} is {over:.1} LU beside the kick");
        // and only what would peak too high stays far below it
        assert!(over >= balance::offset_lu(role) - 8.0, "{role} is {over:.1} LU beside the kick");
    }
    assert!(Role::ALL.iter().all(|&r| balance::offset_lu(r) <= 2.0));
}

#[test]
fn the_groove_of_a_fresh_kit_peaks_near_6_db_below_full_scale() {
    // strokes vary by 0.8 dB, and tails overlap: 2 dB either way
    let peak = groove_peak_db(&DEMO);
    assert!((-8.0..=-4.0).contains(&peak), "the groove peaks at {peak:.1} dBFS");
}

#[test]
fn soft_strokes_of_one_sound_become_its_soft_velocities() {
    // one tone struck eight times, every other time 24 dB softer, over a floor that both stand out of
    let mut samples = vec![0.0f32; 12_000];
    for stroke in 0..8 {
        let peak = if stroke % 2 == 0 { 0.7 } else { 0.044 };
        samples.extend((0..24_000).map(|i| {
            let t = i as f32 / 48_000.0;
            peak * (std::f32::consts::TAU * 180.0 * t).sin() * (-14.0 * t).exp()
        }));
    }
    let options = CastOptions { roles: Some(vec![Role::LowTom]), ..CastOptions::default() };
    let kit = kit_of(Take::from_samples("tom", 48_000, vec![samples]), &options);
    let pad = kit.doc.pads.iter().find(|p| !p.is_empty()).expect("a low tom");
    assert_eq!(pad.slices.len(), 8);
    for slice in &pad.slices {
        let soft = (slice.start + 100 - 12_000) / 24_000 % 2 == 1;
        let [low, high] = slice.velocities;
        assert!(if soft { low == 0.0 && high < 0.4 } else { high == 1.0 && low > 0.1 }, "{slice:?}");
    }
}
