//! Casting of recorded takes: kits of different instruments stay different when they are fitted.

use crate::{cast::groove_level, data::recordings};
use kitwright_core::{
    cast::{
        CastOptions,
        auditioner::{self, Auditioner},
        balance,
        features::Features,
        make_kit, resonances, target_of,
    },
    export::render_pad,
    kit::{Kit, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
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
    let roles = [Role::Kick, Role::ClosedHat, Role::LowTom];
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
        let kit = kit_of(name, 0.7, 1, &roles);
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
        let (lufs, peak_db) = groove_level(&kit);
        // as loud as any other kit, unless its peak would stand too high
        let off = lufs - balance::GROOVE_LUFS;
        let held = peak_db > balance::MAX_GROOVE_PEAK_DB - 0.5;
        assert!(
            off < 0.5 && (off > -0.5 || held),
            "{name}: the groove has {lufs:.1} LUFS, {peak_db:.1} dBFS"
        );
        assert!(
            peak_db <= balance::MAX_GROOVE_PEAK_DB + 0.5,
            "{name}: the groove peaks at {peak_db:.1} dBFS"
        );
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
            if without < 1.0 {
                continue; // this stroke has none, another one had
            }
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

/// Recorded snares as targets: the pad's bands come nearer to each of them than by the role's profile.
#[test]
fn a_snare_comes_nearer_to_the_snare_that_the_player_gave() {
    let take = Take::read(recordings("takes/d06_tabla.flac"), &Quiet).expect("read");
    let samples = vec![take.channels[0][..12 * take.sample_rate as usize].to_vec()];
    let take = Arc::new(Take::from_samples("tabla", take.sample_rate, samples));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
    let snare = |targets: std::collections::BTreeMap<Role, kitwright_core::kit::Target>| {
        let options = CastOptions { roles: Some(vec![Role::Snare]), targets, ..CastOptions::default() };
        let kit = make_kit(&[(take.clone(), hits.clone())], &options, &Quiet).expect("made");
        let pad = kit.doc.pads.iter().find(|p| !p.is_empty()).expect("a snare");
        Auditioner::new(&kit).measure(pad).expect("it sounds")
    };
    let without = snare(Default::default());
    let mut files: Vec<_> = std::fs::read_dir(recordings("drums/snare")).expect("a folder").collect();
    files.sort_by_key(|f| f.as_ref().expect("a file").file_name());
    for file in files.iter().step_by(13).take(3) {
        let path = file.as_ref().expect("a file").path();
        let target = target_of(&Take::read(&path, &Quiet).expect("read")).expect("measured");
        let wanted = Features::from_row(&target.measures).expect("whole");
        let with = snare([(Role::Snare, target)].into());
        let [near, far] = [&with, &without].map(|f| bands_apart_db(f, &wanted));
        println!("{}: {far:.1} dB without it, {near:.1} dB with it", path.display());
        assert!(near < far - 0.5, "{}: {far:.1} dB without it, {near:.1} dB with it", path.display());
    }
}

/// Root mean square difference of the bands that are heard in either sound, dB.
fn bands_apart_db(a: &Features, b: &Features) -> f32 {
    let pairs = a.bands_db.iter().flatten().zip(b.bands_db.iter().flatten());
    let heard = pairs.map(|(a, b)| (a.max(-40.0), b.max(-40.0))).filter(|(a, b)| a.max(*b) > -40.0);
    let (sum, count) = heard.fold((0.0, 0.0f32), |(sum, n), (a, b)| (sum + (a - b) * (a - b), n + 1.0));
    (sum / count.max(1.0)).sqrt()
}
