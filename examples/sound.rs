//! Measures of the sound as one table, and files to listen to, for `cargo xtask score sound`.
//!
//!     sound figures            prints every figure with its target, as JSON
//!     sound listen FOLDER      writes WAV files made from the demo take
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
            eprintln!(
                "sound: give \"figures\" or \"listen FOLDER\"; the first lines of examples/sound.rs explain them"
            );
            return ExitCode::FAILURE;
        }
    };
    if let Err(e) = result {
        eprintln!("sound: {e}");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
