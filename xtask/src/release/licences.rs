//! The licences of all crates that are part of the plugin and the command line, as one text.

use crate::Result;
use serde_json::Value;
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

/// Starts of the names of licence files, in capitals.
const NAMES: [&str; 8] = ["LICENSE", "LICENCE", "COPYING", "COPYRIGHT", "NOTICE", "UNLICENSE", "OFL", "UFL"];
/// Folders within a crate that are looked through for them.
const DEPTH: usize = 2;
/// Terms that a crate may name without holding their text; others are taken from crates that hold it.
const MIT: &str = include_str!("mit.txt");
const ISC: &str = include_str!("isc.txt");

/// A crate with its licence.
struct Crate {
    name: String,
    version: String,
    /// SPDX expression.
    licence: String,
    authors: Vec<String>,
    repository: String,
    /// Texts in its package, with their file names.
    texts: Vec<(String, String)>,
}

/// The text for all crates that `facts` (cargo metadata) counts among the dependencies of the plugin.
///
/// # Errors
/// A sentence that names a crate whose terms have no text.
pub fn notices(facts: &Value) -> Result<String> {
    let crates = crates(facts)?;
    let known = known_terms(&crates);
    // each text once, numbered in the order in which it comes
    let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
    let mut texts: Vec<String> = Vec::new();
    let mut list = String::new();
    for package in &crates {
        let own = package.texts.iter().map(|(_, text)| text.clone()).collect::<Vec<_>>();
        let own = if own.is_empty() { standard(package, &known)? } else { own };
        let mut places: BTreeSet<usize> = BTreeSet::new();
        for text in own {
            let number = *numbers.entry(text.clone()).or_insert_with(|| {
                texts.push(text);
                texts.len()
            });
            places.insert(number);
        }
        let places: Vec<String> = places.iter().map(usize::to_string).collect();
        let authors = if package.authors.is_empty() {
            String::new()
        } else {
            format!("\n    by {}", package.authors.join(", "))
        };
        let repository = if package.repository.is_empty() {
            String::new()
        } else {
            format!("\n    {}", package.repository)
        };
        list += &format!(
            "{} {}: {}; text {}{authors}{repository}\n",
            package.name,
            package.version,
            package.licence,
            places.join(", ")
        );
    }
    let mut all = format!(
        "Kitwright is made of these {} crates and holds their code. Each line names a crate, its version, its licence\n\
         and the numbers of its texts below.\n\n{list}",
        crates.len()
    );
    for (number, text) in texts.iter().enumerate() {
        all += &format!("\n{}\nText {}\n\n{}\n", "-".repeat(80), number + 1, text.trim_matches('\n'));
    }
    Ok(all)
}

/// The crates that the package kitwright is linked of, by name and version, without those of the project.
fn crates(facts: &Value) -> Result<Vec<Crate>> {
    let wrong = || "cargo metadata has another form than expected".to_owned();
    let packages = facts["packages"].as_array().ok_or_else(wrong)?;
    let nodes = facts["resolve"]["nodes"].as_array().ok_or_else(wrong)?;
    let node = |id: &str| nodes.iter().find(|node| node["id"] == id);
    let own = packages.iter().find(|p| p["name"] == "kitwright").and_then(|p| p["id"].as_str());
    let mut waiting = vec![own.ok_or_else(wrong)?.to_owned()];
    let mut found: BTreeSet<String> = BTreeSet::new();
    while let Some(id) = waiting.pop() {
        if !found.insert(id.clone()) {
            continue;
        }
        for dependency in node(&id).and_then(|n| n["deps"].as_array()).into_iter().flatten() {
            let kinds = dependency["dep_kinds"].as_array().into_iter().flatten();
            if kinds.clone().any(|kind| kind["kind"].is_null()) {
                waiting.extend(dependency["pkg"].as_str().map(str::to_owned));
            }
        }
    }
    let linked = packages.iter().filter(|p| p["id"].as_str().is_some_and(|id| found.contains(id)));
    let mut crates = linked.filter(|p| !p["source"].is_null()).map(read_crate).collect::<Result<Vec<_>>>()?;
    crates.sort_by(|a, b| (&a.name, &a.version).cmp(&(&b.name, &b.version)));
    Ok(crates)
}

fn read_crate(package: &Value) -> Result<Crate> {
    let text = |key: &str| package[key].as_str().unwrap_or_default().to_owned();
    let authors = package["authors"].as_array().into_iter().flatten();
    let folder = PathBuf::from(text("manifest_path"));
    let folder = folder.parent().ok_or("cargo metadata names no folder of a crate")?.to_owned();
    let mut files = Vec::new();
    licence_files(&folder, DEPTH, &mut files);
    files.sort();
    let texts = files.into_iter().filter_map(|file| {
        let text = fs::read_to_string(&file).ok()?.replace("\r\n", "\n");
        Some((file.file_name()?.to_string_lossy().to_uppercase(), text))
    });
    Ok(Crate {
        name: text("name"),
        version: text("version"),
        licence: text("license"),
        authors: authors.filter_map(Value::as_str).map(str::to_owned).collect(),
        repository: text("repository"),
        texts: texts.collect(),
    })
}

fn licence_files(folder: &Path, depth: usize, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().to_uppercase();
        if path.is_dir() && depth > 0 && name != "TARGET" {
            licence_files(&path, depth - 1, found);
        } else if path.is_file()
            && NAMES.iter().any(|start| name.starts_with(start))
            && !name.ends_with(".RS")
        {
            found.push(path);
        }
    }
}

/// Texts by SPDX identifier, for crates whose package lacks them.
fn known_terms(crates: &[Crate]) -> BTreeMap<&'static str, String> {
    let from_file = |name: &str| {
        let files = crates.iter().flat_map(|c| &c.texts);
        files.filter(|(file, _)| file.starts_with(name)).map(|(_, text)| text.clone()).next()
    };
    let mut known = BTreeMap::from([("MIT", MIT.to_owned()), ("ISC", ISC.to_owned())]);
    for (terms, name) in [
        ("Apache-2.0", "LICENSE-APACHE"),
        ("Unlicense", "UNLICENSE"),
        ("Zlib", "LICENSE-ZLIB"),
        ("BSL-1.0", "LICENSE-BOOST"),
    ] {
        known.extend(from_file(name).map(|text| (terms, text)));
    }
    known
}

/// The text of the first of the terms of a crate that is known; what is joined by AND needs all its texts.
fn standard(package: &Crate, known: &BTreeMap<&'static str, String>) -> Result<Vec<String>> {
    let choices = |part: &str| -> Vec<String> {
        let plain = part.replace(['(', ')'], "").replace('/', " OR ");
        plain.split(" OR ").map(|terms| terms.trim().to_owned()).collect()
    };
    let parts = package.licence.split(" AND ");
    let text = |part: &str| {
        let by_choice = choices(part).into_iter().find_map(|terms| known.get(terms.as_str()).cloned());
        by_choice.ok_or_else(|| {
            format!("{} {} ({}) holds no licence text", package.name, package.version, package.licence)
        })
    };
    parts.map(text).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{project::Project, release::metadata};

    fn package(licence: &str) -> Crate {
        Crate {
            name: "some".into(),
            version: "1.0.0".into(),
            licence: licence.into(),
            authors: Vec::new(),
            repository: String::new(),
            texts: Vec::new(),
        }
    }

    #[test]
    fn a_crate_without_a_text_gets_the_standard_one_or_is_refused() {
        let known = BTreeMap::from([("MIT", "mit".to_owned()), ("Zlib", "zlib".to_owned())]);
        let of = |licence: &str| standard(&package(licence), &known);
        assert_eq!(of("Apache-2.0/MIT").unwrap(), ["mit"]);
        assert_eq!(of("(Zlib OR Apache-2.0) AND MIT").unwrap(), ["zlib", "mit"]);
        assert!(of("OFL-1.1").unwrap_err().contains("some 1.0.0"));
    }

    #[test]
    fn every_crate_of_the_plugin_has_its_text() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned();
        let facts = metadata(&Project { root, target: PathBuf::new() }).unwrap();
        let text = notices(&facts).unwrap();
        for name in ["nice-plug 0.4", "egui 0.", "symphonia 0.", "epaint_default_fonts 0."] {
            assert!(text.contains(&format!("\n{name}")), "{name}");
        }
        // fonts come with their own terms
        assert!(text.contains("SIL OPEN FONT LICENSE") && text.contains("UBUNTU FONT LICENCE"));
        // what only tests and tasks use is not shipped
        assert!(!text.contains("\ncriterion ") && !text.contains("\nnice-plug-xtask "));
        assert_eq!(text, notices(&facts).unwrap());
        assert!(!text.contains(env!("CARGO_MANIFEST_DIR")));
    }
}
