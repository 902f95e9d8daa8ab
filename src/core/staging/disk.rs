//! Folders listed and synchronised.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

/// The folder a path lies in; "." for a bare name.
pub(super) fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        Some(_) => Path::new("."),
        None => path,
    }
}

/// Paths of all files below a folder, relative to it.
pub(super) fn files_below(folder: &Path) -> io::Result<Vec<PathBuf>> {
    Ok(below(folder)?.0)
}

/// Paths of a folder, as "", and of all folders below it, relative to it.
pub(super) fn folders_below(folder: &Path) -> io::Result<Vec<PathBuf>> {
    Ok(below(folder)?.1)
}

fn below(folder: &Path) -> io::Result<(Vec<PathBuf>, Vec<PathBuf>)> {
    let (mut files, mut folders) = (Vec::new(), vec![PathBuf::new()]);
    let mut read = 0;
    while let Some(inner) = folders.get(read).cloned() {
        read += 1;
        for entry in fs::read_dir(folder.join(&inner))? {
            let entry = entry?;
            let path = inner.join(entry.file_name());
            if entry.file_type()?.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    Ok((files, folders))
}

pub(super) fn sync_file(path: &Path) -> io::Result<()> {
    fs::OpenOptions::new().write(true).open(path)?.sync_all()
}

/// Lets the names in a folder reach the disk. Not every file system can do this, and none must.
pub(super) fn sync_folder(folder: &Path) {
    if cfg!(unix) {
        let _ = fs::File::open(folder).and_then(|f| f.sync_all());
    }
}
