//! Where the user's files of this program are.

use std::path::PathBuf;

/// Folder of the kit library: `kits` within [`data_folder`]. It is there once the library was opened.
pub fn kits_folder() -> Option<PathBuf> {
    data_folder().map(|folder| folder.join("kits"))
}

/// Folder of what this program keeps for the user; `None` where the system names none.
pub fn data_folder() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|p| p.is_absolute());
    let data = if cfg!(target_os = "windows") {
        set("APPDATA")
    } else if cfg!(target_os = "macos") {
        set("HOME").map(|home| home.join("Library/Application Support"))
    } else {
        set("XDG_DATA_HOME").or_else(|| set("HOME").map(|home| home.join(".local/share")))
    };
    data.map(|data| data.join("kitwright"))
}
