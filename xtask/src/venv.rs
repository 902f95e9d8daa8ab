//! Virtual environments below the target folder, made and filled by the tasks that use them.

use crate::{
    Result,
    project::{self, Project},
    system,
};
use std::{fs, path::PathBuf, process::Command};

/// The Python of the virtual environment `name` below the target folder, with `packages` (as pip takes them,
/// with versions) from PyPI; made anew only when that list changes.
///
/// # Errors
/// A sentence when there is no Python, or no way to the packages.
pub fn python(project: &Project, name: &str, packages: &[&str]) -> Result<PathBuf> {
    let folder = project.target.join(name);
    let python = folder.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" });
    let done = folder.join("installed.txt");
    let wanted = packages.join("\n");
    if python.exists() && fs::read_to_string(&done).is_ok_and(|is| is == wanted) {
        return Ok(python);
    }
    system::ensure(&[&system::PYTHON])?;
    project::run(Command::new("python3").args(["-m", "venv"]).arg(&folder), "making a virtual environment")?;
    let mut install = Command::new(&python);
    install.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"]).args(packages);
    project::run(&mut install, &format!("installing {} from PyPI", packages.join(", ")))?;
    fs::write(&done, wanted).map_err(|e| format!("cannot write {}: {e}", done.display()))?;
    Ok(python)
}
