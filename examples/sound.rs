//! The sound's figures as one table, and material to listen to: what `cargo xtask score sound` runs.
//!
//!     sound figures            prints every figure with its target, as JSON
//!     sound listen FOLDER      writes WAV files made from the invented take
//!     sound listen FOLDER TAKE writes WAV files made from the loudest hits of a take

#[path = "sound/listening.rs"]
mod listening;
#[path = "../tests/engine/support/mod.rs"]
mod support;
#[path = "sound/table.rs"]
mod table;

use std::{path::Path, process::ExitCode};

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let result = match words[..] {
        ["figures"] => {
            println!("{}", table::figures());
            Ok(())
        }
        ["listen", folder] => listening::write(Path::new(folder), None),
        ["listen", folder, take] => listening::write(Path::new(folder), Some(Path::new(take))),
        _ => {
            eprintln!("sound: say \"figures\" or \"listen FOLDER\"; the head of examples/sound.rs explains");
            return ExitCode::FAILURE;
        }
    };
    if let Err(e) = result {
        eprintln!("sound: {e}");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
