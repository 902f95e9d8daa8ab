//! Keeps outputs from overwriting inputs.

use kitwright_core::{
    error::{Error, Result},
    export::{folder_files, key_part_stems, stem_file},
    kit::Kit,
};
use std::path::{Path, PathBuf};

/// Refuses an `output` that is one of the `inputs`, under whatever name: by path, link or hard link.
///
/// # Errors
/// One sentence that names the output and what it would overwrite.
pub(super) fn check_output(output: &Path, inputs: &[&Path]) -> Result<()> {
    match inputs.iter().find(|input| is_same(output, input)) {
        Some(input) => Err(overwritten(output, input)),
        None => Ok(()),
    }
}

/// Refuses a kit's folder `out` in which files would be replaced or removed that are among the `inputs`.
///
/// # Errors
/// As [`check_output`].
pub(super) fn check_folder(out: &Path, kit_name: &str, inputs: &[&Path]) -> Result<()> {
    folder_files(out, kit_name).iter().try_for_each(|file| check_output(file, inputs))
}

/// Refuses stems that would overwrite the song `out`, the `inputs`, or stand where `out` stands.
///
/// # Errors
/// As [`check_output`].
pub(super) fn check_stems(kit: &Kit, stems: &Path, out: &Path, inputs: &[&Path]) -> Result<()> {
    let (folder, song) = (resolved(stems), resolved(out));
    if folder.starts_with(&song) {
        return Err(Error::file(stems, "is where the song itself goes; give --stems a folder of its own"));
    }
    let pads = kit.sounding().map(|(pad, ..)| stem_file(kit, pad));
    for file in pads.chain(key_part_stems(kit).map(|(_, file)| file)) {
        if folder.join(&file) == song {
            return Err(Error::file(out, "is also the name of a stem; give the song another name"));
        }
        check_output(&stems.join(file), inputs)?;
    }
    Ok(())
}

fn overwritten(output: &Path, input: &Path) -> Error {
    if output == input {
        return Error::file(output, "is read and would be overwritten; give the output another name");
    }
    Error::file(
        output,
        format!("is the same file as {}, which is read; give the output another name", input.display()),
    )
}

fn is_same(a: &Path, b: &Path) -> bool {
    resolved(a) == resolved(b) || is_same_file(a, b)
}

/// A path without links and detours, as far as it exists.
fn resolved(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    for place in absolute.ancestors() {
        if let Ok(found) = place.canonicalize() {
            let rest = absolute.strip_prefix(place).unwrap_or(Path::new(""));
            // joined with nothing, a path would get a slash at its end
            return if rest.as_os_str().is_empty() { found } else { found.join(rest) };
        }
    }
    absolute
}

#[cfg(unix)]
fn is_same_file(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let identity = |path: &Path| std::fs::metadata(path).ok().map(|m| (m.dev(), m.ino()));
    identity(a).is_some_and(|a| Some(a) == identity(b))
}

#[cfg(not(unix))]
fn is_same_file(_: &Path, _: &Path) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_file_is_recognised_under_every_name() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        fs::write(at("take.wav"), "x").unwrap();
        fs::write(at("other.wav"), "x").unwrap();
        fs::create_dir(at("sub")).unwrap();
        let mut names = vec![at("take.wav"), at("sub/../take.wav"), at("./take.wav")];
        fs::hard_link(at("take.wav"), at("hard.wav")).unwrap();
        #[cfg(unix)]
        {
            names.push(at("hard.wav"));
            std::os::unix::fs::symlink(at("take.wav"), at("sub/link.wav")).unwrap();
            names.push(at("sub/link.wav"));
        }
        for name in names {
            assert!(check_output(&name, &[&at("other.wav"), &at("take.wav")]).is_err(), "{}", name.display());
        }
        for name in [at("new.wav"), at("other.wav"), at("sub/take.wav")] {
            assert!(check_output(&name, &[&at("take.wav")]).is_ok(), "{}", name.display());
        }
    }
}
