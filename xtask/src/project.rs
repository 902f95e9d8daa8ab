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
    /// Finds the project that the current folder belongs to and makes its folder the current one.
    ///
    /// # Errors
    /// A sentence when the current folder is in no checkout of the project.
    pub fn enter() -> Result<Self> {
        let project = Self::around(Path::new("."))?;
        let root = &project.root;
        std::env::set_current_dir(root).map_err(|e| format!("cannot enter {}: {e}", root.display()))?;
        Ok(project)
    }

    /// The project that a folder belongs to. Asked of cargo at run time, so that a copied checkout works on itself.
    fn around(folder: &Path) -> Result<Self> {
        let mut metadata = cargo();
        metadata.args(["metadata", "--no-deps", "--offline", "--format-version", "1"]);
        let output =
            metadata.current_dir(folder).output().map_err(|e| format!("cargo cannot be run: {e}"))?;
        let facts: serde_json::Value = serde_json::from_slice(&output.stdout)
            .map_err(|_| format!("cargo metadata failed: {}", String::from_utf8_lossy(&output.stderr)))?;
        let path =
            |key: &str| facts[key].as_str().map(PathBuf::from).ok_or("cargo metadata names no folders");
        let project = Self { root: path("workspace_root")?, target: path("target_directory")? };
        if !project.root.join("xtask/Cargo.toml").is_file() {
            return Err(format!("{} is not Kitwright's folder; run this inside it", project.root.display()));
        }
        Ok(project)
    }

    /// Folder of the recordings for tests and scores: `KITWRIGHT_TEST_DATA`, or `../shared/data` beside the project
    /// where that is. `None` without either.
    ///
    /// # Errors
    /// A sentence when the variable names no folder.
    pub fn recordings(&self) -> Result<Option<PathBuf>> {
        let named = std::env::var_os("KITWRIGHT_TEST_DATA").filter(|v| !v.is_empty());
        self.recordings_at(named.map(PathBuf::from))
    }

    fn recordings_at(&self, named: Option<PathBuf>) -> Result<Option<PathBuf>> {
        let folder = self.root.join(named.as_deref().unwrap_or(Path::new("../shared/data")));
        match folder.canonicalize() {
            Ok(folder) if folder.is_dir() => Ok(Some(folder)),
            _ if named.is_none() => Ok(None),
            _ => Err(format!(
                "KITWRIGHT_TEST_DATA names {}, which is no folder; correct or unset it",
                folder.display()
            )),
        }
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
        nice_plug_xtask::bundle(&self.target, "kitwright", arguments, false).map_err(|e| format!("{e:#}"))?;
        self.describe_vst3()
    }

    /// Writes `moduleinfo.json` into the VST3 bundle: hosts that read it need not load the library to list it.
    fn describe_vst3(&self) -> Result {
        let text = std::fs::read_to_string(self.root.join("src/plugin/moduleinfo.json"))
            .map_err(|e| format!("src/plugin/moduleinfo.json: {e}"))?;
        let folder = self.bundled("vst3").join("Contents/Resources");
        let file = folder.join("moduleinfo.json");
        std::fs::create_dir_all(&folder)
            .and_then(|()| std::fs::write(&file, text.replace("VERSION", env!("CARGO_PKG_VERSION"))))
            .map_err(|e| format!("{}: {e}", file.display()))
    }

    /// Bundle of the plugin format "clap" or "vst3".
    pub fn bundled(&self, format: &str) -> PathBuf {
        self.target.join("bundled").join(format!("Kitwright.{format}"))
    }

    /// The command line program in a build folder below the target folder ("release", "demo").
    pub fn program(&self, build: &str) -> PathBuf {
        self.target.join(build).join(format!("kitwright{}", std::env::consts::EXE_SUFFIX))
    }
}

/// The cargo that runs this task.
pub fn cargo() -> Command {
    Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// Runs a command to its end; `what` names it in the sentence about a failure.
pub fn run(command: &mut Command, what: &str) -> Result {
    let status = command.status().map_err(|e| format!("{what} could not be started: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("{what} failed ({status}); see above")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_project_is_found_from_a_folder_inside_it_and_not_elsewhere() {
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        let project = Project::around(&here.join("src")).unwrap();
        assert_eq!(Some(project.root.as_path()), here.parent());
        assert!(Project::around(tempfile::tempdir().unwrap().path()).is_err());
    }

    #[test]
    fn recordings_are_where_the_variable_says_else_beside_the_project_else_absent() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().canonicalize().unwrap();
        let project = Project { root: root.join("project"), target: PathBuf::new() };
        std::fs::create_dir_all(root.join("project/sounds")).unwrap();
        assert_eq!(project.recordings_at(None), Ok(None));
        std::fs::create_dir_all(root.join("shared/data")).unwrap();
        assert_eq!(project.recordings_at(None), Ok(Some(root.join("shared/data"))));
        assert_eq!(project.recordings_at(Some("sounds".into())), Ok(Some(root.join("project/sounds"))));
        let said = project.recordings_at(Some("nowhere".into())).unwrap_err();
        assert!(said.contains("KITWRIGHT_TEST_DATA"), "{said}");
    }
}
