//! `cargo xtask install`: the plugin in the folders where this user's hosts look.

use crate::{Result, project::Project};
use std::{
    fs, io,
    path::{Path, PathBuf},
};

const FORMATS: [&str; 2] = ["clap", "vst3"];

/// Builds the bundles and copies them.
pub fn install(project: &Project) -> Result {
    let folders = plugin_folders()?;
    project.bundle(&["--release".to_owned()])?;
    for (format, folder) in FORMATS.iter().zip(&folders) {
        let bundle = project.bundled(format);
        let to = put(&bundle, folder).map_err(|e| format!("{} cannot be copied: {e}", bundle.display()))?;
        println!("installed {}", to.display());
    }
    println!("Let your host scan its plugins again, then look for Kitwright among the instruments.");
    Ok(())
}

/// Takes the bundles out again.
pub fn remove() -> Result {
    for (format, folder) in FORMATS.iter().zip(&plugin_folders()?) {
        let bundle = folder.join(format!("Kitwright.{format}"));
        if delete(&bundle).map_err(|e| format!("{} cannot be removed: {e}", bundle.display()))? {
            println!("removed {}", bundle.display());
        } else {
            println!("{} was not there", bundle.display());
        }
    }
    Ok(())
}

/// The user's folders for CLAP and VST3 plugins, as the two formats' documentation names them.
fn plugin_folders() -> Result<[PathBuf; 2]> {
    let variable = if cfg!(windows) { "LOCALAPPDATA" } else { "HOME" };
    let base = std::env::var_os(variable).filter(|v| !v.is_empty());
    let base = PathBuf::from(base.ok_or(format!("the variable {variable} is not set"))?);
    Ok(folders_below(&base, std::env::consts::OS))
}

fn folders_below(base: &Path, system: &str) -> [PathBuf; 2] {
    match system {
        "macos" => ["CLAP", "VST3"].map(|f| base.join("Library/Audio/Plug-Ins").join(f)),
        "windows" => ["CLAP", "VST3"].map(|f| base.join("Programs").join("Common").join(f)),
        _ => [base.join(".clap"), base.join(".vst3")],
    }
}

/// Copies a bundle (a file or a folder) into a folder. A host may have the old one loaded, so the new one
/// is copied beside it and takes its place at the end.
fn put(bundle: &Path, folder: &Path) -> io::Result<PathBuf> {
    fs::create_dir_all(folder)?;
    let name = bundle.file_name().expect("a bundle has a name");
    let (target, fresh) = (folder.join(name), folder.join(".kitwright-unfinished"));
    delete(&fresh)?;
    copy(bundle, &fresh)?;
    delete(&target)?;
    fs::rename(&fresh, &target)?;
    Ok(target)
}

fn copy(from: &Path, to: &Path) -> io::Result<()> {
    if !from.is_dir() {
        return fs::copy(from, to).map(|_| ());
    }
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        copy(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

/// Deletes a file or a folder; whether it was there.
fn delete(path: &Path) -> io::Result<bool> {
    let is_folder = match fs::symlink_metadata(path) {
        Ok(facts) => facts.is_dir(),
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(e) => return Err(e),
    };
    if is_folder { fs::remove_dir_all(path) } else { fs::remove_file(path) }.map(|()| true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bundles_replace_older_ones_and_can_be_taken_out() {
        let dir = tempfile::tempdir().unwrap();
        let bundle = dir.path().join("build/Kitwright.vst3");
        fs::create_dir_all(bundle.join("Contents")).unwrap();
        fs::write(bundle.join("Contents/plugin.so"), "new").unwrap();
        let folder = dir.path().join("home/.vst3");
        fs::create_dir_all(folder.join("Kitwright.vst3")).unwrap();
        fs::write(folder.join("Kitwright.vst3/outdated"), "old").unwrap();
        fs::write(folder.join("Other.vst3"), "foreign").unwrap();

        let installed = put(&bundle, &folder).unwrap();
        assert_eq!(fs::read_to_string(installed.join("Contents/plugin.so")).unwrap(), "new");
        assert!(!installed.join("outdated").exists());
        assert!(delete(&installed).unwrap());
        assert!(!delete(&installed).unwrap());
        let left: Vec<_> = fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(left, ["Other.vst3"]);
    }

    #[test]
    fn every_system_has_its_folders() {
        let base = Path::new("/home/someone");
        assert_eq!(folders_below(base, "linux")[0], base.join(".clap"));
        assert_eq!(folders_below(base, "macos")[1], base.join("Library/Audio/Plug-Ins/VST3"));
        assert_eq!(folders_below(base, "windows")[0], base.join("Programs/Common/CLAP"));
    }
}
