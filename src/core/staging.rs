//! Files that appear whole or not at all: written into a hidden neighbour first, moved into place at the
//! end.
//!
//! What is moved has reached the disk, and so has its new name, as far as the file system can tell. A
//! process that is killed leaves its hidden neighbour behind; the next one that writes into the folder
//! removes it: at once when its process ran on this machine and is gone, a day later otherwise. A folder whose files
//! were being moved in when the process was killed is moved in to its end.

mod disk;
mod file_names;
mod leftovers;
mod pair;

pub(crate) use file_names::file_name;
pub(crate) use leftovers::is_running;
pub use pair::StagedPair;

use crate::error::{Error, Result};
use disk::{files_below, folders_below, parent_of, sync_file, sync_folder};
use leftovers::{Moving, prefix, remove_leftovers};
use std::{
    fs,
    io::{self, ErrorKind},
    path::{Path, PathBuf},
};
use tempfile::{Builder, TempDir, TempPath};

/// Links that are followed from one to the next, as Linux does.
const MAX_SYMLINKS: usize = 40;

/// A file that appears at its path only when it is complete.
pub struct StagedFile {
    target: PathBuf,
    /// Where `target` leads to when it is a link.
    real_path: PathBuf,
    temporary: TempPath,
}

impl StagedFile {
    /// Makes a hidden file beside `target`, or beside what it links to; dropping it removes it.
    ///
    /// # Errors
    /// One sentence when `target` is a folder, a device or a pipe, or cannot be written.
    pub fn new(target: &Path) -> Result<Self> {
        let real_path = real_path_of(target)?;
        let folder = parent_of(&real_path);
        remove_leftovers(folder);
        let temporary = like_other_files(Builder::new().prefix(&prefix()), 0o666)
            .tempfile_in(folder)
            .map_err(|e| unwritten(target, &e))?
            .into_temp_path();
        Ok(Self { target: target.to_owned(), real_path, temporary })
    }

    /// Writes by `work`, which is given the hidden file's path.
    ///
    /// # Errors
    /// What `work` answers, naming the file as the user knows it.
    pub fn write<T>(&self, work: impl FnOnce(&Path) -> Result<T>) -> Result<T> {
        work(&self.temporary).map_err(|e| renamed(e, &self.temporary, &self.target))
    }

    /// Waits until what was written has reached the disk.
    ///
    /// # Errors
    /// One sentence when it does not, as on a full disk.
    pub fn sync(&self) -> Result<()> {
        sync_file(&self.temporary).map_err(|e| unwritten(&self.target, &e))
    }

    /// Moves it into place, over an older file of that name.
    ///
    /// # Errors
    /// One sentence; the older file stays then.
    pub fn commit(self) -> Result<()> {
        self.sync()?;
        self.temporary.persist(&self.real_path).map_err(|e| unwritten(&self.target, &e.error))?;
        sync_folder(parent_of(&self.real_path));
        Ok(())
    }
}

/// A folder whose files appear only when all are complete.
pub struct StagedFolder {
    target: PathBuf,
    /// Where `target` leads to when it is a link.
    real_path: PathBuf,
    temporary: TempDir,
}

impl StagedFolder {
    /// Makes a hidden folder in `target`, or beside it when it is not there (in the nearest folder above
    /// that is); dropping it removes it with everything inside.
    ///
    /// # Errors
    /// One sentence when `target` is a file or cannot be written.
    pub fn new(target: &Path) -> Result<Self> {
        if target.exists() && !target.is_dir() {
            return Err(Error::file(target, "is a file; give the name of a folder"));
        }
        let real_path = followed(target)?;
        let mut home = if real_path.is_dir() { real_path.as_path() } else { parent_of(&real_path) };
        while !home.exists() {
            home = parent_of(home);
        }
        remove_leftovers(home);
        let temporary = like_other_files(Builder::new().prefix(&prefix()), 0o777)
            .tempdir_in(home)
            .map_err(|e| unwritten(target, &e))?;
        Ok(Self { target: target.to_owned(), real_path, temporary })
    }

    /// Writes by `work`, which is given the hidden folder's path.
    ///
    /// # Errors
    /// What `work` answers, naming files as the user will know them.
    pub fn write<T>(&self, work: impl FnOnce(&Path) -> Result<T>) -> Result<T> {
        let hidden = self.temporary.path();
        work(hidden).map_err(|e| renamed(e, hidden, &self.target))
    }

    /// Waits until what was written has reached the disk.
    ///
    /// # Errors
    /// One sentence when it does not, as on a full disk.
    pub fn sync(&self) -> Result<()> {
        let hidden = self.temporary.path();
        for file in self.files()? {
            sync_file(&hidden.join(&file)).map_err(|e| unwritten(&self.target.join(&file), &e))?;
        }
        for folder in folders_below(hidden).map_err(|e| unwritten(&self.target, &e))? {
            sync_folder(&hidden.join(folder));
        }
        Ok(())
    }

    /// Moves every file into the target folder, over older ones of the same names; other files there stay,
    /// except those in `outdated` (paths within the target). A folder that was not there appears at once,
    /// with everything in it. When the process is killed while it moves files, the next one that writes into the
    /// folder moves the others.
    ///
    /// # Errors
    /// One sentence when the path of a file is taken by a folder, a device or a pipe (nothing is moved then),
    /// or when a file cannot be moved: files already moved stay then, the others are removed, and nothing of `outdated` is
    /// removed.
    pub fn commit(self, outdated: &[PathBuf]) -> Result<()> {
        self.sync()?;
        let fail = |e: io::Error| unwritten(&self.target, &e);
        if !self.real_path.exists() {
            fs::create_dir_all(parent_of(&self.real_path)).map_err(fail)?;
            fs::rename(self.temporary.path(), &self.real_path).map_err(fail)?;
            sync_folder(parent_of(&self.real_path));
            return Ok(());
        }
        let files = self.files()?;
        let outdated: Vec<PathBuf> = outdated.iter().filter(|old| !files.contains(old)).cloned().collect();
        let real_paths: Vec<PathBuf> =
            files.iter().map(|file| real_path_of(&self.target.join(file))).collect::<Result<_>>()?;
        for path in &real_paths {
            fs::create_dir_all(parent_of(path)).map_err(fail)?;
        }
        let moving = Moving::begin(self.temporary.keep(), &outdated).map_err(fail)?;
        for (file, to) in files.iter().zip(&real_paths) {
            move_file(&moving.0.join(file), to).map_err(|e| unwritten(&self.target.join(file), &e))?;
        }
        real_paths.iter().for_each(|path| sync_folder(parent_of(path)));
        for old in outdated {
            // nothing to do when it is gone already
            let _ = fs::remove_file(self.target.join(old));
        }
        Ok(())
    }

    fn files(&self) -> Result<Vec<PathBuf>> {
        files_below(self.temporary.path()).map_err(|e| unwritten(&self.target, &e))
    }
}

/// Trouble with writing to `path`, in one sentence with what to do about it.
pub fn unwritten(path: &Path, e: &io::Error) -> Error {
    let advice = match e.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "the disk is full; make room or save elsewhere",
        ErrorKind::FileTooLarge => "files here may not be that large; save elsewhere",
        ErrorKind::NotFound => "its folder is not there; choose another",
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "this place may not be written to; choose another"
        }
        _ => "save elsewhere",
    };
    // the library for temporary files adds the hidden file's name
    let text = e.to_string();
    let reason = text.split(" at path ").next().unwrap_or_default();
    Error::file(path, format!("could not be saved ({reason}): {advice}"))
}

/// Where a file is to be written: what `target` links to, when it is a link, whether that is there or not.
fn real_path_of(target: &Path) -> Result<PathBuf> {
    match fs::metadata(target) {
        Ok(found) if found.is_dir() => Err(Error::file(target, "is a folder; give the name of a file")),
        Ok(found) if !found.is_file() => {
            Err(Error::file(target, "is a device or a pipe; give the name of a file"))
        }
        _ => followed(target),
    }
}

/// The end of a chain of links.
fn followed(target: &Path) -> Result<PathBuf> {
    let mut path = target.to_owned();
    for _ in 0..MAX_SYMLINKS {
        match fs::read_link(&path) {
            Ok(to) => path = parent_of(&path).join(to),
            Err(_) => return Ok(path),
        }
    }
    Err(Error::file(target, "is a link that leads back to itself; give another name"))
}

/// Moves a file that has reached the disk; over to another disk, when a link leads there, by a copy that
/// is moved in its turn.
fn move_file(from: &Path, to: &Path) -> io::Result<()> {
    match fs::rename(from, to) {
        Err(e) if e.kind() == ErrorKind::CrossesDevices => {
            let copy = like_other_files(Builder::new().prefix(&prefix()), 0o666)
                .tempfile_in(parent_of(to))?
                .into_temp_path();
            fs::copy(from, &copy)?;
            sync_file(&copy)?;
            copy.persist(to).map_err(|e| e.error)
        }
        other => other,
    }
}

/// An error about something hidden, as one about what it was to become.
fn renamed(error: Error, hidden: &Path, target: &Path) -> Error {
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

#[cfg(test)]
mod tests {
    use super::{
        leftovers::{FORMER_SUFFIX, UNFINISHED as PREFIX},
        *,
    };
    use std::time::{Duration, SystemTime};

    fn refused(path: &Path) -> Result<()> {
        Err(unwritten(path, &io::Error::from(ErrorKind::StorageFull)))
    }

    fn save(target: &Path, text: &str) -> Result<()> {
        let staged = StagedFile::new(target)?;
        staged.write(|path| fs::write(path, text).map_err(|e| unwritten(path, &e)))?;
        staged.commit()
    }

    #[test]
    fn errors_name_what_the_user_asked_for_and_not_the_hidden_place() {
        let dir = tempfile::tempdir().unwrap();
        let (file, folder) = (dir.path().join("song.wav"), dir.path().join("kit"));
        let staged = StagedFile::new(&file).unwrap();
        let said = staged.write(refused).unwrap_err().to_string();
        assert!(said.starts_with(&file.display().to_string()) && said.contains("disk is full"), "{said}");
        let staged = StagedFolder::new(&folder).unwrap();
        let said = staged.write(|p| refused(&p.join("pads/36-kick.wav"))).unwrap_err().to_string();
        assert!(said.starts_with(&folder.join("pads/36-kick.wav").display().to_string()), "{said}");
        let nowhere = dir.path().join("nowhere/song.wav");
        let said = StagedFile::new(&nowhere).err().unwrap().to_string();
        assert!(said.contains("folder is not there") && !said.contains("unfinished"), "{said}");
        let said = staged.write(|_| refused(&file)).unwrap_err().to_string();
        assert!(said.starts_with(&file.display().to_string()), "others keep their name: {said}");
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_stay_links() {
        use std::os::unix::fs::symlink;
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        fs::create_dir(at("sub")).unwrap();
        fs::write(at("sub/there.wav"), "old").unwrap();
        symlink("sub/there.wav", at("one.wav")).unwrap();
        symlink(at("one.wav"), at("two.wav")).unwrap();
        symlink("sub/nowhere.wav", at("open.wav")).unwrap();
        symlink("loop.wav", at("loop.wav")).unwrap();
        save(&at("two.wav"), "new").unwrap();
        save(&at("open.wav"), "new").unwrap();
        for name in ["sub/there.wav", "sub/nowhere.wav"] {
            assert_eq!(fs::read_to_string(at(name)).unwrap(), "new", "{name}");
        }
        assert!(at("two.wav").is_symlink() && at("one.wav").is_symlink() && at("open.wav").is_symlink());
        assert!(save(&at("loop.wav"), "new").unwrap_err().to_string().contains("leads back"));

        symlink("sub", at("kit")).unwrap();
        symlink("../one.wav", at("sub/groove.wav")).unwrap();
        let staged = StagedFolder::new(&at("kit")).unwrap();
        fs::write(staged.temporary.path().join("groove.wav"), "groove").unwrap();
        staged.commit(&[]).unwrap();
        assert_eq!(fs::read_to_string(at("sub/there.wav")).unwrap(), "groove");
        assert!(at("kit").is_symlink() && at("sub/groove.wav").is_symlink());
    }

    #[cfg(unix)]
    #[test]
    fn devices_and_pipes_are_refused_and_nothing_is_moved() {
        let dir = tempfile::tempdir().unwrap();
        let pipe = dir.path().join("kit/b.wav");
        fs::create_dir(dir.path().join("kit")).unwrap();
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        for target in [Path::new("/dev/null"), &pipe] {
            assert!(save(target, "x").unwrap_err().to_string().contains("device or a pipe"));
        }
        let staged = StagedFolder::new(&dir.path().join("kit")).unwrap();
        for name in ["a.wav", "b.wav", "c.wav"] {
            fs::write(staged.temporary.path().join(name), "x").unwrap();
        }
        assert!(staged.commit(&[]).unwrap_err().to_string().contains("b.wav"));
        assert_eq!(files_below(dir.path()).unwrap(), [Path::new("kit/b.wav")]);
    }

    #[test]
    fn a_folder_that_is_not_there_appears_with_everything_in_it() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("not/yet");
        let staged = StagedFolder::new(&target).unwrap();
        fs::create_dir(staged.temporary.path().join("pads")).unwrap();
        fs::write(staged.temporary.path().join("pads/a.wav"), "x").unwrap();
        assert!(!target.exists());
        staged.commit(&[]).unwrap();
        assert_eq!(files_below(dir.path()).unwrap(), [Path::new("not/yet/pads/a.wav")]);
    }

    #[test]
    fn what_a_dead_process_left_is_removed_after_a_day_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        // above the largest number of a process on Linux (2^22)
        let dead = format!("{PREFIX}9999999-");
        let own = prefix();
        let leave = |name: &str, hours: u64| {
            fs::write(at(name), "x").unwrap();
            let time = SystemTime::now() - Duration::from_secs(hours * 3600);
            fs::File::options().write(true).open(at(name)).unwrap().set_modified(time).unwrap();
        };
        let gone = [format!("{dead}old"), format!("{PREFIX}AbCdEf"), format!(".AbC{FORMER_SUFFIX}")];
        let stay = ["take.wav".to_owned(), ".hidden".into()];
        gone.iter().chain(&stay).for_each(|name| leave(name, 25));
        leave(&format!("{dead}young"), 23);
        if cfg!(target_os = "linux") {
            leave(&format!("{own}old"), 25);
        }
        fs::create_dir(at(&format!("{dead}folder"))).unwrap();
        leave(&format!("{dead}folder/a.wav"), 25);
        let old_folder = at(&format!("{dead}old-folder"));
        if cfg!(unix) {
            fs::create_dir_all(old_folder.join("pads")).unwrap();
            leave(&format!("{dead}old-folder/pads/a.wav"), 25);
            let time = SystemTime::now() - Duration::from_secs(25 * 3600);
            for folder in [old_folder.join("pads"), old_folder.clone()] {
                fs::File::open(folder).unwrap().set_modified(time).unwrap();
            }
        }
        save(&at("song.wav"), "x").unwrap();
        assert!(!old_folder.exists(), "a folder goes with all that is in it");
        assert!(gone.iter().all(|name| !at(name).exists()));
        assert!(stay.iter().all(|name| at(name).exists()) && at(&format!("{dead}young")).exists());
        assert!(!cfg!(target_os = "linux") || at(&format!("{own}old")).exists(), "its process lives");
        assert!(at(&format!("{dead}folder")).exists(), "the folder itself is young");
    }
}
