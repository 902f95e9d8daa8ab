//! `kitwright library`: a folder of kits.

use super::{
    arguments::{self, LibraryCommand},
    terminal::{Terminal, one_line, printable, say, tell},
};
use kitwright_core::{
    demo::Instrument,
    error::Result,
    kit::Kit,
    library::{Entry, Library, make_starter},
    progress::{Part, Progress},
};
use serde::Serialize;
use std::path::Path;

/// A kit in the JSON of `kitwright library list --json`.
#[derive(Serialize)]
struct Row<'a> {
    name: &'a str,
    file: &'a Path,
    tags: &'a [String],
    roles: Vec<String>,
    takes: &'a [String],
    bytes: u64,
}

pub(super) fn run(a: &arguments::Library, terminal: &Terminal) -> Result<()> {
    let library = match &a.folder {
        Some(folder) => Library::open(folder)?,
        None => Library::of_user()?,
    };
    let file = |name: &str| library.find(name).map(|entry| entry.file);
    match &a.what {
        LibraryCommand::List { words, json } => return list(&library, &words.join(" "), *json),
        LibraryCommand::Add { kit } => {
            // all of them are read before the first one is written
            let kits = kit.iter().map(|file| Kit::load(file, terminal)).collect::<Result<Vec<_>>>()?;
            for kit in &kits {
                told(terminal, "added", &library.add(kit, terminal)?);
            }
        }
        LibraryCommand::Rename { kit, name } => {
            told(terminal, "renamed", &library.rename(&file(kit)?, name, terminal)?)
        }
        LibraryCommand::Duplicate { kit } => {
            told(terminal, "copied", &library.duplicate(&file(kit)?, terminal)?);
        }
        LibraryCommand::Tag { kit, tags } => {
            let file = file(kit)?;
            library.set_tags(&file, tags, terminal)?;
            told(terminal, "tagged", &file);
        }
        LibraryCommand::Trash { kit } => told(terminal, "in the trash", &library.throw_away(&file(kit)?)?),
        LibraryCommand::Restore { kit } => told(terminal, "taken back", &library.take_back(kit)?),
        LibraryCommand::Starters { instrument, quick } => starters(&library, instrument, *quick, terminal)?,
    }
    Ok(())
}

/// Tells at once what was done: it stays done when the rest is cancelled.
fn told(terminal: &Terminal, what: &str, file: &Path) {
    terminal.beside(|| say(&format!("{what}: {}", printable(file))));
}

fn list(library: &Library, search: &str, json: bool) -> Result<()> {
    let (entries, errors) = library.entries()?;
    errors.iter().for_each(|error| tell(&format!("left out: {}", one_line(&error.to_string()))));
    let found: Vec<&Entry> = entries.iter().filter(|entry| entry.matches(search)).collect();
    if json {
        let rows: Vec<Row<'_>> = found.iter().map(|entry| row(entry)).collect();
        say(&serde_json::to_string_pretty(&rows).expect("the list can be written as JSON"));
        return Ok(());
    }
    for entry in &found {
        let tags =
            if entry.tags.is_empty() { String::new() } else { format!("  [{}]", entry.tags.join(", ")) };
        let size = entry.bytes as f64 / 1e6;
        say(&format!("{}  {} roles, {size:.1} MB{tags}", printable(&entry.name), entry.roles.len()));
    }
    let count = found.len();
    say(&format!("{count} {} in {}", if count == 1 { "kit" } else { "kits" }, printable(library.folder())));
    Ok(())
}

fn row(entry: &Entry) -> Row<'_> {
    Row {
        name: &entry.name,
        file: &entry.file,
        tags: &entry.tags,
        roles: entry.roles.iter().map(ToString::to_string).collect(),
        takes: &entry.takes,
        bytes: entry.bytes,
    }
}

fn starters(library: &Library, named: &[Instrument], quick: bool, terminal: &Terminal) -> Result<()> {
    let wanted = if named.is_empty() { &Instrument::ALL[..] } else { named };
    for (i, &instrument) in wanted.iter().enumerate() {
        let kit = make_starter(instrument, quick, &Part::nth(terminal, i, wanted.len()))?;
        terminal.check()?;
        told(terminal, "made", &library.add(&kit, terminal)?);
    }
    Ok(())
}
