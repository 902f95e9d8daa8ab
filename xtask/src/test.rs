//! `cargo xtask test`: everything that the tests need, then every test.

use crate::{
    Result,
    project::{self, Project, cargo},
    system, venv,
};
use std::{
    io::{BufRead, BufReader, Write},
    path::Path,
    process::Command,
};

/// Hosts that drive the VST3 bundle, with their versions.
const HOSTS: [&str; 3] = ["numpy", "pedalboard==0.9.26", "dawdreamer==0.9.0"];

/// Runs everything; the last lines are the runners' own and a list of what was skipped.
pub fn run(project: &Project) -> Result {
    let mut skipped = Vec::new();
    let mut want = |result: Result, what: &str| {
        if let Err(e) = result {
            eprintln!("{e}");
            skipped.push(format!("{what}: {}", e.lines().next().unwrap_or_default()));
        }
    };
    want(system::ensure(&[&system::FFMPEG]), "comparison with other decoders");
    want(system::ensure(&[&system::VALGRIND]), "the count of instructions");
    if cfg!(target_os = "linux") {
        want(system::ensure(&[&system::XVFB]), "the plugin's window in a host's window");
    }
    let recordings = project.recordings()?;
    let mut features = vec!["kitwright/guard-audio-thread"];
    if recordings.is_some() {
        features.push("kitwright-core/test-recordings");
    } else {
        want(Err("no recordings; KITWRIGHT_TEST_DATA names their folder".into()), "tests on recorded takes");
        let packaged = system::ensure(&[&system::SOUNDS]);
        if packaged.is_ok() {
            features.push("kitwright-core/test-packaged-sounds");
        }
        want(packaged, "the test on packaged sounds");
    }
    let python = venv::python(project, "venv", &HOSTS);
    want(python.as_ref().map(|_| ()).map_err(String::clone), "the VST3 bundle in real hosts");

    // the guard aborts a test when the audio thread allocates; everything is built in one go, so that
    // bundles and tests share their libraries
    let features = features.join(",");
    let selection = ["--workspace", "--features", &features];
    let mut build = cargo();
    build.arg("build").args(selection).args(["--lib", "--bins", "--tests"]);
    project::run(&mut build, "building the tests")?;
    project.bundle_built(&[])?;
    let mut tests = cargo();
    tests.arg("test").args(selection).args(["--no-fail-fast", "--", "--show-output"]);
    if let Ok(python) = &python {
        tests.env("KITWRIGHT_PYTHON", python);
    }
    if let Some(folder) = recordings {
        tests.env("KITWRIGHT_TEST_DATA", folder);
    }
    let report = watch(tests)?;

    println!("\nresults, as each runner closed:");
    report.results.iter().for_each(|line| println!("  {line}"));
    skipped.extend(report.skipped);
    if skipped.is_empty() {
        println!("nothing was skipped");
    } else {
        println!("skipped:");
        skipped.iter().for_each(|line| println!("  {line}"));
    }
    if report.passed { Ok(()) } else { Err("some tests failed; see above".into()) }
}

/// What the test runners said.
struct Report {
    passed: bool,
    results: Vec<String>,
    skipped: Vec<String>,
}

/// Runs the tests, passing on what they print except the chatter of tests that passed.
fn watch(mut tests: Command) -> Result<Report> {
    let fail = |e: std::io::Error| format!("the tests could not be run: {e}");
    let (reader, writer) = std::io::pipe().map_err(fail)?;
    tests.stdout(writer.try_clone().map_err(fail)?).stderr(writer);
    let mut child = tests.spawn().map_err(fail)?;
    drop(tests); // it holds the writing end of the pipe

    let mut listener = Listener::default();
    for line in BufReader::new(reader).lines() {
        let line = line.unwrap_or_else(|e| format!("(unreadable line: {e})"));
        if listener.hear(&line) {
            let _ = writeln!(std::io::stdout(), "{line}");
        }
    }
    let passed = child.wait().map_err(fail)?.success();
    Ok(Report { passed, results: listener.results, skipped: listener.skipped })
}

/// Sorts the lines of the test runners.
#[derive(Default)]
struct Listener {
    runner: String,
    chatter: bool,
    results: Vec<String>,
    skipped: Vec<String>,
}

impl Listener {
    /// Takes a line; whether it is worth showing.
    fn hear(&mut self, line: &str) -> bool {
        let text = line.trim();
        if let Some(runner) = text.strip_prefix("Running ").or_else(|| text.strip_prefix("Doc-tests ")) {
            self.runner = short_name(runner);
        }
        if text == "successes:" {
            self.chatter = true;
        }
        if text == "failures:" || text.starts_with("test result:") {
            self.chatter = false;
        }
        if let Some(result) = text.strip_prefix("test result: ") {
            self.results.push(format!("{}: {result}", self.runner));
        }
        // after its last test a runner can still crash
        if text.starts_with("process didn't exit successfully") && text.contains("(signal: ") {
            let how = text.rsplit(" (").next().unwrap_or(text).trim_end_matches(')');
            self.results.push(format!("{}: crashed, {how}", self.runner));
        }
        if let Some(at) = text.find("skipped:") {
            self.skipped.push(format!("{}: {}", self.runner, text[at + "skipped:".len()..].trim()));
        }
        !self.chatter
    }
}

/// "tests/cli.rs (target/debug/deps/cli-0123)" is "tests/cli.rs".
fn short_name(runner: &str) -> String {
    let name = runner.split(" (").next().unwrap_or(runner);
    let name = name.strip_prefix("unittests ").unwrap_or(name);
    Path::new(name).display().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closing_lines_and_skips_are_kept_and_chatter_is_not_shown() {
        let output = "\
     Running tests/take.rs (target/debug/deps/take-01)
running 2 tests
test a ... ok
test b ... FAILED
successes:
---- a stdout ----
skipped: ffmpeg is not there
some chatter
successes:
    a
failures:
---- b stdout ----
it broke
test result: FAILED. 1 passed; 1 failed
     Running tests/cli.rs (target/debug/deps/cli-02)
test result: ok. 1 passed
error: test failed, to rerun pass `--test cli`
Caused by:
  process didn't exit successfully: `target/debug/deps/cli-02 --show-output` (signal: 11, SIGSEGV: invalid memory reference)";
        let mut listener = Listener::default();
        let shown: Vec<&str> = output.lines().filter(|line| listener.hear(line)).collect();
        let closed = [
            "tests/take.rs: FAILED. 1 passed; 1 failed",
            "tests/cli.rs: ok. 1 passed",
            "tests/cli.rs: crashed, signal: 11, SIGSEGV: invalid memory reference",
        ];
        assert_eq!(listener.results, closed);
        assert_eq!(listener.skipped, ["tests/take.rs: ffmpeg is not there"]);
        assert!(shown.contains(&"it broke") && !shown.contains(&"some chatter"));
    }
}
