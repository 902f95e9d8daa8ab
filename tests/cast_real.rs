//! Casting of recorded takes (`../shared/data`): a fitted kit still tells which instrument it came from.

use kitwright::{
    cast::{CastOptions, features::Features, make_kit},
    export::render_pad,
    kit::{Kit, Role},
    listen::{HearOptions, hear},
    progress::Quiet,
    take::Take,
};
use std::{path::Path, sync::Arc};

/// The measures of each pad of a kit from a part of a take; `None` without the recordings.
fn pads_of(name: &str, fit: f32, seed: u64, roles: &[Role]) -> Option<Vec<Features>> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/takes").join(name);
    if !file.is_file() {
        return None;
    }
    let take = Take::read(&file, &Quiet).expect("read");
    // the first twelve seconds: enough strokes to choose from, and a short test
    let frames = take.frames().min(12 * take.sample_rate as usize);
    let channels = take.channels.iter().map(|c| c[..frames].to_vec()).collect();
    let take = Arc::new(Take::from_samples(name, take.sample_rate, channels));
    let hits = hear(&take, &HearOptions::default(), &Quiet).expect("heard");
    let options = CastOptions { fit, seed, roles: Some(roles.to_vec()), ..CastOptions::default() };
    let kit: Kit = make_kit(&[(take, hits)], &options, &Quiet).expect("made");
    let kit = Arc::new(kit);
    let measured = roles.iter().map(|role| {
        let pad = kit.doc.pads.iter().position(|p| p.role == *role && !p.is_empty()).expect("a pad");
        // as the kit plays it, with the draws of its own seed
        let [left, right] = render_pad(&kit, pad, 110.0 / 127.0, 48_000, &Quiet).expect("played");
        let mono: Vec<f32> = left.iter().zip(&right).map(|(l, r)| (l + r) * 0.5).collect();
        Features::of(&mono, 48_000.0).expect("heard")
    });
    Some(measured.collect())
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
    // the floors: twice as far at half the fit, 1.3 times at full fit
    for (fit, floor) in [(0.5, 2.0), (1.0, 1.3)] {
        let take = |name, seed| pads_of(name, fit, seed, &roles);
        let (Some(steel), Some(again), Some(marimba)) =
            (take("d01_steel_guitar.flac", 1), take("d01_steel_guitar.flac", 2), take("d07_marimba.flac", 1))
        else {
            eprintln!("skipped: ../shared/data is absent");
            return;
        };
        let (same, other) = (apart_db(&steel, &again), apart_db(&steel, &marimba));
        assert!(
            other >= floor * same,
            "fit {fit}: {other:.1} dB between instruments, {same:.1} dB within one"
        );
    }
}
