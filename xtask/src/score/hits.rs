//! `cargo xtask score hits`: detected hits against true ones, beside a stock spectral-flux detector.

use super::{example, script, work_folder};
use crate::{
    Result,
    project::{self, Project},
    venv,
};
use std::process::Command;

/// What scores detection: the detector and the pitch methods to compare with, the rules, a reader of FLAC.
pub(super) const PACKAGES: [&str; 4] = ["librosa==0.11.0", "mir_eval==0.8.2", "soundfile==0.14.0", "numpy"];

/// Prints how well the hits of the developer recordings are detected; of the invented take where these are absent.
pub fn run(project: &Project) -> Result {
    let python = venv::python(project, "venv-listen", &PACKAGES)?;
    let detection = example(project, "detection")?;
    let folder = work_folder(project, "hits")?;
    project::run(Command::new(&detection).arg("demo").arg(&folder), "writing the invented recording")?;
    let recordings = project.recordings()?;
    let table = script(project, &python, "score_hits.py", |command| {
        command.arg(&detection).arg(&folder);
        if let Some(data) = recordings {
            command.arg(data.join("takes")).arg(data.join("real"));
        }
    })?;
    table.print();
    Ok(())
}
