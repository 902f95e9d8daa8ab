//! Hits detected in audio files, one JSON line each, for the scripts in `tests/reference`.
//!
//!     detection hits FILE...        the starts of the hits, seconds
//!     detection describe FILE...    the description of the whole file as one hit
//!     detection features FILE...    every candidate: its start, seconds, and the features of the onset classifier
//!     detection demo FOLDER         writes the demo take and its true onsets

use kitwright_core::{
    demo::borrowed_cello,
    error::Result,
    export::write_take,
    listen::{DetectOptions, describe, detect, onset_features},
    progress::Quiet,
    take::Take,
};
use serde_json::{Value, json};
use std::{fmt::Write, path::Path, process::ExitCode};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Some((what, names)) = arguments.split_first() else {
        eprintln!("detection: give a task and its files; the first lines of examples/detection.rs list them");
        return ExitCode::FAILURE;
    };
    for name in names {
        let result = match what.as_str() {
            "hits" => print_line(name, hits),
            "describe" => print_line(name, |take| Ok(json!(describe(take, 0, take.frames())))),
            "features" => print_line(name, candidates),
            "demo" => demo(Path::new(name)),
            _ => {
                eprintln!("detection: \"{what}\" is not among hits, describe, features and demo");
                return ExitCode::FAILURE;
            }
        };
        if let Err(e) = result {
            eprintln!("detection: {e}");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

/// Prints one line about one file.
fn print_line(name: &str, what: impl Fn(&Take) -> Result<Value>) -> Result<()> {
    let take = Take::read(name, &Quiet)?;
    println!("{}", json!({ "file": name, "seconds": take.seconds(), "found": what(&take)? }));
    Ok(())
}

fn hits(take: &Take) -> Result<Value> {
    let hits = detect(take, &DetectOptions::default(), &Quiet)?;
    Ok(hits.iter().map(|h| h.start as f64 / f64::from(take.sample_rate)).collect())
}

fn candidates(take: &Take) -> Result<Value> {
    let rate = f64::from(take.sample_rate);
    Ok(onset_features(take, &Quiet)?
        .into_iter()
        .map(|(start, features)| json!([start as f64 / rate, features]))
        .collect())
}

fn demo(folder: &Path) -> Result<()> {
    let (take, starts) = borrowed_cello(1);
    write_take(&take, &folder.join("borrowed-cello.wav"))?;
    let mut truth = String::from("time_s\n");
    for start in starts {
        let _ = writeln!(truth, "{start:.6}");
    }
    let path = folder.join("borrowed-cello.csv");
    std::fs::write(&path, truth).map_err(|e| {
        kitwright_core::error::Error::invalid(format!("{}: cannot be written: {e}", path.display()))
    })
}
