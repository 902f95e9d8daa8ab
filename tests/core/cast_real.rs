//! Casting of recorded takes: kits of different instruments stay different when they are fitted.

use crate::data::recordings;
use kitwright_core::{
    cast::{
        CastOptions,
        auditioner::{self, Auditioner},
        balance,
        features::Features,
        make_kit, resonances,
    },
    engine::PlayKit,
    export::{RenderOptions, Score, groove_midi, render, render_pad},
    kit::{Kit, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
    units::gain_to_db,
};
use std::sync::Arc;

/// A kit from the first twelve seconds of a take: enough strokes to choose from, and a short test.
fn kit_of(name: &str, fit: f32, seed: u64, roles: &[Role]) -> Kit {
    let take = Take::read(recordings("takes").join(name), &Quiet).expect("read");
    let frames = take.frames().min(12 * take.sample_rate as usize);
    let channels = take.channels.iter().map(|c| c[..frames].to_vec()).collect();
    let take = Arc::new(Take::from_samples(name, take.sample_rate, channels));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
    let options = CastOptions { fit, seed, roles: Some(roles.to_vec()), ..CastOptions::default() };
    make_kit(&[(take, hits)], &options, &Quiet).expect("made")
}

/// The measures of each pad of a kit from a part of a take.
fn pads_of(name: &str, fit: f32, seed: u64, roles: &[Role]) -> Vec<Features> {
    let kit = Arc::new(kit_of(name, fit, seed, roles));
    let measured = roles.iter().map(|role| {
        let pad = kit.doc.pads.iter().position(|p| p.role == *role && !p.is_empty()).expect("a pad");
        // Played as in the kit, with the draws of its seed.
        let [left, right] = render_pad(&kit, pad, 110.0 / 127.0, 48_000, &Quiet).expect("played");
        let mono: Vec<f32> = left.iter().zip(&right).map(|(l, r)| (l + r) * 0.5).collect();
        Features::of(&mono, 48_000.0).expect("detected")
    });
    measured.collect()
}

/// Mean over the roles of the root mean square difference of level-matched bands over time, dB.
fn apart_db(a: &[Features], b: &[Features]) -> f32 {
    let one = |(a, b): (&Features, &Features)| {
        let (a, b) = (a.bands_db.as_flattened(), b.bands_db.as_flattened());
        (a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / a.len() as f32).sqrt()
    };
    a.iter().zip(b).map(one).sum::<f32>() / a.len() as f32
}

#[test]
fn kits_of_different_instruments_lie_further_apart_than_kits_of_one_take() {
    let roles = [Role::Kick, Role::Rim, Role::ClosedHat, Role::LowTom];
    // No source: twice as far at half the fit, 1.3 times at full fit.
    for (fit, floor) in [(0.5, 2.0), (1.0, 1.3)] {
        let take = |name, seed| pads_of(name, fit, seed, &roles);
        let (steel, again) = (take("d01_steel_guitar.flac", 1), take("d01_steel_guitar.flac", 2));
        let marimba = take("d07_marimba.flac", 1);
        let (same, other) = (apart_db(&steel, &again), apart_db(&steel, &marimba));
        println!("fit {fit}: {other:.1} dB between instruments, {same:.2} dB within one");
        assert!(
            other >= floor * same,
            "fit {fit}: {other:.1} dB between instruments, {same:.1} dB within one"
        );
    }
}

#[test]
fn kits_of_recorded_takes_are_balanced() {
    let roles = [Role::Kick, Role::Snare, Role::ClosedHat, Role::Percussion];
    for name in ["d01_steel_guitar.flac", "d04_nylon_guitar.flac"] {
        let mut kit = kit_of(name, 0.7, 1, &roles);
        let mut auditioner = Auditioner::new(&kit);
        let mut lufs = |role: Role| {
            let pads = kit.doc.pads.iter().filter(|p| p.role == role && !p.is_empty());
            let loud = pads.filter_map(|pad| {
                let [left, right] = auditioner.play(pad, 1.2);
                balance::loudness(&left, &right)
            });
            loud.fold(f32::MIN, f32::max)
        };
        let kick = lufs(Role::Kick);
        for role in roles {
            // No pad is louder than the kick by more than 2 LU.
            assert!(lufs(role) <= kick + 2.0, "{name}: {role} at {:.1} LU over the kick", lufs(role) - kick);
        }
        kit.doc.trims.kit.ceiling_on = false;
        let score = Score::parse(&groove_midi(&kit)).expect("a groove");
        let play = Arc::new(PlayKit::new(Arc::new(kit), 48_000.0));
        let options = RenderOptions { rate: 48_000, ..RenderOptions::default() };
        let mut peak = 0.0f32;
        render(&play, &score, options, &Quiet, &mut |engine, n| {
            peak = engine.main().iter().flat_map(|c| &c[..n]).fold(peak, |a, x| a.max(x.abs()));
            Ok(())
        })
        .expect("played");
        let peak_db = gain_to_db(peak);
        assert!((-7.0..=-5.0).contains(&peak_db), "{name}: the groove peaks at {peak_db:.1} dBFS");
    }
}

#[test]
fn the_tones_of_recorded_hats_and_shakers_are_dipped() {
    let (mut found, mut fell) = (0, 0.0);
    for name in ["d01_steel_guitar.flac", "d07_marimba.flac"] {
        let kit = kit_of(name, 1.0, 1, &[Role::ClosedHat, Role::Shaker]);
        let mut auditioner = Auditioner::new(&kit);
        for pad in kit.doc.pads.iter().filter(|p| !p.tone.dips.is_empty()) {
            let mut heights = |amount: f32| {
                let mut pad = pad.clone();
                pad.tone.dip_amount = amount;
                let [left, right] = auditioner.play(&pad, 0.8);
                let tones = resonances::partials(&auditioner::mono(&left, &right), auditioner::AUDITION_RATE);
                tones.iter().map(|p| p.over_db).sum::<f32>()
            };
            // all tones together: a single one may come to stand higher over a noise that the dips have thinned
            let (without, with) = (heights(0.0), heights(1.0));
            println!("{name}, {}: {} dips, {without:.1} -> {with:.1} dB", pad.role, pad.tone.dips.len());
            assert!(
                with < 0.5 * without,
                "{name}, {}: tones of {without:.1} dB over the noise together, {with:.1} with dips",
                pad.role
            );
            found += 1;
            fell += without - with;
        }
    }
    assert!(found > 0, "no pad has dips");
    assert!(fell / found as f32 > 12.0, "tones are only {:.1} dB lower", fell / found as f32);
}
