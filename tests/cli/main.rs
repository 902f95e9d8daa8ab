//! The command line end to end, as a user or another program calls it.

mod exports;
mod hits;
#[cfg(unix)]
mod interrupted;
#[cfg(unix)]
mod kills;
mod kits;
mod library;
mod outputs;
mod refusals;
mod renders;

use serde_json::Value;
use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
    sync::OnceLock,
};
use tempfile::TempDir;

const ROLES: [&str; 14] = [
    "kick",
    "snare",
    "rim",
    "clap",
    "closed hat",
    "pedal hat",
    "open hat",
    "crash",
    "ride",
    "shaker",
    "low tom",
    "middle tom",
    "high tom",
    "percussion",
];

fn kitwright() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_kitwright"));
    command.stdin(Stdio::null());
    command
}

fn run<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> Output {
    kitwright().args(arguments).output().unwrap()
}

/// Standard output of a call that must succeed without output on standard error: no progress in a pipe.
fn succeed<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> String {
    let output = run(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    assert_eq!(errors, "", "nothing on standard error");
    String::from_utf8(output.stdout).unwrap()
}

/// The sentence of a call that must be refused with exit code 2.
fn refuse<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> String {
    let output = run(arguments);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert_eq!(output.stdout, b"", "nothing on standard output");
    assert_eq!(errors.lines().count(), 1, "one sentence: {errors}");
    errors
}

/// The demo take and a kit made from it without a search, written once for all tests.
struct Made {
    dir: TempDir,
    /// Standard output of `kitwright kit --json --quick --key`.
    json: String,
}

impl Made {
    fn get() -> &'static Self {
        static MADE: OnceLock<Made> = OnceLock::new();
        MADE.get_or_init(|| {
            let dir = tempfile::tempdir().unwrap();
            let take = dir.path().join("take.wav");
            succeed(&[Path::new("demo-take"), &take]);
            let out = dir.path().join("kit");
            let files = ["kit", take.to_str().unwrap(), "--out", out.to_str().unwrap()];
            let options = ["--name", "Cello", "--json", "--quick", "--key", "A minor"];
            let json = succeed(&[&files[..], &options].concat());
            Self { dir, json }
        })
    }

    fn take(&self) -> PathBuf {
        self.dir.path().join("take.wav")
    }

    fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join("kit").join(name)
    }

    fn summary(&self) -> Value {
        serde_json::from_str(&self.json).unwrap()
    }
}

/// The first seconds of the demo take (more than 16 hits), where a short take is enough.
fn short_take(folder: &Path) -> PathBuf {
    let mut reader = hound::WavReader::open(Made::get().take()).unwrap();
    let path = folder.join("short.wav");
    let mut writer = hound::WavWriter::create(&path, reader.spec()).unwrap();
    for sample in reader.samples::<i32>().take(48_000 * 14) {
        writer.write_sample(sample.unwrap()).unwrap();
    }
    writer.finalize().unwrap();
    path
}

fn names_in(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect()
}

/// A number of a JSON text, which is always finite; not null.
fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

#[test]
fn without_arguments_it_prints_a_short_help_with_an_example_per_task() {
    let text = succeed::<&str>(&[]);
    assert!(text.lines().count() <= 17, "{text}");
    for task in [
        "kitwright kit ",
        "kitwright hits ",
        "kitwright render ",
        "kitwright export ",
        "kitwright shift ",
        "kitwright library ",
        "kitwright window ",
    ] {
        assert!(text.contains(task), "{task}");
    }
    assert!(succeed(&["--help"]).contains("Usage"));
    assert!(succeed(&["kit", "--help"]).contains("--roles"));
    assert!(succeed(&["--version"]).contains(env!("CARGO_PKG_VERSION")));
}
