//! Detection scored on recorded sounds with known onsets and notes; `--nocapture` prints the tables.
//!
//! The recordings are not part of the project (feature `test-recordings`). The onset classifier was fitted to the odd
//! half of the assembled takes and to the first real take; the even half and the other real takes are unseen. Each part
//! is scored by itself.

use crate::{
    data::recordings,
    listen_support::score::{Tally, heading, row, truth},
};
use kitwright_core::{
    listen::{DetectOptions, describe, detect},
    progress::Quiet,
    take::Take,
    units::hz_to_note,
};
use std::path::{Path, PathBuf};

/// Takes of a folder in order of their names, each with its tally.
fn tallies(folder: &Path) -> Vec<(String, Tally)> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "flac"))
        .collect();
    files.sort();
    files
        .iter()
        .map(|file| {
            let take = Take::read(file, &Quiet).unwrap();
            let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
            let detected: Vec<f64> =
                hits.iter().map(|h| h.start as f64 / f64::from(take.sample_rate)).collect();
            let name = file.file_stem().unwrap().to_string_lossy().into_owned();
            (name, Tally::of(&truth(&file.with_extension("csv")), &detected))
        })
        .collect()
}

fn table(tallies: &[(String, Tally)], halves: [&str; 2], first_half: impl Fn(usize) -> bool) -> [Tally; 3] {
    let mut sums = [Tally::default(), Tally::default(), Tally::default()];
    println!("{}", heading());
    for (i, (name, tally)) in tallies.iter().enumerate() {
        println!("{}", row(name, tally));
        sums[usize::from(!first_half(i))].add(tally);
        sums[2].add(tally);
    }
    for (name, sum) in [halves[0], halves[1], "all"].iter().zip(&sums) {
        println!("{}", row(name, sum));
    }
    sums
}

#[test]
fn assembled_takes_reach_their_floors() {
    let tallies = tallies(&recordings("takes"));
    // d01, d03, ... were used in fitting.
    let [_, unseen, all] = table(&tallies, ["odd half (fitted to)", "even half (unseen)"], |i| i % 2 == 0);
    for (name, sum, floor) in [("the unseen half", &unseen, 0.98), ("all", &all, 0.985)] {
        assert!(sum.f_measure() >= floor, "{name}: F {:.4}", sum.f_measure());
        assert!(sum.sharp_share() >= 0.97, "{name}: {:.4} of the sharp hits within 5 ms", sum.sharp_share());
        assert!(sum.median_error_ms().abs() <= 1.0, "{name}: median {:.2} ms", sum.median_error_ms());
    }
    assert!(all.flams_matched >= 40, "{} of {} flams", all.flams_matched, all.flams);
}

#[test]
fn real_takes_reach_their_floor() {
    let [_, _, all] =
        table(&tallies(&recordings("real")), ["first (fitted to)", "others (unseen)"], |i| i == 0);
    assert!(all.f_measure() >= 0.985, "F {:.4}", all.f_measure());
}

/// Semitones above C of a note's name such as "F#4" or "Bb4".
fn pitch_class(name: &str) -> Option<i32> {
    let mut letters = name.chars();
    let natural = [('C', 0), ('D', 2), ('E', 4), ('F', 5), ('G', 7), ('A', 9), ('B', 11)];
    let first = letters.next()?;
    let base = natural.iter().find(|n| n.0 == first)?.1;
    let rest: String = letters.collect();
    Some(match rest.trim_start().chars().next() {
        Some('#') => base + 1,
        Some('b') => base - 1,
        _ => base,
    })
}

#[test]
fn recorded_notes_have_the_pitch_of_their_names() {
    let folder = recordings("");
    let manifest = std::fs::read_to_string(folder.join("MANIFEST.csv")).unwrap();
    // Instruments whose samples end with the names of their notes; octaves are counted differently from set to set,
    // and samples are up to half a semitone out of tune, so the name gives the pitch class only.
    const NAMED: [&str; 8] = [
        "steel guitar",
        "nylon guitar",
        "jazz guitar",
        "double bass",
        "digital piano",
        "strings",
        "marimba",
        "xylophone",
    ];
    // Named for the key that it is mapped to: its pitch is more than a semitone above that.
    const MISNAMED: &str = "Jazz Guitar Bb4";
    let mut off = Vec::new();
    let mut count = 0;
    println!("{:<46} {:<18} {:>9} {:>7} {:>10}", "sample", "named", "Hz", "off ct", "confidence");
    for line in manifest.lines() {
        let cells: Vec<&str> = line.split(',').collect();
        let Some((_, label)) = cells[8].rsplit_once(':') else { continue };
        if !NAMED.contains(&cells[2]) {
            continue;
        }
        let note = label.rsplit(' ').find(|word| word.starts_with(|c: char| ('A'..='G').contains(&c)));
        let Some(class) = note.and_then(pitch_class) else { continue };
        let take = Take::read(folder.join(cells[0]), &Quiet).unwrap();
        let d = describe(&take, 0, take.frames());
        let cents = d.pitch_hz.map_or(f64::INFINITY, |hz| {
            let st = hz_to_note(f64::from(hz)) - f64::from(class);
            100.0 * (st - 12.0 * (st / 12.0).round())
        });
        println!(
            "{:<46} {:<18} {:>9.2} {:>7.0} {:>10.2}",
            cells[0],
            label,
            d.pitch_hz.unwrap_or(0.0),
            cents,
            d.pitch_confidence
        );
        count += 1;
        if cents.abs() > 50.0 && label != MISNAMED {
            off.push(label.to_owned());
        }
    }
    assert!(count >= 15, "only {count} named notes were found");
    assert!(off.is_empty(), "{} of {count} notes are another pitch class: {off:?}", off.len());
}
