//! What the tests of the built plugin share: a small CLAP host and a kit to play.
#![allow(dead_code)]

pub mod host;
pub mod host_callbacks;
pub mod kit;

use std::path::PathBuf;

/// The library that holds the plugin, built by cargo beside this test's own executable.
pub fn library() -> PathBuf {
    let own = std::env::current_exe().expect("a path of this test");
    let name = format!("{}kitwright{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let library = own.parent().expect("a folder").join(name);
    assert!(library.is_file(), "{} is missing", library.display());
    library
}

/// Highest magnitude.
pub fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |a, b| a.max(b.abs()))
}
