//! A ZIP archive whose bytes depend on nothing but its files: sorted entries, one time for all, two kinds of permissions.

use crate::Result;
use std::{
    fs,
    io::{Cursor, Write},
    path::Path,
};
use zip::{CompressionMethod, DateTime, ZipWriter, write::SimpleFileOptions};

/// A file of the archive.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Path within the archive's folder, with forward slashes.
    path: String,
    bytes: Vec<u8>,
    executable: bool,
}

impl Entry {
    /// A text that is made here.
    pub fn text(path: &str, text: String) -> Self {
        Self { path: path.to_owned(), bytes: text.into_bytes(), executable: false }
    }
}

/// What is packed.
pub struct Archive {
    /// The folder that holds everything.
    pub folder: String,
    /// Time of every entry, seconds since 1970, UTC.
    pub seconds: u64,
    pub entries: Vec<Entry>,
}

impl Archive {
    /// The archive's bytes.
    ///
    /// # Errors
    /// A sentence about what cannot be packed.
    pub fn bytes(mut self) -> Result<Vec<u8>> {
        self.entries.sort_by(|a, b| a.path.cmp(&b.path));
        let (year, month, day, second) = calendar(self.seconds);
        let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
        let time = DateTime::from_date_and_time(year, month, day, hour as u8, minute as u8, second as u8);
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Deflated)
            .compression_level(Some(9))
            .last_modified_time(time.unwrap_or_default());
        let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
        for entry in &self.entries {
            let options = options.unix_permissions(if entry.executable { 0o755 } else { 0o644 });
            let path = format!("{}/{}", self.folder, entry.path);
            let packed = writer.start_file(path, options).map_err(|e| e.to_string());
            packed
                .and_then(|()| writer.write_all(&entry.bytes).map_err(|e| e.to_string()))
                .map_err(|e| format!("{} cannot be packed: {e}", entry.path))?;
        }
        let finished = writer.finish().map_err(|e| format!("the archive cannot be finished: {e}"))?;
        Ok(finished.into_inner())
    }
}

/// A file, or all files of a folder, as entries at and below `path`.
///
/// # Errors
/// A sentence about a file that cannot be read, or is a link: archives hold none.
pub fn files(from: &Path, path: &str) -> Result<Vec<Entry>> {
    let unread = |e: std::io::Error| format!("cannot read {}: {e}", from.display());
    let facts = fs::symlink_metadata(from).map_err(unread)?;
    if facts.is_symlink() {
        return Err(format!("{} is a link, which an archive for every system cannot hold", from.display()));
    }
    if !facts.is_dir() {
        let bytes = fs::read(from).map_err(unread)?;
        return Ok(vec![Entry { path: path.to_owned(), bytes, executable: executable(&facts) }]);
    }
    let mut entries = Vec::new();
    for file in fs::read_dir(from).map_err(unread)? {
        let file = file.map_err(unread)?;
        let name = file.file_name().to_string_lossy().into_owned();
        entries.extend(files(&file.path(), &format!("{path}/{name}"))?);
    }
    Ok(entries)
}

#[cfg(unix)]
fn executable(facts: &fs::Metadata) -> bool {
    use std::os::unix::fs::PermissionsExt;
    facts.permissions().mode() & 0o100 != 0
}

#[cfg(not(unix))]
fn executable(_: &fs::Metadata) -> bool {
    false
}

/// Year, month, day and second of the day: H. Hinnant, "chrono-compatible low-level date algorithms" (2013),
/// civil_from_days. ZIP archives begin in 1980.
fn calendar(seconds: u64) -> (u16, u8, u8, u64) {
    const FIRST: u64 = 315_532_800; // 1 January 1980
    let seconds = seconds.max(FIRST);
    let days = seconds / 86_400 + 719_468;
    let (era, of_era) = (days / 146_097, days % 146_097);
    let year = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let shifted = (5 * of_year + 2) / 153;
    let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
    let day = of_year - (153 * shifted + 2) / 5 + 1;
    let year = year + era * 400 + u64::from(month <= 2);
    (year as u16, month as u8, day as u8, seconds % 86_400)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;

    #[test]
    fn days_of_the_calendar_are_right() {
        assert_eq!(calendar(0), (1980, 1, 1, 0));
        assert_eq!(calendar(951_782_400), (2000, 2, 29, 0));
        assert_eq!(calendar(1_798_761_599), (2026, 12, 31, 86_399));
        assert_eq!(calendar(1_798_761_600), (2027, 1, 1, 0));
    }

    /// Files written in this order, and the archive of them.
    fn packed(order: &[&str]) -> Vec<u8> {
        let dir = tempfile::tempdir().unwrap();
        for name in order {
            let path = dir.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(&path, name.repeat(100)).unwrap();
        }
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // whatever the umask makes of the rest
            fs::set_permissions(dir.path().join("b/run"), fs::Permissions::from_mode(0o740)).unwrap();
            fs::set_permissions(dir.path().join("a"), fs::Permissions::from_mode(0o600)).unwrap();
        }
        let mut entries = files(dir.path(), "x").unwrap();
        if order[0] == "a" {
            entries.reverse();
        }
        Archive { folder: "Kit".into(), seconds: 1_700_000_000, entries }.bytes().unwrap()
    }

    #[test]
    fn the_same_files_give_the_same_bytes_in_order() {
        let bytes = packed(&["a", "b/run", "b/c/d", "e"]);
        assert!(bytes == packed(&["e", "b/c/d", "b/run", "a"]));
        let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).unwrap();
        let names: Vec<String> = archive.file_names().map(|name| name.unwrap().into_owned()).collect();
        assert_eq!(names, ["Kit/x/a", "Kit/x/b/c/d", "Kit/x/b/run", "Kit/x/e"]);
        for name in names {
            let mut file = archive.by_name(&name).unwrap();
            let time = file.last_modified().unwrap();
            assert_eq!((time.year(), time.month(), time.day(), time.hour()), (2023, 11, 14, 22));
            let mode = if cfg!(unix) && name.ends_with("run") { 0o755 } else { 0o644 };
            assert_eq!(file.unix_mode().unwrap() & 0o777, mode, "{name}");
            let mut text = String::new();
            file.read_to_string(&mut text).unwrap();
            assert_eq!(text, name.trim_start_matches("Kit/x/").repeat(100));
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink("nowhere", dir.path().join("link")).unwrap();
        assert!(files(dir.path(), "x").unwrap_err().contains("link"));
    }
}
