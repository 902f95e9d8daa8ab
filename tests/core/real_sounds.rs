//! Recorded one-shots in a row are detected where they start and become a whole kit.
//!
//! The sounds come from the recordings (feature `test-recordings`) or, without that feature, from the Debian package
//! sonic-pi-samples (CC0-1.0; feature `test-packaged-sounds`), which `cargo xtask test` installs.

use kitwright_core::{
    cast::{CastOptions, make_kit},
    kit::Pad,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
    units::db_to_power,
};
use std::{collections::BTreeSet, path::PathBuf, sync::Arc};

const RATE: u32 = 44_100;
/// Limit of the sounds in a row.
const MAX_SOUNDS: usize = 40;

/// Folders of struck and plucked sounds, one for each instrument, and how their files' names begin.
#[cfg(feature = "test-recordings")]
fn folders() -> (Vec<PathBuf>, Vec<&'static str>) {
    let instruments = ["tabla", "marimba", "steel_guitar", "nylon_guitar", "electric_guitar", "bass_guitar"];
    (instruments.map(|i| crate::data::recordings("articulations").join(i)).to_vec(), vec![""])
}

/// The package's folder, and how the names of its drums and percussion begin.
#[cfg(not(feature = "test-recordings"))]
fn folders() -> (Vec<PathBuf>, Vec<&'static str>) {
    let names = vec!["drum_bass", "drum_snare", "drum_tom", "tabla_t", "tabla_n", "bd_", "sn_"];
    (vec![PathBuf::from("/usr/share/sonic-pi/samples")], names)
}

/// The sounds in order of their paths.
fn sounds() -> Vec<PathBuf> {
    let (folders, prefixes) = folders();
    let mut files: Vec<PathBuf> = folders
        .iter()
        .flat_map(|f| std::fs::read_dir(f).unwrap_or_else(|e| panic!("no sounds in {}: {e}", f.display())))
        .map(|entry| entry.expect("an entry").path())
        .filter(|f| f.extension().is_some_and(|e| e == "flac"))
        .filter(|f| {
            prefixes.iter().any(|p| f.file_name().is_some_and(|n| n.to_string_lossy().starts_with(p)))
        })
        .collect();
    files.sort();
    files.truncate(MAX_SOUNDS);
    files
}

/// First frame where the 1 ms RMS envelope is within 26 dB of its maximum.
fn onset(x: &[f32]) -> usize {
    let step = RATE as usize / 1000;
    let power: Vec<f32> =
        x.chunks(step).map(|c| c.iter().map(|s| s * s).sum::<f32>() / step as f32).collect();
    let loudest = power.iter().copied().fold(0.0, f32::max);
    power.iter().position(|&p| p >= loudest * db_to_power(-26.0_f32)).unwrap_or(0) * step
}

#[test]
fn recorded_one_shots_become_a_kit() {
    let files = sounds();
    let (mut row, mut truth) = (vec![0.0_f32; RATE as usize / 2], Vec::new());
    for file in &files {
        let take = Take::read(file, &Quiet).expect("a recording");
        if take.sample_rate != RATE {
            continue;
        }
        let x = &take.channels[0][..take.frames().min(RATE as usize / 2)];
        truth.push((row.len() + onset(x)) as f64 / f64::from(RATE));
        // Faded out, so that the cut does not sound like another hit.
        row.extend(x.iter().enumerate().map(|(i, s)| s * (1.0 - i as f32 / x.len() as f32)));
        row.resize(row.len() + RATE as usize / 4, 0.0);
    }
    assert!(truth.len() >= 16, "only {} sounds", truth.len());
    let take = Arc::new(Take::from_samples("row.wav", RATE, vec![row]));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
    let starts: Vec<f64> = hits.iter().map(|h| h.start as f64 / f64::from(RATE)).collect();
    let found = truth.iter().filter(|t| starts.iter().any(|s| (s - *t).abs() <= 0.025)).count();
    println!("{found} of {} sounds within 25 ms, {} hits", truth.len(), hits.len());
    assert!(found * 10 >= truth.len() * 9, "{found} of {} sounds were detected", truth.len());

    let options = CastOptions { fit: 1.0, effort: 0.05, ..CastOptions::default() };
    let kit = make_kit(&[(take, hits)], &options, &Quiet).expect("a kit");
    let again = make_kit(&[(kit.takes[0].clone(), kit.doc.takes[0].hits.clone())], &options, &Quiet);
    assert_eq!(again.expect("a kit").doc, kit.doc, "the same seed, the same kit");
    kit.doc.check(&kit.takes).expect("settings within their ranges");
    for pad in &kit.doc.pads {
        assert!(!pad.is_empty(), "the {} on {} is empty", pad.role, pad.note);
        assert!(pad.audition.as_ref().is_some_and(|a| (0.0..=1.0).contains(&a.score)));
    }
    // toms may be of one hit, so that they are heard in order
    let (toms, others): (Vec<_>, Vec<_>) = kit.doc.pads.iter().partition(|p| p.role.is_tom());
    let hits_of = |pads: &[&Pad]| -> BTreeSet<(usize, usize)> {
        pads.iter().filter_map(|p| p.audition.as_ref()).map(|a| (a.take, a.hit)).collect()
    };
    let [of_toms, of_others] = [&toms, &others].map(|pads| hits_of(pads));
    assert_eq!(of_others.len(), others.len(), "each pad but toms has a hit of its own");
    assert!(of_toms.is_disjoint(&of_others) && [1, toms.len()].contains(&of_toms.len()), "{of_toms:?}");
}
