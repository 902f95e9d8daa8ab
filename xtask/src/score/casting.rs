//! `cargo xtask score roles`, `fit`, `kit` and `time`: results of casting and fitting beside published libraries.

use super::{Table, example, release_example, script, work_folder};
use crate::{
    Result,
    project::{self, Project, cargo},
    venv,
};
use std::{path::Path, process::Command};

/// What the scripts need: a stock classifier and its measures, a published optimiser, a reader of FLAC.
const PACKAGES: [&str; 5] =
    ["librosa==0.11.0", "scikit-learn==1.7.2", "cma==4.4.0", "soundfile==0.14.0", "numpy"];

/// Takes of the developer recordings whose kits are measured.
const RECORDED: [&str; 4] =
    ["d01_steel_guitar.flac", "d03_strums.flac", "d04_nylon_guitar.flac", "d07_marimba.flac"];

/// Prints how well drum sounds are classified, and the scores of fitted pads.
pub fn roles(project: &Project) -> Result {
    print(project, "roles", None)
}

/// Prints the result of the search, the tuning and balance of fitted kits, and their cost; times are of the program in
/// the release profile.
pub fn fit(project: &Project) -> Result {
    eprintln!("building the program in the release profile");
    project::run(
        cargo().args(["build", "--quiet", "--release", "--bin", "kitwright"]),
        "building what is timed",
    )?;
    let program = project.target.join("release").join(format!("kitwright{}", std::env::consts::EXE_SUFFIX));
    print(project, "fit", Some(&program))
}

/// Prints how well kits hold together: of `take`, or of the recorded guitars and the invented recording.
pub fn kit(project: &Project, take: Option<&Path>) -> Result {
    print_examples(project, "kit_check", take)
}

/// Prints when kits can be played and when they are finished, of the same takes.
pub fn time(project: &Project, take: Option<&Path>) -> Result {
    print_examples(project, "steps", take)
}

/// Runs an example in the release profile on `take`, or on the recorded takes, or on the invented recording, and prints
/// its tables.
fn print_examples(project: &Project, name: &str, take: Option<&Path>) -> Result {
    let program = release_example(project, name)?;
    let takes = match (take, project.recordings()?) {
        (Some(take), _) => vec![take.to_owned()],
        (None, Some(data)) => RECORDED.map(|name| data.join("takes").join(name)).to_vec(),
        (None, None) => {
            let detection = example(project, "detection")?;
            let folder = work_folder(project, "kit")?;
            project::run(Command::new(detection).arg("demo").arg(&folder), "writing the invented recording")?;
            let files =
                std::fs::read_dir(&folder).map_err(|e| format!("cannot read {}: {e}", folder.display()))?;
            let files = files.filter_map(|f| Some(f.ok()?.path()));
            files.filter(|f| f.extension().is_some_and(|e| e == "wav")).collect()
        }
    };
    let output = Command::new(program).args(takes).stderr(std::process::Stdio::inherit()).output();
    let output = output.map_err(|e| format!("{name} could not be started: {e}"))?;
    if !output.status.success() {
        return Err(format!("{name} failed ({}); see above", output.status));
    }
    for line in output.stdout.split(|b| *b == b'\n').filter(|l| !l.is_empty()) {
        Table::parse(line).map_err(|e| format!("{name} printed no table: {e}"))?.print();
        println!();
    }
    Ok(())
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
