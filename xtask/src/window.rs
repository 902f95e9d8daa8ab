//! `cargo xtask window`: the plugin's window as a program of its own.

use crate::{
    Result,
    project::{self, Project, cargo},
    system,
};
use std::{
    path::{Path, PathBuf},
    process::Command,
};

/// Builds with the window's feature and opens it.
pub fn run(project: &Project, kit: Option<&Path>) -> Result {
    let program = build(project)?;
    project::run(Command::new(program).arg("window").args(kit), "the window")
}

/// Builds with the window's feature; the program. The build lies in a folder of its own, since the feature
/// would rebuild the framework back and forth.
pub fn build(project: &Project) -> Result<PathBuf> {
    if cfg!(target_os = "linux") {
        system::ensure(&[&system::ALSA, &system::JACK])?;
    }
    let target = project.target.join("standalone");
    let mut build = cargo();
    build.args([
        "build",
        "--release",
        "--package",
        "kitwright",
        "--features",
        "standalone",
        "--bin",
        "kitwright",
    ]);
    project::run(build.env("CARGO_TARGET_DIR", &target), "building the window")?;
    Ok(target.join("release").join(format!("kitwright{}", std::env::consts::EXE_SUFFIX)))
}
