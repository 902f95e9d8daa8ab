//! `cargo xtask score sound [TAKE]`: every figure of the sound beside its target, and files to judge by ear.

use super::{Table, release_example, work_folder};
use crate::{
    Result,
    project::{self, Project},
};
use std::{
    path::Path,
    process::{Command, Stdio},
};

/// Prints the table and writes the listening folder, from the invented take or from `take`.
///
/// The program is built in the release profile, since it measures speed as well; the first time takes minutes.
pub fn run(project: &Project, take: Option<&Path>) -> Result {
    let program = release_example(project, "sound")?;
    let folder = work_folder(project, "sound")?;

    project::run(Command::new(&program).arg("listen").arg(&folder).args(take), "writing what to listen to")?;
    let said = Command::new(&program).arg("figures").stderr(Stdio::inherit()).output();
    let said = said.map_err(|e| format!("the example \"sound\" could not be started: {e}"))?;
    if !said.status.success() {
        return Err(format!("measuring the sound failed ({}); see above", said.status));
    }
    // Measuring prints what it finds on the way; the table is the last line.
    let text = String::from_utf8_lossy(&said.stdout);
    let table = Table::parse(text.lines().last().unwrap_or_default().as_bytes())
        .map_err(|e| format!("the example \"sound\" printed no table: {e}"))?;
    table.print();
    println!("to listen to: {}", folder.display());
    Ok(())
}
