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

/// Runs everything; the last lines are the runners' own and a list of what was skipped.
pub fn run(project: &Project) -> Result {
    let mut skipped = Vec::new();
    let mut want = |result: Result, what: &str| {
        if let Err(e) = result {
            eprintln!("{e}");
            skipped.push(format!("{what}: {}", e.lines().next().unwrap_or_default()));
        }
    };
    let recordings = project.recordings()?;
    let mut features = Vec::new();
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
    runners.push(documentation(project, &selection));
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
    if skipped.is_empty() {
        println!("nothing was skipped");
    } else {
        println!("skipped:");
        skipped.iter().for_each(|line| println!("  {line}"));
    }
    if report.passed { Ok(()) } else { Err("some tests failed; see above".into()) }
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
