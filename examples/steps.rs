//! When a kit can be played and when it is finished, for each recording: what `cargo xtask score time` prints.

use kitwright_core::{
    cast::{CastOptions, make_kit_in_steps},
    error::Result,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use std::{
    process::ExitCode,
    sync::{Arc, Mutex},
    time::Instant,
};

fn main() -> ExitCode {
    for file in std::env::args().skip(1) {
        if let Err(e) = report(&file) {
            eprintln!("steps: {e}");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

fn report(file: &str) -> Result<()> {
    let begin = Instant::now();
    let take = Arc::new(Take::read(file, &Quiet)?);
    let read = begin.elapsed();
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    let detected = begin.elapsed();
    let shown = Mutex::new(Vec::new());
    let count = hits.len();
    let seconds = take.seconds();
    make_kit_in_steps(&[(take, hits)], &CastOptions::default(), &Quiet, &|_| {
        shown.lock().expect("no thread panics").push(begin.elapsed());
    })?;
    let whole = begin.elapsed();
    let shown = shown.into_inner().expect("no thread panics");
    println!(
        "{file}: {seconds:.0} s, {count} hits; read {read:.2?}, detected {detected:.2?}, playable {:.2?}, pads fitted {:?}, finished {whole:.2?}",
        shown[0],
        shown.iter().skip(1).map(|t| (t.as_secs_f64() * 10.0).round() / 10.0).collect::<Vec<_>>()
    );
    Ok(())
}
