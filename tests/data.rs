//! Recordings for tests, which are not part of the project.
//!
//! The feature `test-recordings` compiles the tests that need them; the variable `KITWRIGHT_TEST_DATA` names their
//! folder. With the feature on, a test without its recordings fails. `cargo xtask test` sets both where the folder is.

use std::path::PathBuf;

/// A file or folder of the recordings, named relative to their folder.
///
/// # Panics
/// When it is not there, with what to do.
pub fn recordings(name: &str) -> PathBuf {
    let folder = std::env::var_os("KITWRIGHT_TEST_DATA")
        .expect("set KITWRIGHT_TEST_DATA to the folder of the recordings, or test without test-recordings");
    let path = PathBuf::from(folder).join(name);
    assert!(path.exists(), "{} is not there; KITWRIGHT_TEST_DATA needs the full path", path.display());
    path
}
