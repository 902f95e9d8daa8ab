//! `cargo xtask test`: everything that the tests need, then every test.

mod runners;

use crate::{
    Result,
    project::{Project, cargo},
    system, venv,
};
use runners::Runner;
use std::{process::Stdio, thread};

/// Hosts that drive the VST3 bundle, with their versions.
const HOSTS: [&str; 3] = ["numpy", "pedalboard==0.9.26", "dawdreamer==0.9.0"];

/// Variable that makes it an error to skip anything but the tests on recordings, for machines that have everything else.
const NO_SKIPS: &str = "KITWRIGHT_NO_SKIPS";

/// Runs everything; the last lines are the runners' own and a list of what was skipped.
pub fn run(project: &Project) -> Result {
    let recordings = project.recordings()?;
    let (mut features, mut without_recordings) = (Vec::new(), Vec::new());
    if recordings.is_some() {
        features.push("kitwright-core/test-recordings");
    } else {
        let absent = Err("no recordings; KITWRIGHT_TEST_DATA names their folder".into());
        note(&mut without_recordings, absent, "tests on recorded takes");
        let packaged = system::ensure(&[&system::SOUNDS]);
        if packaged.is_ok() {
            features.push("kitwright-core/test-packaged-sounds");
        }
        note(&mut without_recordings, packaged, "the test on packaged sounds");
    }
    let mut skipped = Vec::new();
    let mut want = |result: Result, what: &str| note(&mut skipped, result, what);

    // everything is built in one go, so that bundles and tests share their libraries
    let selection = ["--workspace".into(), "--features".into(), features.join(",")];
    let (built, python) = thread::scope(|threads| {
        // no build waits for what only tests use
        let building = threads.spawn(|| build(project, &selection));
        want(system::ensure(&[&system::FFMPEG]), "comparison with other decoders");
        want(system::ensure(&[&system::VALGRIND]), "the count of instructions");
        if cfg!(target_os = "linux") {
            want(system::ensure(&[&system::XVFB]), "the plugin's window in a host's window");
        }
        let python = venv::python(project, "venv", &HOSTS);
        want(python.as_ref().map(|_| ()).map_err(String::clone), "the VST3 bundle in real hosts");
        (building.join().expect("a build ends with an error, not with a panic"), python)
    });
    let mut runners = built?;
    // it compiles on one core: not at the end, when the other one would wait
    runners.insert(0, documentation(project, &selection));
    project.bundle_built(&[])?;
    let mut variables = Vec::new();
    if let Ok(python) = python {
        variables.push(("KITWRIGHT_PYTHON", python));
    }
    if let Some(folder) = recordings {
        variables.push(("KITWRIGHT_TEST_DATA", folder));
    }
    let report = runners::run(runners, &variables);

    println!("\nresults, as each runner closed:");
    report.results.iter().for_each(|line| println!("  {line}"));
    skipped.extend(report.skipped);
    if without_recordings.is_empty() && skipped.is_empty() {
        println!("nothing was skipped");
    } else {
        println!("skipped:");
        without_recordings.iter().chain(&skipped).for_each(|line| println!("  {line}"));
    }
    let may_skip = std::env::var_os(NO_SKIPS).is_none_or(|value| value.is_empty());
    verdict(report.passed, skipped.len(), may_skip)
}

/// Adds to `skipped` what cannot be run, with the first line of the reason.
fn note(skipped: &mut Vec<String>, result: Result, what: &str) {
    if let Err(e) = result {
        eprintln!("{e}");
        skipped.push(format!("{what}: {}", e.lines().next().unwrap_or_default()));
    }
}

/// The end of the task. `skipped` counts what was skipped for another reason than missing recordings.
fn verdict(passed: bool, skipped: usize, may_skip: bool) -> Result {
    if !passed {
        Err("some tests failed; see above".into())
    } else if skipped > 0 && !may_skip {
        Err(format!(
            "something was skipped for another reason than missing recordings ({skipped} of the lines above); install \
             it or unset {NO_SKIPS}"
        ))
    } else {
        Ok(())
    }
}

/// Builds libraries, programs and tests of a selection of packages and features; the test programs.
fn build(project: &Project, selection: &[String]) -> Result<Vec<Runner>> {
    let mut build = cargo();
    build.arg("build").args(selection).args(["--lib", "--bins", "--tests"]);
    build.arg("--message-format=json-render-diagnostics").stdout(Stdio::piped());
    let output = build.spawn().and_then(std::process::Child::wait_with_output);
    let output = output.map_err(|e| format!("cargo cannot be run: {e}"))?;
    if !output.status.success() {
        return Err(format!("building the tests failed ({}); see above", output.status));
    }
    Ok(Runner::built(&String::from_utf8_lossy(&output.stdout), &project.root))
}

/// The examples in the documentation.
fn documentation(project: &Project, selection: &[String]) -> Runner {
    let words = [&["test".into(), "--quiet".into(), "--doc".into()], selection].concat();
    Runner {
        name: "documentation".into(),
        program: cargo().get_program().into(),
        arguments: words,
        folder: project.root.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn skips_are_an_error_only_where_none_are_allowed() {
        assert_eq!(verdict(true, 0, false), Ok(()));
        assert_eq!(verdict(true, 3, true), Ok(()));
        let said = verdict(true, 3, false).unwrap_err();
        assert!(said.contains(NO_SKIPS) && said.contains('3'), "{said}");
    }

    #[test]
    fn failed_tests_are_an_error_whatever_was_skipped() {
        for may_skip in [false, true] {
            assert!(verdict(false, 3, may_skip).unwrap_err().contains("failed"));
        }
    }
}
