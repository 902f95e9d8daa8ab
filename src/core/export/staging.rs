//! Writing so that nothing half-written is ever seen: into a hidden neighbour first, moved at the end.

use crate::error::{Error, Result};
use std::{
    fs, io,
    path::{Path, PathBuf},
};
use tempfile::{Builder, TempDir, TempPath};

/// Start of the names of everything unfinished.
const PREFIX: &str = ".kitwright-unfinished-";

/// A file that appears at its path only when it is complete.
pub struct StagedFile {
    target: PathBuf,
    temporary: TempPath,
}

impl StagedFile {
    /// Makes a hidden file beside `target`; dropping it removes it.
    pub fn new(target: &Path) -> Result<Self> {
        if target.is_dir() {
            return Err(Error::file(target, "is a folder; give the name of a file"));
        }
        let folder = parent_of(target);
        let temporary = like_other_files(Builder::new().prefix(PREFIX), 0o666)
            .tempfile_in(folder)
            .map_err(|e| cannot_write(target, &e))?
            .into_temp_path();
        Ok(Self { target: target.to_owned(), temporary })
    }

    /// Writes by `work`, which is given the hidden file's path.
    ///
    /// # Errors
    /// What `work` answers, naming the file as the user knows it.
    pub fn write<T>(&self, work: impl FnOnce(&Path) -> Result<T>) -> Result<T> {
        work(&self.temporary).map_err(|e| rename(e, &self.temporary, &self.target))
    }

    /// Moves it into place, over an older file of that name.
    pub fn commit(self) -> Result<()> {
        self.temporary.persist(&self.target).map_err(|e| cannot_write(&self.target, &e.error))
    }
}

/// A folder whose files appear only when all are complete.
pub struct StagedFolder {
    target: PathBuf,
    temporary: TempDir,
}

impl StagedFolder {
    /// Makes a hidden folder beside `target` (or in the nearest folder above that exists); dropping it
    /// removes it with everything inside.
    pub fn new(target: &Path) -> Result<Self> {
        if target.exists() && !target.is_dir() {
            return Err(Error::file(target, "is a file; give the name of a folder"));
        }
        let mut beside = parent_of(target);
        while !beside.exists() {
            beside = parent_of(beside);
        }
        let temporary = like_other_files(Builder::new().prefix(PREFIX), 0o777)
            .tempdir_in(beside)
            .map_err(|e| cannot_write(target, &e))?;
        Ok(Self { target: target.to_owned(), temporary })
    }

    /// Writes by `work`, which is given the hidden folder's path.
    ///
    /// # Errors
    /// What `work` answers, naming files as the user will know them.
    pub fn write<T>(&self, work: impl FnOnce(&Path) -> Result<T>) -> Result<T> {
        let hidden = self.temporary.path();
        work(hidden).map_err(|e| rename(e, hidden, &self.target))
    }

    /// Moves every file into the target folder, over older ones of the same names; other files there stay,
    /// except those in `outdated` (paths within the target).
    pub fn commit(self, outdated: &[PathBuf]) -> Result<()> {
        let fail = |e: io::Error| cannot_write(&self.target, &e);
        let files = files_below(self.temporary.path()).map_err(fail)?;
        fs::create_dir_all(&self.target).map_err(fail)?;
        for file in &files {
            let to = self.target.join(file);
            fs::create_dir_all(parent_of(&to)).map_err(fail)?;
            fs::rename(self.temporary.path().join(file), &to).map_err(|e| cannot_write(&to, &e))?;
        }
        for old in outdated.iter().filter(|old| !files.contains(old)) {
            // it may be gone already, which is just as well
            let _ = fs::remove_file(self.target.join(old));
        }
        Ok(())
    }
}

/// An error about something hidden, as one about what it was to become.
fn rename(error: Error, hidden: &Path, target: &Path) -> Error {
    match error {
        Error::File { file, trouble } => {
            let path = match Path::new(&file).strip_prefix(hidden) {
                Ok(rest) if rest.as_os_str().is_empty() => target.to_owned(),
                Ok(rest) => target.join(rest),
                Err(_) => PathBuf::from(file),
            };
            Error::file(path, trouble)
        }
        other => other,
    }
}

/// The folder a path lies in; "." for a bare name.
fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        Some(_) => Path::new("."),
        None => path,
    }
}

/// Paths of all files below a folder, relative to it.
fn files_below(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    let mut folders = vec![PathBuf::new()];
    while let Some(inner) = folders.pop() {
        for entry in fs::read_dir(folder.join(&inner))? {
            let entry = entry?;
            let path = inner.join(entry.file_name());
            if entry.file_type()?.is_dir() { folders.push(path) } else { found.push(path) }
        }
    }
    Ok(found)
}

/// Temporary files are private by default; ours become ordinary files, so the user's mask decides.
#[cfg(unix)]
fn like_other_files<'a, 'p, 's>(builder: &'a mut Builder<'p, 's>, mode: u32) -> &'a mut Builder<'p, 's> {
    use std::os::unix::fs::PermissionsExt;
    builder.permissions(fs::Permissions::from_mode(mode))
}

#[cfg(not(unix))]
fn like_other_files<'a, 'p, 's>(builder: &'a mut Builder<'p, 's>, _mode: u32) -> &'a mut Builder<'p, 's> {
    builder
}

fn cannot_write(path: &Path, e: &io::Error) -> Error {
    Error::file(path, format!("cannot be written ({e}); check the folder and the free space"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(path: &Path) -> Result<()> {
        Err(cannot_write(path, &io::Error::from(io::ErrorKind::StorageFull)))
    }

    #[test]
    fn errors_name_what_the_user_asked_for_and_not_the_hidden_place() {
        let dir = tempfile::tempdir().unwrap();
        let (file, folder) = (dir.path().join("song.wav"), dir.path().join("kit"));
        let staged = StagedFile::new(&file).unwrap();
        let said = staged.write(refused).unwrap_err().to_string();
        assert!(said.starts_with(&file.display().to_string()) && said.contains("space"), "{said}");
        let staged = StagedFolder::new(&folder).unwrap();
        let said = staged.write(|p| refused(&p.join("pads/36-kick.wav"))).unwrap_err().to_string();
        assert!(said.starts_with(&folder.join("pads/36-kick.wav").display().to_string()), "{said}");
        let said = staged.write(|_| refused(&file)).unwrap_err().to_string();
        assert!(said.starts_with(&file.display().to_string()), "others keep their name: {said}");
    }
}
