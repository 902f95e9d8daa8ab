//! `cargo xtask profiles`: computes the role profiles from labelled open recordings and writes the one table that
//! holds them, `src/core/cast/profiles.rs`. Needs Debian's package tools; everything it makes lies below the target folder.

use crate::{
    Result,
    project::{self, Project},
    score, venv,
};
use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

/// What the models are computed with.
pub const PYTHON: [&str; 4] = ["numpy==2.4.6", "scipy==1.17.1", "soundfile==0.14.0", "scikit-learn==1.9.1"];

/// A Debian package with labelled recordings.
struct Package {
    name: &'static str,
    version: &'static str,
    licence: &'static str,
}

/// Licences as each package's `copyright` file says for the sounds that are used.
const PACKAGES: [Package; 4] = [
    Package { name: "fluid-soundfont-gm", version: "3.1-5.3", licence: "MIT" },
    Package {
        name: "musescore-general-soundfont-lossless",
        version: "0.2.1-1",
        licence: "its drum line CC0, the rest MIT",
    },
    Package { name: "csound-soundfont", version: "1:6.18.1+dfsg-1", licence: "public domain" },
    Package { name: "sonic-pi-samples", version: "3.2.2~repack-8", licence: "CC0" },
];

/// Downloads, unpacks, computes and writes.
///
/// # Errors
/// A sentence when a package cannot be had, has another version, or a step fails.
pub fn run(project: &Project) -> Result {
    let python = venv::python(project, "venv-profiles", &PYTHON)?;
    let features = score::example(project, "features")?;
    let folder = work_folder(project)?;
    let unpacked = packages(&folder)?;
    let table = project.root.join("src/core/cast/profiles.rs");
    let recordings = project.recordings()?.ok_or(
        "the profiles are computed from recordings as well: name their folder in KITWRIGHT_TEST_DATA",
    )?;
    eprintln!("computing the profiles: about two minutes");
    let mut compute = Command::new(&python);
    compute.arg(project.root.join("tests/reference/profiles.py"));
    compute
        .arg(folder.join("work"))
        .arg(&unpacked)
        .arg(&recordings)
        .arg(&features)
        .arg(&table)
        .arg(sources());
    // the same sums in the same order, however many cores there are
    compute.env("OMP_NUM_THREADS", "1").env("OPENBLAS_NUM_THREADS", "1");
    project::run(&mut compute, "computing the profiles")?;
    println!("written: {}", table.display());
    Ok(())
}

/// Where the packages lie and what is made of them.
pub fn work_folder(project: &Project) -> Result<PathBuf> {
    let folder = project.target.join("profiles");
    fs::create_dir_all(folder.join("work")).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    Ok(folder)
}

/// Downloads and unpacks what is not there yet; returns the folder that holds `usr`.
pub fn packages(folder: &Path) -> Result<PathBuf> {
    let unpacked = folder.join("unpacked");
    for package in &PACKAGES {
        let done = unpacked.join(format!("{}.unpacked", package.name));
        if !done.exists() {
            package.fetch(folder, &unpacked)?;
            fs::write(&done, package.version).map_err(|e| format!("cannot write {}: {e}", done.display()))?;
        }
    }
    Ok(unpacked)
}

impl Package {
    fn fetch(&self, folder: &Path, unpacked: &Path) -> Result {
        let Self { name, version, .. } = self;
        eprintln!("downloading {name}");
        let mut download = Command::new("apt-get");
        download.args(["download", "--quiet", &format!("{name}={version}")]).current_dir(folder);
        project::run(&mut download, &format!("apt-get download {name}={version}")).map_err(|e| {
            format!("{e}; this task needs Debian 12 and `apt-get update`, or another version named in xtask/src/profiles.rs")
        })?;
        let file = archive(folder, name)?;
        let mut unpack = Command::new("dpkg-deb");
        unpack.arg("-x").arg(&file).arg(unpacked);
        project::run(&mut unpack, &format!("unpacking {name}"))?;
        fs::remove_file(&file).map_err(|e| format!("cannot remove {}: {e}", file.display()))
    }
}

/// The downloaded file of the package `name`.
fn archive(folder: &Path, name: &str) -> Result<PathBuf> {
    let entries = fs::read_dir(folder).map_err(|e| format!("cannot read {}: {e}", folder.display()))?;
    let begins = format!("{name}_");
    entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .find(|p| p.file_name().is_some_and(|f| f.to_string_lossy().starts_with(&begins)))
        .ok_or_else(|| format!("{name} was downloaded but is not in {}", folder.display()))
}

/// Name, version and licence of each package, for the head of the table.
fn sources() -> String {
    let one = |p: &Package| format!("{} {} ({})", p.name, p.version, p.licence);
    PACKAGES.iter().map(one).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table in src was made from what this task downloads.
    #[test]
    fn the_table_names_the_packages_of_this_task() {
        let table = Path::new(env!("CARGO_MANIFEST_DIR")).join("../src/core/cast/profiles.rs");
        let text = fs::read_to_string(table).unwrap();
        let head: String =
            text.lines().map_while(|l| l.strip_prefix("//!")).map(str::trim).collect::<Vec<_>>().join(" ");
        assert!(head.contains(&sources()), "{head}");
    }
}
