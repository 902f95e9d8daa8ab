//! What killed processes have left behind: names that tell whose it is, removal, and folders moved in to their end.

use super::disk::{files_below, parent_of, sync_folder};
use std::{
    fs, io,
    path::{Component, Path, PathBuf},
    sync::OnceLock,
    time::{Duration, SystemTime},
};

/// Start of the names of everything unfinished; the number of the process and [`machine`] follow.
pub(super) const UNFINISHED: &str = ".kitwright-unfinished-";
/// The same of folders that are complete and whose files are being moved in.
const MOVING: &str = ".kitwright-moving-";
/// End of the names of unfinished kits that earlier versions left behind.
pub(super) const FORMER_SUFFIX: &str = ".kitwright-part";
/// What may belong to a process on another machine is left alone for this long.
const LEFTOVER_AGE: Duration = Duration::from_secs(24 * 60 * 60);
/// In a folder that is being moved in: the files that go once it is, one path a line.
const OUTDATED: &str = ".outdated";

/// Start of the names of what this process has not finished.
pub(super) fn prefix() -> String {
    format!("{UNFINISHED}{}-{}-", std::process::id(), machine())
}

/// Tells the running system and its list of processes from others that may use the same disk, as 8 digits; zeros where
/// the system does not tell.
pub(super) fn machine() -> &'static str {
    static MACHINE: OnceLock<String> = OnceLock::new();
    MACHINE.get_or_init(|| {
        let boot = fs::read("/proc/sys/kernel/random/boot_id").unwrap_or_default();
        // containers on one system have lists of their own
        let processes = fs::read_link("/proc/self/ns/pid").unwrap_or_default();
        if boot.is_empty() || processes.as_os_str().is_empty() {
            return "00000000".into();
        }
        // FNV-1a, 32 bits (G. Fowler, L. C. Noll, K.-P. Vo, 1991)
        let bytes = boot.iter().chain(processes.as_os_str().as_encoded_bytes());
        let hash = bytes.fold(0x811c_9dc5_u32, |h, b| (h ^ u32::from(*b)).wrapping_mul(0x0100_0193));
        format!("{:08x}", hash.max(1))
    })
}

/// Whether a program of that number runs on this machine, none has 0; `None` where the system has no folder of processes
/// (Windows, macOS) and it is not this one.
pub(crate) fn is_running(process: u32) -> Option<bool> {
    let processes = Path::new("/proc");
    if process == std::process::id() {
        Some(true)
    } else if process == 0 {
        Some(false)
    } else if processes.join("self").exists() {
        Some(processes.join(process.to_string()).exists())
    } else {
        None
    }
}

/// A complete hidden folder whose files are being moved into the folder around it. Should the process be killed, the
/// next one that writes there goes on with it. Dropping it removes it with what is still inside.
pub(super) struct Moving(pub PathBuf);

impl Moving {
    /// Declares `hidden` complete; `outdated` are the files that go at the end.
    ///
    /// # Errors
    /// When that cannot be written; `hidden` is removed then.
    pub fn begin(hidden: PathBuf, outdated: &[PathBuf]) -> io::Result<Self> {
        let hidden = Self(hidden);
        let list: Vec<_> = outdated.iter().map(|file| file.to_string_lossy()).collect();
        let mut file = fs::File::create(hidden.0.join(OUTDATED))?;
        io::Write::write_all(&mut file, list.join("\n").as_bytes())?;
        file.sync_all()?;
        sync_folder(&hidden.0);
        let name = hidden.0.file_name().unwrap_or_default().to_string_lossy().replace(UNFINISHED, MOVING);
        let moving = hidden.0.with_file_name(name);
        fs::rename(&hidden.0, &moving)?;
        sync_folder(parent_of(&moving));
        std::mem::forget(hidden);
        Ok(Self(moving))
    }
}

impl Drop for Moving {
    fn drop(&mut self) {
        // what cannot be removed is tried again the next time
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Removes what processes that are gone have left unfinished in a folder, and goes on with what they were moving in.
pub(super) fn remove_leftovers(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let now = SystemTime::now();
    for entry in entries.flatten() {
        let (name, path) = (entry.file_name(), entry.path());
        let Some(name) = name.to_str().filter(|name| is_unfinished(name)) else { continue };
        if !is_abandoned(name, &path, now) {
            continue;
        }
        let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
        if is_folder && name.starts_with(MOVING) {
            move_in(&path, folder);
        }
        // what cannot be removed is tried again the next time
        let _ = if is_folder { fs::remove_dir_all(path) } else { fs::remove_file(path) };
    }
}

fn is_unfinished(name: &str) -> bool {
    name.starts_with(UNFINISHED)
        || name.starts_with(MOVING)
        || (name.starts_with('.') && name.ends_with(FORMER_SUFFIX))
}

/// Whether its process is gone: for certain when it ran here; elsewhere its age tells.
fn is_abandoned(name: &str, path: &Path, now: SystemTime) -> bool {
    let (process, place) = owner(name);
    if process.and_then(is_running) == Some(true) {
        return false;
    }
    let ran_here = process.is_some() && machine() != "00000000" && place == Some(machine());
    ran_here || age(path, now).is_some_and(|age| age > LEFTOVER_AGE)
}

/// Number and machine of the process in an unfinished file's name; earlier versions left them out.
fn owner(name: &str) -> (Option<u32>, Option<&str>) {
    let rest = name.strip_prefix(UNFINISHED).or_else(|| name.strip_prefix(MOVING)).unwrap_or_default();
    let mut parts = rest.split('-');
    (parts.next().and_then(|process| process.parse().ok()), parts.next())
}

/// Time since a file, or the latest in a folder, was written.
fn age(path: &Path, now: SystemTime) -> Option<Duration> {
    let written = |path: &Path| fs::symlink_metadata(path).and_then(|m| m.modified()).ok();
    let mut latest = written(path)?;
    for file in files_below(path).unwrap_or_default() {
        latest = latest.max(written(&path.join(file))?);
    }
    now.duration_since(latest).ok()
}

/// Moves the files of `hidden` into `folder`. Others may have made `hidden`: no link is followed, and nothing outside of
/// the folder is touched.
fn move_in(hidden: &Path, folder: &Path) {
    let is_file = |path: &Path| fs::symlink_metadata(path).is_ok_and(|m| m.is_file());
    for file in files_below(hidden).unwrap_or_default() {
        let (from, to) = (hidden.join(&file), folder.join(&file));
        let free = is_file(&to) || fs::symlink_metadata(&to).is_err();
        if file != Path::new(OUTDATED) && is_file(&from) && free && is_plain_place(folder, &file) {
            let _ = fs::create_dir_all(parent_of(&to)).and_then(|()| fs::rename(from, &to));
            sync_folder(parent_of(&to));
        }
    }
    let list =
        if is_file(&hidden.join(OUTDATED)) { fs::read_to_string(hidden.join(OUTDATED)) } else { return };
    for old in list.unwrap_or_default().lines().map(Path::new) {
        if is_plain_place(folder, old) && is_file(&folder.join(old)) {
            let _ = fs::remove_file(folder.join(old));
        }
    }
}

/// Whether a relative path stays within `folder` and no folder on its way is a link.
fn is_plain_place(folder: &Path, file: &Path) -> bool {
    let within = file.components().all(|part| matches!(part, Component::Normal(_)));
    let is_link = |part: &Path| folder.join(part).is_symlink();
    within && !file.ancestors().skip(1).any(|part| !part.as_os_str().is_empty() && is_link(part))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Above the largest number of a process on Linux (2^22).
    const DEAD: u32 = 9_999_999;

    #[cfg(target_os = "linux")]
    #[test]
    fn what_a_dead_process_of_this_machine_left_is_removed_at_once() {
        let dir = tempfile::tempdir().unwrap();
        let here = format!("{UNFINISHED}{DEAD}-{}-a", machine());
        let elsewhere = format!("{UNFINISHED}{DEAD}-12345678-a");
        let own = format!("{}a", prefix());
        for name in [&here, &elsewhere, &own] {
            fs::write(dir.path().join(name), "x").unwrap();
        }
        remove_leftovers(dir.path());
        assert!(!dir.path().join(here).exists());
        assert!(dir.path().join(elsewhere).exists() && dir.path().join(own).exists());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_folder_that_was_being_moved_in_is_moved_in_to_its_end() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        let hidden = format!("{UNFINISHED}{DEAD}-{}-a", machine());
        fs::create_dir_all(at(&hidden).join("pads")).unwrap();
        fs::create_dir(at("pads")).unwrap();
        for name in ["groove.wav", "pads/36-kick.wav", "pads/40-rim.wav", "other.txt"] {
            fs::write(at(name), "old").unwrap();
        }
        for name in ["groove.wav", "pads/36-kick.wav"] {
            fs::write(at(&hidden).join(name), "new").unwrap();
        }
        let moving = Moving::begin(at(&hidden), &["pads/40-rim.wav".into()]).unwrap();
        std::mem::forget(moving); // killed
        fs::rename(at(&hidden.replace(UNFINISHED, MOVING)).join("groove.wav"), at("groove.wav")).unwrap();
        remove_leftovers(dir.path());
        let mut left = files_below(dir.path()).unwrap();
        left.sort();
        assert_eq!(left, ["groove.wav", "other.txt", "pads/36-kick.wav"].map(PathBuf::from));
        assert_eq!(fs::read_to_string(at("pads/36-kick.wav")).unwrap(), "new");
        assert_eq!(fs::read_to_string(at("other.txt")).unwrap(), "old");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_strangers_unfinished_folder_reaches_nothing_outside() {
        use std::os::unix::fs::symlink;
        let dir = tempfile::tempdir().unwrap();
        let (mine, theirs) = (dir.path().join("mine"), dir.path().join("theirs"));
        let hidden = theirs.join(format!("{MOVING}{DEAD}-{}-a", machine()));
        for folder in [&mine, &hidden.join("pads"), &hidden.join("sub")] {
            fs::create_dir_all(folder).unwrap();
        }
        fs::write(mine.join("a"), "mine").unwrap();
        symlink(mine.join("a"), theirs.join("groove.wav")).unwrap();
        symlink(&mine, theirs.join("pads")).unwrap();
        for file in ["groove.wav", "pads/a"] {
            fs::write(hidden.join(file), "theirs").unwrap();
        }
        symlink(mine.join("a"), hidden.join("sub/link")).unwrap();
        fs::write(hidden.join(OUTDATED), "../mine/a\npads/a\n/etc/none\n").unwrap();
        remove_leftovers(&theirs);
        assert_eq!(fs::read_to_string(mine.join("a")).unwrap(), "mine");
        assert_eq!(files_below(&mine).unwrap(), [Path::new("a")]);
        assert!(!hidden.exists() && !theirs.join("sub").exists());
    }
}
