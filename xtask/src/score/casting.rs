//! `cargo xtask score roles` and `score fit`: what casting and fitting reach, beside published libraries.

use super::{example, script, work_folder};
use crate::{
    Result,
    project::{self, Project, cargo},
    venv,
};
use std::{path::Path, process::Command};

/// What the scripts need: a stock classifier and its measures, a published optimiser, a reader of FLAC.
const PACKAGES: [&str; 5] =
    ["librosa==0.11.0", "scikit-learn==1.7.2", "cma==4.4.0", "soundfile==0.14.0", "numpy"];

/// Prints how well drum sounds are told, and how well fitted pads serve their roles.
pub fn roles(project: &Project) -> Result {
    print(project, "roles", None)
}

/// Prints what the search finds, how fitted kits are tuned and balanced, and what they cost; time is taken of
/// the program in the release profile.
pub fn fit(project: &Project) -> Result {
    eprintln!("building the program in the release profile");
    project::run(
        cargo().args(["build", "--quiet", "--release", "--bin", "kitwright"]),
        "building what is timed",
    )?;
    let program = project.target.join("release").join(format!("kitwright{}", std::env::consts::EXE_SUFFIX));
    print(project, "fit", Some(&program))
}

fn print(project: &Project, name: &str, timed: Option<&Path>) -> Result {
    let python = venv::python(project, "venv-cast", &PACKAGES)?;
    let casting = example(project, "casting")?;
    let detection = example(project, "detection")?;
    let folder = work_folder(project, name)?;
    project::run(Command::new(detection).arg("demo").arg(&folder), "writing the invented recording")?;
    let recordings = project.recordings()?;
    let table = script(project, &python, &format!("score_{name}.py"), |command| {
        command.arg(casting).args(timed).arg(&folder);
        if let Some(data) = recordings {
            command.arg(data);
        }
    })?;
    table.print();
    Ok(())
}
