//! Prints the measures of audio files, one JSON line each, for `tests/reference/profiles.py`.
//! Files are named on standard input, one per line.

use kitwright_core::{cast::features, progress::Quiet, take::Take};
use std::io::BufRead;

fn main() {
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        match Take::read(&line, &Quiet) {
            Ok(take) => {
                let mono: Vec<f32> = (0..take.frames())
                    .map(|i| take.channels.iter().map(|c| c[i]).sum::<f32>() / take.channels.len() as f32)
                    .collect();
                if let Some(f) = features::Features::of(&mono, f64::from(take.sample_rate)) {
                    println!("{}", serde_json::json!({ "file": line, "row": f.row() }));
                }
            }
            Err(e) => eprintln!("{line}: {e}"),
        }
    }
}
