//! `cargo xtask score pitch`: fundamentals against true ones, beside two published period methods.

use super::{example, hits::PACKAGES, script, work_folder};
use crate::{Result, project::Project, venv};

/// Prints how well the fundamentals of made sounds, and of the developer recordings where they are, are measured.
pub fn run(project: &Project) -> Result {
    let python = venv::python(project, "venv-listen", &PACKAGES)?;
    let detection = example(project, "detection")?;
    let folder = work_folder(project, "pitch")?;
    let recordings = project.recordings()?;
    let table = script(project, &python, "score_pitch.py", |command| {
        command.arg(&detection).arg(&folder);
        if let Some(data) = recordings {
            command.arg(data);
        }
    })?;
    table.print();
    Ok(())
}
