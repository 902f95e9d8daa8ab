//! Reads files in a process of its own with little memory: an allocation that fails ends only that process.

use kitwright_core::{
    kit::Kit,
    progress::Quiet,
    take::{DEFAULT_MEMORY, MEMORY_VARIABLE, Take},
};
use std::{path::Path, process::Command, sync::Once};

/// Variable that names the file for that process.
const FILE: &str = "KITWRIGHT_TEST_FILE";

/// Reads a recording or a kit within an address space of `megabytes` (on Linux): "read" or "refused: " with the sentence.
pub fn read_within(path: &Path, megabytes: u64) -> String {
    read_with_limit(path, megabytes, DEFAULT_MEMORY / 1_000_000)
}

/// As [`read_within`], with `allowed` megabytes as the limit for recordings.
pub fn read_with_limit(path: &Path, megabytes: u64, allowed: u64) -> String {
    let own = std::env::current_exe().unwrap();
    let mut command = if cfg!(target_os = "linux") {
        let mut shell = Command::new("sh");
        shell.args(["-c", "ulimit -v $0 && exec \"$@\"", &(megabytes << 10).to_string()]).arg(own);
        shell
    } else {
        // Only the sentences are tested there.
        static SAID: Once = Once::new();
        SAID.call_once(|| println!("skipped: the memory limit of a process, which this system cannot set"));
        Command::new(own)
    };
    let out = command
        .args(["--ignored", "--exact", "--nocapture", "own_process::reads_a_file_in_a_process_of_its_own"])
        .env(FILE, path)
        .env(MEMORY_VARIABLE, allowed.to_string())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{}: {text}{}", path.display(), String::from_utf8_lossy(&out.stderr));
    assert!(text.contains("read ") || text.contains("refused: "), "{text}");
    text
}

/// Runs an ignored test of this program in a process of its own, where recordings may take `allowed` megabytes; `path` is
/// handed to it. Returns what it printed.
pub fn run_alone(test: &str, path: &Path, allowed: u64) -> String {
    let out = Command::new(std::env::current_exe().unwrap())
        .args(["--ignored", "--exact", "--nocapture", test])
        .env(FILE, path)
        .env(MEMORY_VARIABLE, allowed.to_string())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{test}: {text}{}", String::from_utf8_lossy(&out.stderr));
    text
}

/// What [`run_alone`] has handed over; `None` where the test runs among the others.
pub fn handed_over() -> Option<std::path::PathBuf> {
    std::env::var_os(FILE).map(Into::into)
}

#[test]
#[ignore = "other tests run it in a process of its own"]
fn reads_a_file_in_a_process_of_its_own() {
    let Some(path) = std::env::var_os(FILE) else { return };
    let path = Path::new(&path);
    let result = match path.extension().is_some_and(|e| e == "kitwright") {
        true => Kit::load(path, &Quiet).map(|kit| format!("{} pads", kit.doc.pads.len())),
        false => Take::read(path, &Quiet).map(|take| format!("{} frames", take.frames())),
    };
    match result {
        Ok(what) => println!("read {what}"),
        Err(e) => println!("refused: {e}"),
    }
}
