//! `cargo xtask release`: one archive with everything that a user of this system needs, the same bytes from the same
//! commit.
//!
//! The paths of the checkout and of the registry do not get into the programs, entries are sorted and carry the time of
//! the commit. Built in a folder of its own below the target folder, since the flags differ from those of other builds.

mod archive;
mod licences;

use crate::{
    Result,
    project::{Project, cargo},
};
use archive::{Archive, Entry};
use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

/// Texts of the project that go along.
const TEXTS: [&str; 3] = ["README.md", "CHANGELOG.md", "LICENSE"];

/// Builds and packs; prints the path of the archive.
///
/// # Errors
/// A sentence when the build fails, a crate has no licence text, or files cannot be read or written.
pub fn run(project: &Project) -> Result {
    if ["RUSTFLAGS", "CARGO_ENCODED_RUSTFLAGS"].iter().any(|name| std::env::var_os(name).is_some()) {
        return Err("RUSTFLAGS is set, which would end up in the release: unset it".into());
    }
    let commit = Commit::of(&project.root);
    if commit.changed {
        eprintln!("files differ from the commit: another build of the commit will have other bytes");
    }
    let facts = metadata(project)?;
    let notices = licences::notices(&facts)?;
    let shipped = Project { root: project.root.clone(), target: project.target.join("shipped") };
    eprintln!("building the release (several minutes the first time)");
    shipped.bundle(&build_arguments(project, &shipped.target)?)?;

    let name = format!("Kitwright-v{}-{}", version(&facts)?, system());
    let mut entries = vec![
        Entry::text("LICENCES.txt", notices),
        Entry::text("INSTALL.txt", install_text(std::env::consts::OS).to_owned()),
    ];
    for text in TEXTS {
        entries.extend(archive::files(&project.root.join(text), text)?);
    }
    for (format, folder) in [("clap", "CLAP"), ("vst3", "VST3")] {
        let bundle = shipped.bundled(format);
        entries.extend(archive::files(&bundle, &format!("{folder}/Kitwright.{format}"))?);
    }
    let program = shipped.program("release");
    let program_name = program.file_name().unwrap_or_default().to_string_lossy().into_owned();
    entries.extend(archive::files(&program, &program_name)?);

    let path = project.target.join(format!("{name}.zip"));
    let bytes = Archive { folder: name, seconds: commit.seconds, entries }.bytes()?;
    fs::write(&path, &bytes).map_err(|e| format!("cannot write {}: {e}", path.display()))?;
    println!("{}", path.display());
    Ok(())
}

/// Arguments of cargo: the profile, the versions of Cargo.lock, and flags that keep the paths of this machine out.
fn build_arguments(project: &Project, target: &Path) -> Result<Vec<String>> {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from).or_else(|| {
        let home = std::env::var_os(if cfg!(windows) { "USERPROFILE" } else { "HOME" })?;
        Some(PathBuf::from(home).join(".cargo"))
    });
    let home = home.ok_or("neither CARGO_HOME nor a home folder is set")?;
    let remap = |from: &Path, to: &str| format!("--remap-path-prefix={}={to}", from.display());
    // the last one that fits counts: a target folder may lie anywhere
    let flags = [remap(&home, "cargo"), remap(&project.root, "kitwright"), remap(target, "target")];
    let flags = serde_json::to_string(&flags).map_err(|e| e.to_string())?;
    let target = target.display().to_string();
    Ok(["--release", "--locked", "--config", &format!("build.rustflags={flags}"), "--target-dir", &target]
        .map(str::to_owned)
        .to_vec())
}

/// What cargo knows of the project and its crates on this system.
fn metadata(project: &Project) -> Result<serde_json::Value> {
    let host = Command::new("rustc").arg("-vV").output().map_err(|e| format!("rustc cannot be run: {e}"))?;
    let host = String::from_utf8_lossy(&host.stdout).into_owned();
    let host = host.lines().find_map(|line| line.strip_prefix("host: ")).ok_or("rustc names no host")?;
    let mut command = cargo();
    command.args(["metadata", "--format-version", "1", "--locked", "--filter-platform", host]);
    let output =
        command.current_dir(&project.root).output().map_err(|e| format!("cargo cannot be run: {e}"))?;
    serde_json::from_slice(&output.stdout)
        .map_err(|_| format!("cargo metadata failed: {}", String::from_utf8_lossy(&output.stderr)))
}

fn version(facts: &serde_json::Value) -> Result<String> {
    let packages = facts["packages"].as_array().into_iter().flatten();
    let own = packages.filter(|p| p["name"] == "kitwright").find_map(|p| p["version"].as_str());
    own.map(str::to_owned).ok_or_else(|| "cargo metadata names no version of kitwright".into())
}

/// "linux-x86_64", "macos-arm64", "windows-x86_64".
fn system() -> String {
    let (os, arch) = (std::env::consts::OS, std::env::consts::ARCH);
    format!("{os}-{}", if (os, arch) == ("macos", "aarch64") { "arm64" } else { arch })
}

/// Where the parts go on a system.
fn install_text(os: &str) -> &'static str {
    match os {
        "macos" => {
            "Copy CLAP/Kitwright.clap into Library/Audio/Plug-Ins/CLAP and VST3/Kitwright.vst3 into\n\
             Library/Audio/Plug-Ins/VST3 of your home folder, then let your host scan its plugins again.\n\
             kitwright is the command line; it can lie anywhere.\n"
        }
        "windows" => {
            "Copy CLAP\\Kitwright.clap into %LOCALAPPDATA%\\Programs\\Common\\CLAP and VST3\\Kitwright.vst3 into\r\n\
             %LOCALAPPDATA%\\Programs\\Common\\VST3, then let your host scan its plugins again.\r\n\
             kitwright.exe is the command line; it can lie anywhere.\r\n"
        }
        _ => {
            "Copy CLAP/Kitwright.clap into .clap and VST3/Kitwright.vst3 into .vst3 of your home folder, then let your\n\
             host scan its plugins again:\n\n  \
             mkdir -p ~/.clap ~/.vst3 && cp CLAP/Kitwright.clap ~/.clap && cp -r VST3/Kitwright.vst3 ~/.vst3\n\n\
             kitwright is the command line; it can lie anywhere.\n"
        }
    }
}

/// The commit that is checked out.
struct Commit {
    /// Its time, seconds since 1970; 0 where there is no git.
    seconds: u64,
    /// Whether files of the checkout differ from it.
    changed: bool,
}

impl Commit {
    fn of(root: &Path) -> Self {
        let git = |words: &[&str]| {
            let output = Command::new("git").args(words).current_dir(root).output().ok()?;
            output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
        };
        let seconds = git(&["log", "-1", "--format=%ct"]).and_then(|text| text.parse().ok()).unwrap_or(0);
        let changed = git(&["status", "--porcelain"]).is_none_or(|text| !text.is_empty());
        Self { seconds, changed }
    }
}
