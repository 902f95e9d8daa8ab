//! `cargo xtask score export [TAKE]`: exported kits in independent players and checkers.

use super::{script, work_folder};
use crate::{
    Result,
    project::{self, Project, cargo},
    system, venv,
};
use std::{fs, path::Path, process::Command};

/// A player of SFZ, a checker of SFZ, checkers of XML and JSON, a reader of WAV files.
const PACKAGES: [&str; 6] = [
    "pysfizz==0.1.3",
    "sfzlint==0.1.4",
    "lxml==6.1.3",
    "jsonschema==4.26.0",
    "soundfile==0.14.0",
    "numpy==2.4.6",
];

/// Prints how near the exports of a kit come to the engine's own render, and what checkers say about them; the kit is made
/// of `take`, or of the invented recording.
pub fn run(project: &Project, take: Option<&Path>) -> Result {
    system::ensure(&[&system::FLUIDSYNTH])?;
    let python = venv::python(project, "venv-export", &PACKAGES)?;
    eprintln!("building the command line");
    project::run(cargo().args(["build", "--quiet", "--bin", "kitwright"]), "building what is measured")?;
    let program = project.program("debug");
    let folder = work_folder(project, "export")?;
    // what an earlier run has left would be taken for this one's
    fs::remove_dir_all(&folder).map_err(|e| format!("cannot empty {}: {e}", folder.display()))?;
    let folder = work_folder(project, "export")?;
    let invented = folder.join("take.wav");
    let take = match take {
        Some(take) => take.to_owned(),
        None => {
            project::run(
                Command::new(&program).arg("demo-take").arg(&invented),
                "writing the invented recording",
            )?;
            invented
        }
    };
    let kit = folder.join("kit");
    project::run(Command::new(&program).arg("kit").arg(take).arg("--out").arg(&kit), "making the kit")?;
    let table = script(project, &python, "score_export.py", |command| {
        command.arg(program).arg(&kit).arg(&folder);
    })?;
    table.print();
    Ok(())
}
