//! `cargo xtask demo`: from nothing to a kit in one command.

use crate::{
    Result,
    project::{self, Project},
};
use std::{fs, path::Path, process::Command};

/// As the release, but built in two thirds of the time (see Cargo.toml).
const PROFILE: &str = "demo";

/// Builds, makes a kit from `take` (or from an invented one) in `demo/kit`, bundles the plugin, and says
/// what to do next.
pub fn run(project: &Project, take: Option<&Path>) -> Result {
    if let Some(take) = take.filter(|t| !t.is_file()) {
        return Err(format!("{}: there is no such file; give the path of a recording", take.display()));
    }
    eprintln!("building (a few minutes the first time)");
    project.bundle(&["--profile".to_owned(), PROFILE.to_owned()])?;

    let program = project.program(PROFILE);
    let folder = project.root.join("demo");
    fs::create_dir_all(&folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    let kit = folder.join("kit");
    let mut make = Command::new(&program);
    make.arg("kit");
    match take {
        Some(take) => {
            make.arg(take);
        }
        None => {
            let invented = folder.join("borrowed-cello.wav");
            project::run(
                Command::new(&program).arg("demo-take").arg(&invented),
                "writing the invented recording",
            )?;
            make.arg(&invented).args(["--name", "Borrowed cello"]);
        }
    }
    project::run(make.arg("--out").arg(&kit), "making the kit")?;

    println!();
    println!("The kit lies in {}:", kit.display());
    println!("  groove.wav    hear it        (first at a low volume)");
    println!("  overview.png  see it");
    println!("  pads/         one file for each pad");
    println!("The plugin is built: {} and .vst3 beside it.", project.bundled("clap").display());
    println!(
        "Next: \"cargo xtask install\" builds the release, which takes half the processor, and puts it where hosts \
         look; load Kitwright there and open the .kitwright file."
    );
    println!("Your own recording: \"cargo xtask demo take.wav\", or {} --help", program.display());
    Ok(())
}
