//! `cargo xtask soak`: the tests of reliability (tests/RELIABILITY.md), each as often as wanted.

use crate::{
    Result,
    project::{Project, cargo},
};
use std::{
    io::{self, BufRead, BufReader, Write},
    process::{Command, ExitStatus, Stdio},
};

/// A test of reliability.
struct Soak {
    name: &'static str,
    /// Test program, or "lib" for the unit tests, and a part of its tests' names.
    program: &'static str,
    filter: &'static str,
    /// How often it is tried unless the user says otherwise.
    trials: u64,
    /// One test at a time: it measures the memory of the process.
    alone: bool,
}

const SOAKS: [Soak; 10] = [
    Soak {
        name: "ceiling",
        program: "engine",
        filter: "true_peak::no_random_kit",
        trials: 2000,
        alone: false,
    },
    Soak { name: "kills", program: "cli", filter: "kills::", trials: 40, alone: false },
    Soak { name: "untrusted", program: "untrusted", filter: "any_", trials: 100_000, alone: false },
    Soak { name: "hosts", program: "plugin", filter: "hostile::", trials: 1000, alone: false },
    Soak { name: "instances", program: "plugin", filter: "instances::", trials: 1000, alone: true },
    Soak { name: "vst3", program: "lib", filter: "life_tests::", trials: 1000, alone: true },
    Soak { name: "jobs", program: "lib", filter: "destroyed_while", trials: 25, alone: false },
    Soak { name: "windows", program: "window_host", filter: "again_and_again", trials: 200, alone: true },
    Soak {
        name: "windows",
        program: "lib",
        filter: "windows_leave_nothing_behind",
        trials: 200,
        alone: true,
    },
    Soak { name: "long", program: "engine", filter: "long::", trials: 600, alone: true },
];

/// Runs those of this name, or all; `trials` is how often, or minutes of music for "long".
///
/// # Errors
/// A sentence when there is none of this name, when one of them fails, or when no test is left that it names.
pub fn run(project: &Project, name: Option<&str>, trials: Option<u64>) -> Result {
    let chosen: Vec<_> = SOAKS.iter().filter(|soak| name.is_none_or(|name| name == soak.name)).collect();
    if chosen.is_empty() {
        let mut names: Vec<_> = SOAKS.iter().map(|soak| soak.name).collect();
        names.dedup();
        return Err(format!("there is nothing of that name; there are {}", names.join(", ")));
    }
    let recordings = project.recordings()?;
    for soak in chosen {
        let count = trials.unwrap_or(soak.trials);
        println!("{}, {count} times", soak.name);
        let mut test = cargo();
        test.arg("test");
        // the same choice of features as in `cargo xtask test`, so that nothing is built twice
        if let Some(folder) = &recordings {
            test.args(["--features", "kitwright-core/test-recordings"]).env("KITWRIGHT_TEST_DATA", folder);
        }
        match soak.program {
            "lib" => test.arg("--lib"),
            program => test.args(["--test", program]),
        };
        test.args([soak.filter, "--", "--nocapture"]);
        if soak.alone {
            test.arg("--test-threads=1");
            // with an allocator's arena for each thread (glibc) what it keeps of freed memory would pass for a leak
            test.env("MALLOC_ARENA_MAX", "1");
        }
        test.env("KITWRIGHT_TRIALS", count.to_string());
        let (status, passed) = run_counted(&mut test).map_err(|e| format!("cargo cannot be run: {e}"))?;
        if !status.success() {
            return Err(format!("{} failed; see above", soak.name));
        }
        if passed == 0 {
            return Err(format!(
                "{} tried nothing: no test of \"{}\" on this system has \"{}\" in its name; correct xtask/src/soak.rs",
                soak.name, soak.program, soak.filter
            ));
        }
    }
    Ok(())
}

/// Runs cargo's tests and hands on what they print line by line; how they ended, and how many tests passed.
fn run_counted(test: &mut Command) -> io::Result<(ExitStatus, u64)> {
    let mut child = test.stdout(Stdio::piped()).spawn()?;
    let mut passed = 0;
    for line in child.stdout.take().into_iter().flat_map(|printed| BufReader::new(printed).split(b'\n')) {
        let line = String::from_utf8_lossy(&line?).into_owned();
        // a closed standard output is no reason to stop
        let _ = writeln!(io::stdout(), "{line}");
        passed += tests_passed(&line);
    }
    Ok((child.wait()?, passed))
}

/// The tests that passed, by the closing line of a test program; 0 for every other line.
fn tests_passed(line: &str) -> u64 {
    let counts = line.split_once("test result: ok. ").map_or("", |(_, counts)| counts);
    counts.split_once(" passed").and_then(|(passed, _)| passed.parse().ok()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_tests_that_passed_are_counted() {
        let closing = "test result: ok. 3 passed; 0 failed; 1 ignored; 0 measured; 113 filtered out";
        assert_eq!(tests_passed(closing), 3);
        assert_eq!(
            tests_passed("test result: ok. 0 passed; 0 failed; 0 ignored; 0 measured; 9 filtered out"),
            0
        );
        assert_eq!(tests_passed("test result: FAILED. 1 passed; 1 failed"), 0);
        assert_eq!(tests_passed("running 3 tests"), 0);
    }
}
