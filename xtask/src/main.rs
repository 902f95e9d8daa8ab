//! The project's tasks, each one command: `cargo xtask demo`, `test`, `soak`, `score`, `profiles`, `bundle`, `release`,
//! `install`, `window`, `labels`, `shots`, `host`.

mod demo;
mod host;
mod install;
mod labels;
mod profiles;
mod project;
mod release;
mod score;
mod screen;
mod shots;
mod soak;
mod system;
mod test;
mod venv;
mod window;

use project::Project;
use std::{path::PathBuf, process::ExitCode};

const HELP: &str = "\
cargo xtask demo [TAKE]               build, make a kit from an invented recording (or from TAKE), bundle the plugin
cargo xtask test                      install what the tests use, build the bundles, run every test
cargo xtask soak [NAME [COUNT]]       the tests of reliability, far more often than in test
cargo xtask score WHAT                a table of how well hits or pitch are detected, beside a reference implementation
cargo xtask score roles               which role a sound is classified as; scores of fitted pads
cargo xtask score fit                 what the search finds; tuning, balance, time and memory of casting
cargo xtask score kit [TAKE]          how well the pads of fresh kits hold together and reach their roles
cargo xtask score time [TAKE]         when a kit can be played and when it is finished
cargo xtask score sound [TAKE]        every figure of the sound beside its target, and files to judge by ear
cargo xtask score export [TAKE]       exported kits in other players, beside the engine's own render
cargo xtask profiles                  computes the role profiles from open recordings in Debian packages
cargo xtask bundle kitwright --release
                                      CLAP and VST3 into target/bundled
cargo xtask release                   one archive for this system: plugin, command line, licences; the same bytes
                                      from the same commit
cargo xtask install [--remove]        build, and copy the plugin to your plugin folders (or take it out)
cargo xtask window [KIT]              the plugin's window as a program of its own, with audio and MIDI
cargo xtask host [BUNDLE TAKE]        the plugin in a real host: opened, played, saved, ended, opened again (Linux)
cargo xtask labels [PROGRAM]          the real window read and used as a screen reader does it (Linux)
cargo xtask shots [PROGRAM]           pictures of the real window, driven through the whole job (Linux)";

/// What a task returns: a sentence for the person who can act on it when it fails.
type Result<T = ()> = std::result::Result<T, String>;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match run(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(trouble) => {
            eprintln!("xtask: {trouble}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &[String]) -> Result {
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    // paths are meant from where the user stands, before the project's folder becomes the current one
    let here = std::env::current_dir().map_err(|e| format!("the current folder is gone: {e}"))?;
    let path = |word: &str| -> PathBuf { here.join(word) };
    match words[..] {
        ["demo"] => demo::run(&Project::enter()?, None),
        ["demo", take] => demo::run(&Project::enter()?, Some(&path(take))),
        ["test"] => test::run(&Project::enter()?),
        ["soak"] => soak::run(&Project::enter()?, None, None),
        ["soak", name] => soak::run(&Project::enter()?, Some(name), None),
        ["soak", name, count] => {
            let count = count.parse().map_err(|_| format!("{count} is no number of times"))?;
            soak::run(&Project::enter()?, Some(name), Some(count))
        }
        ["score"] => Err(format!("say what to score: {}", score::SCORES)),
        ["score", what] => score::run(&Project::enter()?, what, None),
        ["score", what @ ("kit" | "time" | "sound" | "export"), take] => {
            score::run(&Project::enter()?, what, Some(&path(take)))
        }
        ["bundle", "kitwright", ..] => Project::enter()?.bundle(&arguments[2..]),
        ["release"] => release::run(&Project::enter()?),
        ["install"] => install::install(&Project::enter()?),
        ["install", "--remove"] => install::remove(),
        ["host"] => host::run(&Project::enter()?, None),
        ["host", bundle, take] => host::run(&Project::enter()?, Some((path(bundle), path(take)))),
        ["labels"] => labels::run(&Project::enter()?, None),
        ["labels", program] => labels::run(&Project::enter()?, Some(path(program))),
        ["profiles"] => profiles::run(&Project::enter()?),
        ["shots"] => shots::run(&Project::enter()?, None),
        ["shots", program] => shots::run(&Project::enter()?, Some(path(program))),
        ["window"] => window::run(&Project::enter()?, None),
        ["window", kit] => window::run(&Project::enter()?, Some(&path(kit))),
        [] | ["help" | "-h" | "--help"] => {
            println!("{HELP}");
            Ok(())
        }
        _ => Err(format!("there is no task \"{}\"; there are:\n{HELP}", words.join(" "))),
    }
}
