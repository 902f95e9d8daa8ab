//! Test programs, run side by side.

use std::{
    collections::VecDeque,
    io::{self, Read, Write},
    path::{Path, PathBuf},
    process::{Command, ExitStatus, Stdio},
    sync::Mutex,
    time::Instant,
};

/// Programs that run at a time. Each uses every core for its own tests, but waits for single long ones at its end.
const AT_A_TIME: usize = 2;

/// A program that cargo built from tests.
#[derive(Debug, Clone, PartialEq)]
pub struct Runner {
    /// How it is named in reports: its source file, below the project's folder where it lies there.
    pub name: String,
    /// The program, and the words it gets.
    pub program: PathBuf,
    pub arguments: Vec<String>,
    /// Folder of its package, which is the current one while it runs, as under `cargo test`.
    pub folder: PathBuf,
}

impl Runner {
    /// The test programs among cargo's messages (`--message-format=json`) about the project at `root`.
    pub fn built(messages: &str, root: &Path) -> Vec<Self> {
        let messages = messages.lines().filter_map(|l| serde_json::from_str::<serde_json::Value>(l).ok());
        let tests = messages.filter(|m| m["reason"] == "compiler-artifact" && m["profile"]["test"] == true);
        tests.filter_map(|m| Self::of(&m, root)).collect()
    }

    fn of(message: &serde_json::Value, root: &Path) -> Option<Self> {
        let program = message["executable"].as_str()?.into();
        // the paths of the library's tests lead out of its folder again
        let mut source = PathBuf::new();
        for part in Path::new(message["target"]["src_path"].as_str()?) {
            if part == ".." {
                source.pop();
            } else {
                source.push(part);
            }
        }
        let name = source.strip_prefix(root).unwrap_or(&source).display().to_string();
        let folder = Path::new(message["manifest_path"].as_str()?).parent()?.to_owned();
        Some(Self { name, program, arguments: vec!["--show-output".into()], folder })
    }

    /// Runs it to its end; all it printed, and how it ended.
    fn run(&self, variables: &[(&str, PathBuf)]) -> io::Result<(String, ExitStatus)> {
        let (mut reader, writer) = io::pipe()?;
        let mut command = Command::new(&self.program);
        command.args(&self.arguments).current_dir(&self.folder).env("CARGO_MANIFEST_DIR", &self.folder);
        command.envs(variables.iter().map(|(name, value)| (name, value)));
        command.stdin(Stdio::null()).stdout(writer.try_clone()?).stderr(writer);
        let mut child = command.spawn()?;
        drop(command); // it holds the writing end of the pipe
        let mut printed = Vec::new();
        reader.read_to_end(&mut printed)?;
        Ok((String::from_utf8_lossy(&printed).into_owned(), child.wait()?))
    }
}

/// What the test programs said.
#[derive(Default)]
pub struct Report {
    /// Closing lines, each with the program's name.
    pub results: Vec<String>,
    /// What was skipped, each with the program's name.
    pub skipped: Vec<String>,
    /// Whether every program ended without a failure.
    pub passed: bool,
}

/// Runs the programs with these variables set. Prints what each one printed when it ends, without the output of tests
/// that passed.
pub fn run(runners: Vec<Runner>, variables: &[(&str, PathBuf)]) -> Report {
    let waiting = Mutex::new(VecDeque::from(runners));
    let report = Mutex::new(Report { passed: true, ..Report::default() });
    let work = || {
        while let Some(runner) = next(&waiting) {
            let begun = Instant::now();
            eprintln!("running {}", runner.name);
            let said = match runner.run(variables) {
                Ok((printed, status)) => Said::of(&runner.name, &printed, status),
                Err(e) => Said::failure(&runner.name, &format!("could not be run: {e}")),
            };
            let mut report = report.lock().expect("no test program's thread panics");
            // a closed standard output is no reason to stop
            let _ =
                write!(io::stdout(), "\n{} ({} s)\n{}", runner.name, begun.elapsed().as_secs(), said.shown);
            report.results.extend(said.results);
            report.skipped.extend(said.skipped);
            report.passed &= said.passed;
        }
    };
    std::thread::scope(|threads| (0..AT_A_TIME).for_each(|_| drop(threads.spawn(work))));
    report.into_inner().expect("no test program's thread panics")
}

fn next(waiting: &Mutex<VecDeque<Runner>>) -> Option<Runner> {
    waiting.lock().expect("no test program's thread panics").pop_front()
}

/// What one test program said.
#[derive(Default)]
struct Said {
    shown: String,
    results: Vec<String>,
    skipped: Vec<String>,
    passed: bool,
}

impl Said {
    fn failure(name: &str, what: &str) -> Self {
        Self { results: vec![format!("{name}: {what}")], ..Self::default() }
    }

    /// Sorts the lines that a program printed.
    fn of(name: &str, printed: &str, status: ExitStatus) -> Self {
        let mut said = Self { passed: status.success(), ..Self::default() };
        let mut of_passed_tests = false;
        for line in printed.lines() {
            let text = line.trim();
            if text == "successes:" {
                of_passed_tests = true;
            }
            if text == "failures:" || text.starts_with("test result:") {
                of_passed_tests = false;
            }
            if let Some(result) = text.strip_prefix("test result: ") {
                said.results.push(format!("{name}: {result}"));
            }
            if let Some((_, what)) = text.split_once("skipped:") {
                said.skipped.push(format!("{name}: {}", what.trim()));
            }
            if !of_passed_tests {
                said.shown += line;
                said.shown += "\n";
            }
        }
        // 101 means failed tests; anything else is a crash, which may come after the last test
        if !status.success() && status.code() != Some(101) {
            said.results.push(format!("{name}: crashed, {status}"));
        }
        said
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ended(code: &str) -> ExitStatus {
        let shell = if cfg!(windows) { ("cmd", "/C") } else { ("sh", "-c") };
        Command::new(shell.0).args([shell.1, code]).status().unwrap()
    }

    #[test]
    fn closing_lines_and_skips_are_kept_and_output_of_passed_tests_is_not_shown() {
        let printed = "\
running 2 tests
test a ... ok
test b ... FAILED
successes:
---- a stdout ----
skipped: ffmpeg is not there
printed by a
successes:
    a
failures:
---- b stdout ----
it broke
test result: FAILED. 1 passed; 1 failed";
        let said = Said::of("tests/take.rs", printed, ended("exit 101"));
        assert!(!said.passed);
        assert_eq!(said.results, ["tests/take.rs: FAILED. 1 passed; 1 failed"]);
        assert_eq!(said.skipped, ["tests/take.rs: ffmpeg is not there"]);
        assert!(said.shown.contains("it broke") && !said.shown.contains("printed by a"));
    }

    #[test]
    fn a_crash_after_the_last_test_is_a_failure() {
        let said = Said::of("tests/cli/main.rs", "test result: ok. 1 passed\n", ended("exit 3"));
        assert!(!said.passed);
        assert_eq!(said.results.len(), 2);
        assert!(said.results[1].contains("crashed"), "{:?}", said.results);
    }

    #[test]
    fn test_programs_are_distinguished_from_other_artifacts() {
        let messages = r#"
{"reason":"compiler-artifact","manifest_path":"/p/src/core/Cargo.toml","target":{"src_path":"/p/src/core/../../tests/core/main.rs"},"profile":{"test":true},"executable":"/p/target/debug/deps/core-1"}
{"reason":"compiler-artifact","manifest_path":"/p/src/core/Cargo.toml","target":{"src_path":"/p/src/core/lib.rs"},"profile":{"test":true},"executable":"/p/target/debug/deps/kitwright_core-1"}
{"reason":"compiler-artifact","manifest_path":"/p/Cargo.toml","target":{"src_path":"/p/src/bin/kitwright.rs"},"profile":{"test":false},"executable":"/p/target/debug/kitwright"}
{"reason":"compiler-artifact","manifest_path":"/p/Cargo.toml","target":{"src_path":"/p/src/lib.rs"},"profile":{"test":false},"executable":null}
{"reason":"build-finished","success":true}"#;
        let runners = Runner::built(messages, Path::new("/p"));
        let names: Vec<&str> = runners.iter().map(|r| r.name.as_str()).collect();
        assert_eq!(names, ["tests/core/main.rs", "src/core/lib.rs"]);
        assert_eq!(runners[0].folder, Path::new("/p/src/core"));
    }

    #[cfg(unix)]
    #[test]
    fn programs_run_side_by_side_and_every_one_is_reported() {
        let folder = tempfile::tempdir().unwrap();
        let runner = |name: &str, program: &str| Runner {
            name: name.into(),
            program: program.into(),
            arguments: Vec::new(),
            folder: folder.path().to_owned(),
        };
        let report =
            run(vec![runner("good", "true"), runner("bad", "false"), runner("none", "/no/such")], &[]);
        assert!(!report.passed);
        assert_eq!(report.results.len(), 2, "{:?}", report.results);
        assert!(run(vec![runner("good", "true")], &[]).passed);
    }
}
