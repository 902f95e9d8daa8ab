//! When a kit can be played and when it is finished: what `cargo xtask score time` prints, as JSON.
//!
//!     steps FILE...    casts each recording with the default fit

use kitwright_core::{
    cast::{CastOptions, make_kit_in_steps},
    error::Result,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use serde_json::json;
use std::{
    path::Path,
    process::ExitCode,
    sync::{Arc, Mutex},
    time::Instant,
};

const COLUMNS: [&str; 7] =
    ["recording", "seconds", "hits", "read s", "detected s", "playable s", "finished s"];
const NOTES: [&str; 2] = [
    "Seconds since the file was opened: read, hits detected, the kit playable by recipes, all pads fitted and balanced.",
    "Wall time on all cores; compare ratios within one run, never times between machines.",
];

fn main() -> ExitCode {
    let rows: Result<Vec<_>> = std::env::args().skip(1).map(|file| row(&file)).collect();
    match rows {
        Ok(rows) => {
            println!(
                "{}",
                json!({ "title": "Time to a kit", "columns": COLUMNS, "rows": rows, "notes": NOTES })
            );
            ExitCode::SUCCESS
        }
        Err(e) => {
            eprintln!("steps: {e}");
            ExitCode::FAILURE
        }
    }
}

fn row(file: &str) -> Result<Vec<String>> {
    let begin = Instant::now();
    let take = Arc::new(Take::read(file, &Quiet)?);
    let read = begin.elapsed();
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    let detected = begin.elapsed();
    let playable = Mutex::new(None);
    let (seconds, count) = (take.seconds(), hits.len());
    make_kit_in_steps(&[(take, hits)], &CastOptions::default(), &Quiet, &|_| {
        playable.lock().expect("no thread panics").get_or_insert_with(|| begin.elapsed());
    })?;
    let finished = begin.elapsed();
    let playable = playable.into_inner().expect("no thread panics").unwrap_or(finished);
    let name = Path::new(file).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let times = [read, detected, playable, finished].map(|t| format!("{:.2}", t.as_secs_f64()));
    Ok([name, format!("{seconds:.0}"), count.to_string()].into_iter().chain(times).collect())
}
