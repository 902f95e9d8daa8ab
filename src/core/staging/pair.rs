//! A file and the files of a folder that appear together.

use super::{StagedFile, StagedFolder, disk::parent_of, leftovers::remove_leftovers, real_path_of, renamed};
use crate::error::{Error, Result};
use std::{
    fs,
    path::{Component, Path, PathBuf},
};

/// A file and a folder of files that appear when all are complete. Where the folder lies in the file's own folder, on the
/// same disk and without links, they appear as one: a kill leaves all of them old or all of them new once the next process
/// has written there. Elsewhere the folder's files come first, then the file.
pub struct StagedPair {
    file: PathBuf,
    folder: PathBuf,
    places: Places,
}

enum Places {
    /// One hidden folder in the folder of the file; `name` and `below` are the paths of file and folder within it.
    Together {
        staged: StagedFolder,
        name: PathBuf,
        below: PathBuf,
    },
    Apart {
        file: StagedFile,
        folder: StagedFolder,
    },
}

impl StagedPair {
    /// Makes what is hidden; dropping it removes it.
    ///
    /// # Errors
    /// As [`StagedFile::new`] and [`StagedFolder::new`].
    pub fn new(file: &Path, folder: &Path) -> Result<Self> {
        let places = match (file.file_name(), within(file, folder)) {
            (Some(name), Some(below)) => {
                real_path_of(file)?;
                remove_leftovers(folder);
                Places::Together { staged: StagedFolder::new(parent_of(file))?, name: name.into(), below }
            }
            _ => Places::Apart { file: StagedFile::new(file)?, folder: StagedFolder::new(folder)? },
        };
        Ok(Self { file: file.to_owned(), folder: folder.to_owned(), places })
    }

    /// Writes by `work`, which is given the hidden paths of the file and of the folder.
    ///
    /// # Errors
    /// What `work` answers, naming files as the user will know them.
    pub fn write<T>(&self, work: impl FnOnce(&Path, &Path) -> Result<T>) -> Result<T> {
        match &self.places {
            Places::Together { staged, name, below } => {
                let hidden = staged.temporary.path();
                let folder = hidden.join(below);
                let made = fs::create_dir_all(&folder).map_err(|e| super::unwritten(&folder, &e));
                let done = made.and_then(|()| work(&hidden.join(name), &folder));
                done.map_err(|e| self.as_given(e, hidden, name, below))
            }
            Places::Apart { file, folder } => file.write(|file| folder.write(|folder| work(file, folder))),
        }
    }

    /// Waits until what was written has reached the disk.
    ///
    /// # Errors
    /// One sentence when it does not, as on a full disk.
    pub fn sync(&self) -> Result<()> {
        match &self.places {
            Places::Together { staged, name, below } => {
                staged.sync().map_err(|e| self.as_given(e, &staged.target, name, below))
            }
            Places::Apart { file, folder } => file.sync().and_then(|()| folder.sync()),
        }
    }

    /// Moves everything into place, over older files of the same names; other files stay.
    ///
    /// # Errors
    /// As [`StagedFolder::commit`] and [`StagedFile::commit`].
    pub fn commit(self) -> Result<()> {
        match self.places {
            Places::Together { staged, .. } => staged.commit(&[]),
            Places::Apart { file, folder } => {
                folder.commit(&[])?;
                file.commit()
            }
        }
    }

    /// An error about something in `base` as one about the paths that the user gave.
    fn as_given(&self, error: Error, base: &Path, name: &Path, below: &Path) -> Error {
        renamed(renamed(error, &base.join(name), &self.file), &base.join(below), &self.folder)
    }
}

/// Path of `folder` within the folder of `file`; `None` where they cannot be moved in as one.
fn within(file: &Path, folder: &Path) -> Option<PathBuf> {
    let home = parent_of(file);
    let is_plain_folder = |path: &Path| fs::symlink_metadata(path).map_or(true, |m| m.is_dir());
    let absolute = |path: &Path| std::path::absolute(path).ok();
    let below = absolute(folder)?.strip_prefix(absolute(home)?).ok()?.to_owned();
    let on_the_way = || below.ancestors().filter(|part| !part.as_os_str().is_empty());
    let plain = below.components().all(|part| matches!(part, Component::Normal(_)))
        && home.is_dir()
        && !file.is_symlink()
        && on_the_way().all(|part| is_plain_folder(&home.join(part)) && is_same_disk(home, &home.join(part)));
    plain.then_some(below)
}

/// Whether two folders lie on one disk; one that is not there yet will.
#[cfg(unix)]
fn is_same_disk(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let disk = |path: &Path| fs::metadata(path).map(|m| m.dev()).ok();
    disk(b).is_none_or(|b| disk(a) == Some(b))
}

#[cfg(not(unix))]
fn is_same_disk(_: &Path, _: &Path) -> bool {
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::staging::{disk::files_below, unwritten};
    use std::io;

    /// A pair in `dir` whose files are written.
    fn written(file: &Path, folder: &Path) -> StagedPair {
        let pair = StagedPair::new(file, folder).unwrap();
        let write = |file: &Path, folder: &Path| {
            fs::write(file, "song").unwrap();
            fs::write(folder.join("36-kick.wav"), "kick").unwrap();
            Ok(())
        };
        pair.write(write).unwrap();
        pair.sync().unwrap();
        pair
    }

    fn found(dir: &Path) -> Vec<PathBuf> {
        let mut files = files_below(dir).unwrap();
        files.sort();
        files
    }

    #[test]
    fn nothing_is_moved_in_when_the_place_of_the_file_is_taken_meanwhile() {
        let dir = tempfile::tempdir().unwrap();
        let (song, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
        let pair = written(&song, &stems);
        fs::create_dir(&song).unwrap();
        let said = pair.commit().unwrap_err().to_string();
        assert!(said.contains("is a folder"), "{said}");
        assert_eq!(found(dir.path()), Vec::<PathBuf>::new());
    }

    #[test]
    fn both_appear_wherever_the_folder_lies() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        for name in ["a", "b", "b/old", "c", "e"] {
            fs::create_dir(at(name)).unwrap();
        }
        fs::write(at("b/old/note.txt"), "mine").unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink(at("e"), at("c/link")).unwrap();
        let cases = [
            ("a/song.wav", "a/stems", true),
            ("b/song.wav", "b/old", true),
            ("b/song.wav", "b", true),
            ("a/song.wav", "e/stems/deep", false),
            ("c/song.wav", "c/link", !cfg!(unix)),
        ];
        for (file, folder, together) in cases {
            let pair = written(&at(file), &at(folder));
            assert_eq!(matches!(pair.places, Places::Together { .. }), together, "{folder}");
            assert!(!at(folder).join("36-kick.wav").exists(), "{folder}");
            pair.commit().unwrap();
            assert_eq!(fs::read_to_string(at(file)).unwrap(), "song", "{file}");
            assert_eq!(fs::read_to_string(at(folder).join("36-kick.wav")).unwrap(), "kick", "{folder}");
        }
        assert_eq!(fs::read_to_string(at("b/old/note.txt")).unwrap(), "mine");
        assert!(found(dir.path()).iter().all(|f| !f.to_string_lossy().contains(".kitwright")));
    }

    #[test]
    fn errors_name_what_the_user_asked_for() {
        let dir = tempfile::tempdir().unwrap();
        let (song, stems) = (dir.path().join("song.wav"), dir.path().join("x/stems"));
        let pair = StagedPair::new(&song, &stems).unwrap();
        let full = |path: &Path| unwritten(path, &io::Error::from(io::ErrorKind::StorageFull));
        let said = |work: fn(&Path, &Path) -> PathBuf| {
            let failed: Result<()> = pair.write(|file, folder| Err(full(&work(file, folder))));
            failed.unwrap_err().to_string()
        };
        assert!(said(|file, _| file.into()).starts_with(&format!("{}: ", song.display())));
        let stem = stems.join("36-kick.wav");
        let named = said(|_, folder| folder.join("36-kick.wav"));
        assert!(named.starts_with(&format!("{}: ", stem.display())), "{named}");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_kill_while_they_are_moved_in_ends_with_both() {
        use crate::staging::leftovers::{Moving, UNFINISHED, machine};
        let dir = tempfile::tempdir().unwrap();
        let (song, stems) = (dir.path().join("song.wav"), dir.path().join("stems"));
        fs::write(&song, "old").unwrap();
        let pair = written(&song, &stems);
        let Places::Together { staged, .. } = pair.places else { panic!("apart") };
        // as of a process that is gone: its number is above the largest of Linux (2^22)
        let hidden = dir.path().join(format!("{UNFINISHED}9999999-{}-a", machine()));
        fs::rename(staged.temporary.keep(), &hidden).unwrap();
        std::mem::forget(Moving::begin(hidden, &[]).unwrap());
        remove_leftovers(dir.path());
        assert_eq!(found(dir.path()), ["song.wav", "stems/36-kick.wav"].map(PathBuf::from));
        assert_eq!(fs::read_to_string(&song).unwrap(), "song");
    }
}
