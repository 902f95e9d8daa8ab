//! Where the project lies, and how its parts are built.

use crate::Result;
use std::{
    path::{Path, PathBuf},
    process::Command,
};

/// The project's folders.
pub struct Project {
    /// Folder of the workspace; the current folder once entered.
    pub root: PathBuf,
    /// Cargo's target folder.
    pub target: PathBuf,
}

impl Project {
    /// Finds the project and makes its folder the current one.
    pub fn enter() -> Result<Self> {
        let root =
            Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("xtask lies in the project").to_owned();
        std::env::set_current_dir(&root).map_err(|e| format!("cannot enter {}: {e}", root.display()))?;
        let mut metadata = cargo();
        metadata.args(["metadata", "--no-deps", "--offline", "--format-version", "1"]);
        let output = metadata.output().map_err(|e| format!("cargo cannot be run: {e}"))?;
        let facts: serde_json::Value = serde_json::from_slice(&output.stdout)
            .map_err(|_| format!("cargo metadata failed: {}", String::from_utf8_lossy(&output.stderr)))?;
        let target = facts["target_directory"].as_str().ok_or("cargo metadata names no target folder")?;
        Ok(Self { target: target.into(), root })
    }

    /// Builds the plugin and the command line with these cargo arguments and bundles them into
    /// `target/bundled`.
    pub fn bundle(&self, arguments: &[String]) -> Result {
        let package = ["kitwright".to_owned()];
        nice_plug_xtask::build(&package, arguments).map_err(|e| format!("{e:#}"))?;
        self.bundle_built(arguments)
    }

    /// Bundles what a build with these cargo arguments has made.
    pub fn bundle_built(&self, arguments: &[String]) -> Result {
        nice_plug_xtask::bundle(&self.target, "kitwright", arguments, false).map_err(|e| format!("{e:#}"))
    }

    /// Bundle of the plugin format "clap" or "vst3".
    pub fn bundled(&self, format: &str) -> PathBuf {
        self.target.join("bundled").join(format!("Kitwright.{format}"))
    }

    /// The command line program in a build folder below the target folder ("release").
    pub fn program(&self, build: &str) -> PathBuf {
        self.target.join(build).join(format!("kitwright{}", std::env::consts::EXE_SUFFIX))
    }
}

/// The cargo that runs this chore.
pub fn cargo() -> Command {
    Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// Runs a command to its end; `what` names it in the sentence about a failure.
pub fn run(command: &mut Command, what: &str) -> Result {
    let status = command.status().map_err(|e| format!("{what} could not be started: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("{what} failed ({status}); see above")) }
}
