//! `cargo xtask score roles` and `score fit`: what casting and fitting reach, beside published libraries.

use super::{example, recordings, release_example, script, workshop};
use crate::{
    Result,
    project::{self, Project},
    venv,
};
use std::process::Command;

/// What the scripts need: a stock classifier and its measures, a published optimiser, a reader of FLAC.
const PACKAGES: [&str; 5] =
    ["librosa==0.11.0", "scikit-learn==1.7.2", "cma==4.4.0", "soundfile==0.14.0", "numpy"];

/// Prints how well drum sounds are told, and how well fitted pads serve their roles.
pub fn roles(project: &Project) -> Result {
    let program = example(project, "casting")?;
    print(project, &program, "roles", "score_roles.py")
}

/// Prints what the search finds, how fitted kits are tuned and balanced, and what they cost; built in the
/// release profile, since it measures time as well.
pub fn fit(project: &Project) -> Result {
    let program = release_example(project, "casting")?;
    print(project, &program, "fit", "score_fit.py")
}

fn print(project: &Project, program: &std::path::Path, name: &str, of: &str) -> Result {
    let python = venv::python(project, "venv-cast", &PACKAGES)?;
    let folder = workshop(project, name)?;
    let hearing = example(project, "hearing")?;
    project::run(Command::new(hearing).arg("demo").arg(&folder), "writing the invented recording")?;
    let table = script(project, &python, of, |command| {
        command.arg(program).arg(&folder);
        if let Some(data) = recordings(project) {
            command.arg(data);
        }
    })?;
    table.print();
    Ok(())
}
