//! The kit library: a folder of kit files with names, tags and search, and a folder for what was thrown away.
//!
//! Everything is in the kit files themselves, so that a kit keeps its name and its tags wherever it is copied to, and
//! kits may be put into the folder or taken out of it by any program.

mod entry;
mod folder;
mod starter;

pub use self::{
    entry::{Entry, neighbour},
    folder::{data_folder, kits_folder},
    starter::{STARTER_TAGS, make_starter, starter_name},
};

use crate::{
    error::{Error, Result},
    kit::{EXTENSION, Kit, MAX_TAGS},
    progress::Progress,
    staging::file_name,
};
use std::{
    collections::HashMap,
    fs, io,
    path::{Path, PathBuf},
    sync::{Mutex, PoisonError},
    time::SystemTime,
};

/// Folder within the library for kits that were thrown away. This program never empties it.
const TRASH: &str = "trash";
/// Longest name of a file without its ending, bytes: what systems allow, with room for a number.
const MAX_NAME: usize = 200;

/// A folder of kits.
#[derive(Debug)]
pub struct Library {
    folder: PathBuf,
    /// Entries that were read, by file, with its length and its time.
    known: Mutex<HashMap<PathBuf, Entry>>,
}

impl Library {
    /// The library in `folder`, which is made when it is not there.
    ///
    /// # Errors
    /// One sentence that names the folder.
    pub fn open(folder: impl Into<PathBuf>) -> Result<Self> {
        let folder = folder.into();
        fs::create_dir_all(&folder).map_err(|e| unusable(&folder, &e))?;
        Ok(Self { folder, known: Mutex::default() })
    }

    /// The user's own library, in [`kits_folder`].
    ///
    /// # Errors
    /// One sentence where the system names no folder for the user's data, or as [`Library::open`].
    pub fn of_user() -> Result<Self> {
        let folder = kits_folder().ok_or_else(|| {
            Error::invalid(
                "the system names no folder for your data; name one for the kits (option --folder)",
            )
        })?;
        Self::open(folder)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Every kit of the folder by name, and a sentence for each kit file that cannot be read. Files that have not changed
    /// since the last call are not read again.
    ///
    /// # Errors
    /// One sentence when the folder cannot be read.
    pub fn entries(&self) -> Result<(Vec<Entry>, Vec<Error>)> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut entries, mut errors) = (Vec::new(), Vec::new());
        for file in files(&self.folder)? {
            let Ok(about) = fs::metadata(&file) else { continue };
            let unchanged = known.get(&file).filter(|entry| is_of(entry, &about));
            match unchanged {
                Some(entry) => entries.push(entry.clone()),
                None => match Kit::read_document(&file) {
                    Ok(document) => entries.push(Entry::new(file, &about, &document)),
                    Err(error) => errors.push(error),
                },
            }
        }
        *known = entries.iter().map(|entry| (entry.file.clone(), entry.clone())).collect();
        entries.sort_by_cached_key(|entry| (entry.name.to_lowercase(), entry.file.clone()));
        Ok((entries, errors))
    }

    /// The kit that `name` means: the name of a kit, the name of its file, or the beginning of one name only; case does
    /// not count.
    ///
    /// # Errors
    /// One sentence when none or several have it.
    pub fn find(&self, name: &str) -> Result<Entry> {
        let (entries, _) = self.entries()?;
        let wanted = name.trim().to_lowercase();
        let stem = |entry: &Entry| {
            entry.file.file_stem().map_or_else(String::new, |s| s.to_string_lossy().to_lowercase())
        };
        let same: Vec<&Entry> =
            entries.iter().filter(|e| e.name.to_lowercase() == wanted || stem(e) == wanted).collect();
        let found = match same.len() {
            0 => entries.iter().filter(|e| e.name.to_lowercase().starts_with(&wanted)).collect(),
            _ => same,
        };
        match found.as_slice() {
            [one] => Ok((*one).clone()),
            [] => Err(Error::invalid(format!(
                "the library has no kit called \"{name}\"; \"kitwright library list\" shows those it has"
            ))),
            several => {
                let names: Vec<String> = several.iter().map(|e| format!("\"{}\"", stem(e))).collect();
                Err(Error::invalid(format!("\"{name}\" may be {}; give one of these", names.join(" or "))))
            }
        }
    }

    /// Puts a kit into the library under its own name, beside one that has the name already; returns its file.
    ///
    /// # Errors
    /// As [`Kit::save`].
    pub fn add(&self, kit: &Kit, progress: &dyn Progress) -> Result<PathBuf> {
        let file = self.free_file(&self.folder, &kit.doc.name);
        kit.save(&file, progress)?;
        Ok(file)
    }

    /// Gives a kit another name, and its file as well; returns the file. The old file goes once the new one is whole.
    ///
    /// # Errors
    /// One sentence when the name is empty, or as [`Kit::load`] and [`Kit::save`].
    pub fn rename(&self, file: &Path, name: &str, progress: &dyn Progress) -> Result<PathBuf> {
        let name = name.trim();
        if name.is_empty() {
            return Err(Error::invalid("a kit needs a name; give one of at least one letter"));
        }
        let mut kit = Kit::load(file, progress)?;
        name.clone_into(&mut kit.doc.name);
        let same_file = file.file_stem().is_some_and(|stem| *stem == *stem_of(name));
        let to = if same_file { file.to_owned() } else { self.free_file(&self.folder, name) };
        kit.save(&to, progress)?;
        if to != file {
            fs::remove_file(file).map_err(|e| {
                Error::file(
                    file,
                    format!("could not be removed after it was renamed ({e}); remove it by hand"),
                )
            })?;
        }
        Ok(to)
    }

    /// Copies a kit, the copy's name saying so; returns the copy's file.
    ///
    /// # Errors
    /// As [`Kit::load`] and [`Kit::save`].
    pub fn duplicate(&self, file: &Path, progress: &dyn Progress) -> Result<PathBuf> {
        let mut kit = Kit::load(file, progress)?;
        let (entries, _) = self.entries()?;
        let taken = |name: &str| entries.iter().any(|entry| entry.name == name);
        let first = format!("{} copy", kit.doc.name);
        let numbered = (2..).map(|n| format!("{first} {n}"));
        let name = std::iter::once(first.clone()).chain(numbered).find(|name| !taken(name));
        kit.doc.name = name.unwrap_or(first);
        self.add(&kit, progress)
    }

    /// Gives a kit these tags in place of those it has.
    ///
    /// # Errors
    /// One sentence when there are too many, or as [`Kit::load`] and [`Kit::save`].
    pub fn set_tags(&self, file: &Path, tags: &[String], progress: &dyn Progress) -> Result<()> {
        let mut own: Vec<String> = Vec::new();
        for tag in tags.iter().map(|tag| tag.trim().to_lowercase()).filter(|tag| !tag.is_empty()) {
            if !own.contains(&tag) {
                own.push(tag);
            }
        }
        if own.len() > MAX_TAGS {
            return Err(Error::invalid(format!("a kit has at most {MAX_TAGS} tags; give fewer")));
        }
        let mut kit = Kit::load(file, progress)?;
        kit.doc.tags = own;
        kit.save(file, progress)
    }

    /// Moves a kit into the library's trash; returns its file there. The trash is never emptied by this program.
    ///
    /// # Errors
    /// One sentence when the file cannot be moved.
    pub fn throw_away(&self, file: &Path) -> Result<PathBuf> {
        self.move_into(file, &self.folder.join(TRASH))
    }

    /// Takes a kit back out of the trash, by the name of its file there with or without its ending; returns its file.
    ///
    /// # Errors
    /// One sentence when it is not in the trash or cannot be moved.
    pub fn take_back(&self, name: &str) -> Result<PathBuf> {
        let wanted = name.trim().trim_end_matches(&format!(".{EXTENSION}")).to_lowercase();
        let is_wanted = |file: &PathBuf| {
            file.file_stem().is_some_and(|stem| stem.to_string_lossy().to_lowercase() == wanted)
        };
        let found = self.trash()?.into_iter().find(is_wanted);
        let found = found.ok_or_else(|| {
            Error::invalid(format!(
                "the trash holds no kit file called \"{name}\"; it lies in the folder {TRASH}"
            ))
        })?;
        self.move_into(&found, &self.folder)
    }

    /// Kit files in the trash.
    ///
    /// # Errors
    /// One sentence when the folder cannot be read.
    pub fn trash(&self) -> Result<Vec<PathBuf>> {
        let folder = self.folder.join(TRASH);
        if folder.is_dir() { files(&folder) } else { Ok(Vec::new()) }
    }

    fn move_into(&self, file: &Path, folder: &Path) -> Result<PathBuf> {
        fs::create_dir_all(folder).map_err(|e| unusable(folder, &e))?;
        let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let to = self.free_file(folder, &stem);
        fs::rename(file, &to).map_err(|e| {
            Error::file(file, format!("could not be moved to {} ({e}); move it by hand", to.display()))
        })?;
        Ok(to)
    }

    /// A file of this name that is not there yet.
    fn free_file(&self, folder: &Path, name: &str) -> PathBuf {
        let name = stem_of(name);
        let numbered = (2..).map(|n| format!("{name} {n}"));
        let files =
            std::iter::once(name.clone()).chain(numbered).map(|n| folder.join(format!("{n}.{EXTENSION}")));
        let mut free = files.filter(|file| !file.exists());
        free.next().unwrap_or_else(|| folder.join(format!("{name}.{EXTENSION}")))
    }
}

/// Whether an entry was read of the file as it is.
fn is_of(entry: &Entry, about: &fs::Metadata) -> bool {
    let written: Option<SystemTime> = about.modified().ok();
    entry.bytes == about.len() && entry.written.is_some() && entry.written == written
}

/// The kit files of a folder.
fn files(folder: &Path) -> Result<Vec<PathBuf>> {
    let entries = fs::read_dir(folder).map_err(|e| unusable(folder, &e))?;
    let files = entries.filter_map(|entry| entry.ok().map(|entry| entry.path()));
    Ok(files.filter(|file| file.extension().is_some_and(|e| e == EXTENSION) && file.is_file()).collect())
}

fn unusable(folder: &Path, e: &io::Error) -> Error {
    Error::file(folder, format!("cannot be used as a folder of kits ({e}); choose another one"))
}

/// The name of a kit as its file may have it on every system.
fn stem_of(name: &str) -> String {
    let file = file_name(name, '_', MAX_NAME);
    if file.is_empty() { "kit".into() } else { file }
}
