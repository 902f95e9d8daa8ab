//! The player's preference in a small file of its own: read when a kit is cast, written after each choice.

use super::threads::lock;
use crate::{
    cast::Preference,
    error::{Error, Result},
    staging::StagedFile,
};
use std::{
    fs, io,
    path::{Path, PathBuf},
    sync::Mutex,
};

/// Largest file that is read, bytes: sixteen roles take less than 4 KB.
const MAX_BYTES: u64 = 64 << 10;

/// Where the preference is kept; nowhere until the session is told.
#[derive(Debug, Default)]
pub(super) struct PreferenceFile(Mutex<Option<PathBuf>>);

impl PreferenceFile {
    pub(super) fn keep_in(&self, file: PathBuf) {
        *lock(&self.0) = Some(file);
    }

    fn file(&self) -> Option<PathBuf> {
        lock(&self.0).clone()
    }

    /// The preference as the file holds it; a missing or broken file is an empty one, which is off.
    pub(super) fn get(&self) -> Preference {
        self.file().and_then(|file| read(&file).ok()).unwrap_or_default()
    }

    /// What casting leans by: nothing while it is off.
    pub(super) fn for_casting(&self) -> Option<Preference> {
        Some(self.get()).filter(|preference| preference.on && !preference.roles.is_empty())
    }

    /// Changes the preference and writes it; does nothing where there is no file.
    pub(super) fn change(&self, change: impl FnOnce(&mut Preference)) -> Result<()> {
        let Some(file) = self.file() else { return Ok(()) };
        let before = self.get();
        let mut after = before.clone();
        change(&mut after);
        if after == before { Ok(()) } else { write(&file, &after) }
    }
}

/// A preference as the window keeps it, for who casts without a session; it counts as switched on.
///
/// # Errors
/// One sentence where the file cannot be read or holds none.
pub fn read_preference(file: &Path) -> Result<Preference> {
    let unread = |e: io::Error| {
        let what = match e.kind() {
            io::ErrorKind::NotFound => {
                "is not there; the window writes it once \"Learn from my choices\" is on".into()
            }
            io::ErrorKind::InvalidData => {
                "holds no choices of a player; give the preference.json of the window".into()
            }
            _ => format!("could not be read ({e})"),
        };
        Error::file(file, what)
    };
    Ok(Preference { on: true, ..read(file).map_err(unread)? })
}

fn read(file: &Path) -> io::Result<Preference> {
    if fs::metadata(file)?.len() > MAX_BYTES {
        return Err(io::ErrorKind::InvalidData.into());
    }
    serde_json::from_slice(&fs::read(file)?).map_err(|e| io::Error::new(io::ErrorKind::InvalidData, e))
}

fn write(file: &Path, preference: &Preference) -> Result<()> {
    let unwritten = |e: io::Error| {
        Error::file(file, format!("could not be written ({e}); what was chosen is not remembered"))
    };
    if let Some(folder) = file.parent() {
        fs::create_dir_all(folder).map_err(unwritten)?;
    }
    let text = serde_json::to_vec_pretty(preference).map_err(io::Error::from).map_err(unwritten)?;
    let staged = StagedFile::new(file)?;
    staged.write(|path| fs::write(path, &text).map_err(unwritten))?;
    staged.commit()
}
