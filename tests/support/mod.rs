//! What the tests of the built plugin share: a small CLAP host and a kit to play.
#![allow(dead_code)]

pub mod calls;
pub mod host;
pub mod host_callbacks;
mod host_events;
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

/// How often to try: `few` times in the ordinary tests, as often as `KITWRIGHT_TRIALS` says in `cargo xtask soak`.
pub fn trials(few: usize) -> usize {
    std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(few)
}

/// Whether this is a soak: one test alone in its process.
pub fn is_soak() -> bool {
    std::env::var_os("KITWRIGHT_TRIALS").is_some()
}
