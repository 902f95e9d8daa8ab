//! `cargo xtask score WHAT`: measures of a part of the project, as one table beside a reference implementation.
//!
//! Each score has its own file in `score/` and one line in [`run`]. A score measures with a program of the
//! project (`examples/` or the command line) and hands its output to a Python script in `tests/reference/`, which
//! compares it with the truth and with the reference and prints a table as JSON, which [`Table`] prints. Nothing is
//! written outside the target folder.

mod casting;
mod export;
mod hits;
mod pitch;
mod sound;

use crate::{
    Result,
    project::{self, Project, cargo},
};
use std::{
    fmt,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

/// The scores there are, for help and errors.
pub const SCORES: &str = "hits, pitch, roles, fit, kit, time, sound, export";

/// Measures `what` and prints its table; "kit", "time", "sound" and "export" can be given a take.
///
/// # Errors
/// A sentence when there is no such score, or what it needs cannot be had.
pub fn run(project: &Project, what: &str, take: Option<&Path>) -> Result {
    match what {
        "hits" => hits::run(project),
        "pitch" => pitch::run(project),
        "roles" => casting::roles(project),
        "fit" => casting::fit(project),
        "kit" => casting::kit(project, take),
        "time" => casting::time(project, take),
        "sound" => sound::run(project, take),
        "export" => export::run(project, take),
        _ => Err(format!("there is no such score \"{what}\"; there are: {SCORES}")),
    }
}

/// Builds an example program in the debug profile, which the tests share, and returns its path.
pub fn example(project: &Project, name: &str) -> Result<PathBuf> {
    eprintln!("building the example \"{name}\"");
    project::run(cargo().args(["build", "--quiet", "--example", name]), "building what measures")?;
    let program = format!("{name}{}", std::env::consts::EXE_SUFFIX);
    Ok(project.target.join("debug/examples").join(program))
}

/// Builds an example program in the release profile, for what measures speed as well, and returns its path;
/// the first time takes minutes.
fn release_example(project: &Project, name: &str) -> Result<PathBuf> {
    eprintln!("building the example \"{name}\" in the release profile");
    project::run(
        cargo().args(["build", "--quiet", "--release", "--example", name]),
        "building what measures",
    )?;
    let program = format!("{name}{}", std::env::consts::EXE_SUFFIX);
    Ok(project.target.join("release/examples").join(program))
}

/// A folder for what a score makes on its way, below the target folder.
fn work_folder(project: &Project, name: &str) -> Result<PathBuf> {
    let folder = project.target.join("score").join(name);
    std::fs::create_dir_all(&folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    Ok(folder)
}

/// Runs a script of `tests/reference`; what it prints on standard output is the table.
fn script(project: &Project, python: &Path, name: &str, prepare: impl FnOnce(&mut Command)) -> Result<Table> {
    let mut command = Command::new(python);
    command.arg(project.root.join("tests/reference").join(name)).stderr(Stdio::inherit());
    prepare(&mut command);
    let output = command.output().map_err(|e| format!("{name} could not be started: {e}"))?;
    if !output.status.success() {
        return Err(format!("{name} failed ({}); see above", output.status));
    }
    Table::parse(&output.stdout).map_err(|e| format!("{name} printed no table: {e}"))
}

/// One table: a title, a line of headings, rows of as many cells, and notes below.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// Subject of the measurement.
    pub title: String,
    /// Headings of the columns.
    pub columns: Vec<String>,
    /// Cells; the first column is aligned to the left, the others to the right.
    pub rows: Vec<Vec<String>>,
    /// How to read it: one line each.
    pub notes: Vec<String>,
}

impl Table {
    /// Reads `{"title": "", "columns": [""], "rows": [[""]], "notes": [""]}`.
    fn parse(json: &[u8]) -> std::result::Result<Self, String> {
        let value: serde_json::Value = serde_json::from_slice(json).map_err(|e| e.to_string())?;
        let text = |v: &serde_json::Value| v.as_str().map_or_else(|| v.to_string(), str::to_owned);
        let list =
            |v: &serde_json::Value| -> Option<Vec<String>> { Some(v.as_array()?.iter().map(text).collect()) };
        let columns = list(&value["columns"]).ok_or("it has no columns")?;
        let rows: Option<Vec<_>> =
            value["rows"].as_array().ok_or("it has no rows")?.iter().map(list).collect();
        let rows =
            rows.filter(|r| r.iter().all(|r| r.len() == columns.len())).ok_or("its rows are uneven")?;
        let notes = list(&value["notes"]).unwrap_or_default();
        Ok(Self { title: text(&value["title"]), columns, rows, notes })
    }

    fn print(&self) {
        print!("{self}");
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let lines = || std::iter::once(&self.columns).chain(&self.rows);
        let widths: Vec<usize> = (0..self.columns.len())
            .map(|c| lines().map(|line| line[c].chars().count()).max().unwrap_or(0))
            .collect();
        writeln!(f, "{}\n", self.title)?;
        for line in lines() {
            let cells = line.iter().zip(&widths).enumerate().map(|(c, (cell, &width))| {
                if c == 0 { format!("{cell:<width$}") } else { format!("{cell:>width$}") }
            });
            writeln!(f, "{}", cells.collect::<Vec<_>>().join("  ").trim_end())?;
        }
        if !self.notes.is_empty() {
            writeln!(f)?;
        }
        self.notes.iter().try_for_each(|note| writeln!(f, "{note}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_aligned_and_an_uneven_one_is_refused() {
        let json =
            br#"{"title": "T", "columns": ["what", "F"], "rows": [["a long name", "0.9"], ["b", 12.25]]}"#;
        let table = Table::parse(json).unwrap();
        assert_eq!(table.to_string(), "T\n\nwhat             F\na long name    0.9\nb            12.25\n");
        assert!(Table::parse(br#"{"columns": ["a"], "rows": [["1", "2"]]}"#).is_err());
        assert!(Table::parse(b"no table").is_err());
    }

    #[test]
    fn an_unknown_score_is_refused_with_the_list_of_those_there_are() {
        let nowhere = Project { root: PathBuf::new(), target: PathBuf::new() };
        let said = run(&nowhere, "beauty", None).unwrap_err();
        assert!(said.contains("beauty") && said.contains("hits"), "{said}");
    }
}
