//! When a kit can be played and when it is finished: what `cargo xtask score time` prints, as JSON.
//!
//!     steps FILE...    casts each recording with the default fit

use kitwright_core::{
    cast::{CastOptions, ShapeAs, make_kit_in_steps, make_pad},
    error::Result,
    kit::Kit,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use serde_json::json;
use std::{
    path::Path,
    process::ExitCode,
    sync::{Arc, Mutex},
    time::{Duration, Instant},
};

const COLUMNS: [&str; 8] =
    ["recording", "seconds", "hits", "read s", "detected s", "playable s", "finished s", "moved fit s"];
const NOTES: [&str; 3] = [
    "Seconds since the file was opened: read, hits detected, the kit playable by recipes, all pads fitted and balanced.",
    "Moved fit: the longest time until a pad is heard at another fit, by its recipe, before it is searched anew.",
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
    let kit = make_kit_in_steps(&[(take, hits)], &CastOptions::default(), &Quiet, &|_| {
        playable.lock().expect("no thread panics").get_or_insert_with(|| begin.elapsed());
    })?;
    let finished = begin.elapsed();
    let playable = playable.into_inner().expect("no thread panics").unwrap_or(finished);
    let name = Path::new(file).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let moved = moved_fit(&kit)?;
    let times = [read, detected, playable, finished, moved].map(|t| format!("{:.2}", t.as_secs_f64()));
    Ok([name, format!("{seconds:.0}"), count.to_string()].into_iter().chain(times).collect())
}

/// The longest time in which a pad of the kit is made by its recipe.
fn moved_fit(kit: &Kit) -> Result<Duration> {
    let mut longest = Duration::ZERO;
    for (index, pad) in kit.doc.pads.iter().enumerate() {
        let Some(audition) = &pad.audition else { continue };
        let begin = Instant::now();
        let by_recipe = ShapeAs { role: pad.role, fit: 0.5, effort: 0.0 };
        make_pad(kit, index, (audition.take, audition.hit), by_recipe, &Quiet)?;
        longest = longest.max(begin.elapsed());
    }
    Ok(longest)
}
