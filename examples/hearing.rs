//! What hearing makes of audio files, one JSON line each: what the scripts in `tests/reference` score and fit.
//!
//!     hearing hits FILE...        the starts of the hits, seconds
//!     hearing describe FILE...    the description of the whole file as one hit
//!     hearing evidence FILE...    every candidate: its start and what the judge weighs
//!     hearing demo FOLDER         writes the invented take and its truth

use kitwright_core::{
    demo::borrowed_cello,
    error::Result,
    export::write_take,
    listen::{DetectOptions, describe, detect, evidence},
    progress::Quiet,
    take::Take,
};
use serde_json::{Value, json};
use std::{fmt::Write, path::Path, process::ExitCode};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Some((what, names)) = arguments.split_first() else {
        eprintln!("hearing: say what and of which files; the head of examples/hearing.rs lists it");
        return ExitCode::FAILURE;
    };
    for name in names {
        let result = match what.as_str() {
            "hits" => told(name, hits),
            "describe" => told(name, |take| Ok(json!(describe(take, 0, take.frames())))),
            "evidence" => told(name, candidates),
            "demo" => demo(Path::new(name)),
            _ => {
                eprintln!("hearing: \"{what}\" is not among hits, describe, evidence and demo");
                return ExitCode::FAILURE;
            }
        };
        if let Err(e) = result {
            eprintln!("hearing: {e}");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

/// Prints one line about one file.
fn told(name: &str, what: impl Fn(&Take) -> Result<Value>) -> Result<()> {
    let take = Take::read(name, &Quiet)?;
    println!("{}", json!({ "file": name, "seconds": take.seconds(), "heard": what(&take)? }));
    Ok(())
}

fn hits(take: &Take) -> Result<Value> {
    let hits = detect(take, &DetectOptions::default(), &Quiet)?;
    Ok(hits.iter().map(|h| h.start as f64 / f64::from(take.sample_rate)).collect())
}

fn candidates(take: &Take) -> Result<Value> {
    let rate = f64::from(take.sample_rate);
    Ok(evidence(take, &Quiet)?
        .into_iter()
        .map(|(start, terms)| json!([start as f64 / rate, terms]))
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
