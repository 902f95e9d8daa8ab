//! The layers in DEVELOPERS.md match the imports, and no two files of a module use each other in a circle.
//!
//! Paths are read from the source text: use declarations, and paths in code that begin with `crate`, `super`,
//! `self`, `kitwright_core` or the name of a module in scope. An item that is re-exported counts for the file that
//! defines it; to re-export it is no use of it. An inline module belongs to its file.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
    path::{Path, PathBuf},
};

/// A path of names, from the root of the sources: `["listen", "describe"]`.
type Names = Vec<String>;

#[test]
fn modules_use_only_modules_above_them_in_the_list() {
    let (sources, layers) = (Sources::read(&root()), layers());
    let place = |name: &str| layers.iter().position(|l| l == name);
    let there: BTreeSet<&str> = sources.modules.keys().filter_map(|m| Some(m.first()?.as_str())).collect();
    let mut wrong = String::new();
    for name in &there {
        if place(name).is_none() {
            writeln!(wrong, "the module {name} is not in the list of layers in DEVELOPERS.md").unwrap();
        }
    }
    for name in layers.iter().filter(|l| !there.contains(l.as_str())) {
        writeln!(wrong, "the list of layers in DEVELOPERS.md names {name}, which is no module").unwrap();
    }
    for (from, to) in sources.edges() {
        let (Some(user), Some(used)) = (from.first(), to.first()) else { continue };
        if place(user) < place(used) {
            writeln!(wrong, "{} uses {}, which is below it in the list", from.join("::"), to.join("::"))
                .unwrap();
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn files_of_a_module_do_not_use_each_other_in_a_circle() {
    let found = circles(&Sources::read(&root()).edges());
    assert!(found.is_empty(), "files that use each other in a circle: {found:#?}");
}

#[test]
fn imports_paths_and_reexports_are_followed_to_the_defining_file() {
    let sources = Sources::of(&[
        ("lib", "pub mod low; pub mod high;"),
        (
            "low/mod",
            "mod part; mod other; pub use part::{Part as Piece, help}; pub struct Base; fn f() { other::g() }",
        ),
        (
            "low/part",
            "use super::Base; // use crate::high::Top;\nconst T: &str = \"crate::high::Top\"; pub struct Part;",
        ),
        ("low/other", "#[cfg(test)]\nmod tests { use crate::high::Top; }\nuse super::part::*;"),
        ("high", "use crate::{low::{self, Base}, low as under}; fn f(p: low::Piece) { under::help() }"),
    ]);
    let found: Vec<String> =
        sources.edges().iter().map(|(a, b)| format!("{} > {}", a.join("::"), b.join("::"))).collect();
    assert_eq!(
        found,
        ["high > low", "high > low::part", "low > low::other", "low::other > low::part", "low::part > low"]
    );
    assert_eq!(circles(&sources.edges()), ["low -> low::other -> low::part -> low"]);
}

#[test]
fn super_in_an_inline_module_is_the_file_itself() {
    let sources = Sources::of(&[
        ("low/mod", "mod part; pub struct Base;"),
        (
            "low/part",
            "struct Own; mod inner { use super::Own; fn f(c: char) { super::g(c == '}'); self::h() } \
             mod deep { use super::super::Own; } } fn after() { super::help() }",
        ),
        ("low/wide", "mod inner { use super::super::Base; }"),
    ]);
    let found: Vec<String> =
        sources.edges().iter().map(|(a, b)| format!("{} > {}", a.join("::"), b.join("::"))).collect();
    assert_eq!(found, ["low::part > low", "low::wide > low"]);
    let without = Sources::of(&[("low/mod", "mod part;"), ("low/part", "mod x86 { use super::Own; }")]);
    assert!(without.edges().is_empty());
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Names of the modules in the block of DEVELOPERS.md headed "layers", lowest first.
fn layers() -> Vec<String> {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let (_, block) = text.split_once("```layers\n").expect("DEVELOPERS.md has a block \"layers\"");
    let (block, _) = block.split_once("```").expect("the block ends");
    block.lines().filter_map(|l| Some(l.split_whitespace().next()?.to_owned())).collect()
}

/// The modules of both crates by their names, as if they were one crate.
struct Sources {
    modules: BTreeMap<Names, Module>,
}

/// What one file says, without tests.
#[derive(Default)]
struct Module {
    /// Names in scope through use declarations, and the paths they stand for.
    imports: BTreeMap<String, Names>,
    /// Names that are only handed on: re-exported, and not used in the file itself.
    handed_on: BTreeSet<String>,
    /// Modules whose names are all imported.
    globs: Vec<Names>,
    /// Paths in the code.
    paths: Vec<Names>,
}

impl Sources {
    fn read(root: &Path) -> Self {
        let mut files = Vec::new();
        collect(&root.join("src/core"), &root.join("src/core"), &mut files);
        let (src, core) = (root.join("src"), root.join("src/core"));
        for entry in std::fs::read_dir(&src).unwrap().map(|e| e.unwrap().path()) {
            // the program in src/bin may use everything
            if entry.is_dir() && entry != core && !entry.ends_with("bin") {
                collect(&src, &entry, &mut files);
            } else if entry.extension().is_some_and(|e| e == "rs") {
                files.push((name_in(&src, &entry), std::fs::read_to_string(&entry).unwrap()));
            }
        }
        let files: Vec<_> = files.iter().map(|(n, t)| (n.as_str(), t.as_str())).collect();
        Self::of(&files)
    }

    /// Reads files given by name ("listen/mod") and text.
    fn of(files: &[(&str, &str)]) -> Self {
        let mut modules = BTreeMap::new();
        for (name, text) in files.iter().filter(|(name, _)| !name.ends_with("tests")) {
            let names: Names =
                name.split('/').map(str::to_owned).filter(|n| n != "mod" && n != "lib").collect();
            modules.insert(names.clone(), Module::read(&names, &tokens(text)));
        }
        Self { modules }
    }

    /// Which file uses an item of which other, each pair once, in order.
    fn edges(&self) -> BTreeSet<(Names, Names)> {
        let mut edges = BTreeSet::new();
        for (name, module) in &self.modules {
            let mut add = |used: Option<Names>| {
                if let Some(used) = used.filter(|u| u != name) {
                    edges.insert((name.clone(), used));
                }
            };
            let used = module.imports.iter().filter(|(alias, _)| !module.handed_on.contains(*alias));
            used.for_each(|(_, p)| add(self.defining(p, 8)));
            module.globs.iter().for_each(|p| add(self.modules.contains_key(p).then(|| p.clone())));
            module.paths.iter().for_each(|p| add(self.path_in(name, p).and_then(|p| self.defining(&p, 8))));
        }
        edges
    }

    /// A path in the code of a module, from the root; `None` when it begins with no module in scope.
    fn path_in(&self, module: &Names, path: &Names) -> Option<Names> {
        if let Some(full) = absolute(module, path) {
            return Some(full);
        }
        let first = self.modules[module].imports.get(&path[0]).cloned();
        let child = || {
            let child = [&module[..], &path[..1]].concat();
            self.modules.contains_key(&child).then_some(child)
        };
        let start = first.or_else(child)?;
        Some([&start[..], &path[1..]].concat())
    }

    /// The file that defines the item at a path; `None` for a module itself or an item of another crate.
    fn defining(&self, path: &Names, depth: usize) -> Option<Names> {
        let known = (0..=path.len()).rev().find(|&n| self.modules.contains_key(&path[..n]))?;
        let item = path.get(known)?;
        let module = &self.modules[&path[..known]];
        if let Some(source) = module.imports.get(item).filter(|_| depth > 0) {
            let full = [&source[..], &path[known + 1..]].concat();
            return self.defining(&full, depth - 1);
        }
        // a path of another crate that happens to begin at the root
        if known == 0 { None } else { Some(path[..known].to_vec()) }
    }
}

impl Module {
    fn read(name: &Names, tokens: &[String]) -> Self {
        let (mut module, mut at) = (Self::default(), 0);
        let mut used = BTreeSet::new();
        // the innermost inline module, and the number of open braces around each one
        let (mut scope, mut inline, mut depth) = (name.clone(), Vec::new(), 0_usize);
        while at < tokens.len() {
            if tokens[at] == "use" {
                let before: BTreeSet<String> = module.imports.keys().cloned().collect();
                let public = at > 0 && ["pub", ")"].contains(&tokens[at - 1].as_str());
                at = module.declaration(&scope, tokens, at + 1, Vec::new());
                if public {
                    module.handed_on.extend(module.imports.keys().filter(|k| !before.contains(*k)).cloned());
                }
                continue;
            }
            if tokens[at] == "mod" && tokens.get(at + 2).is_some_and(|t| t == "{") {
                scope.push(tokens[at + 1].clone());
                inline.push(depth);
                at += 2;
            }
            if tokens[at] == "{" {
                depth += 1;
            } else if tokens[at] == "}" {
                depth -= 1;
                if inline.pop_if(|around| *around == depth).is_some() {
                    scope.pop();
                }
            } else if is_name(&tokens[at]) {
                let mut path = vec![tokens[at].clone()];
                used.insert(tokens[at].clone());
                while tokens.get(at + 1).is_some_and(|t| t == "::")
                    && tokens.get(at + 2).is_some_and(|t| is_name(t))
                {
                    at += 2;
                    path.push(tokens[at].clone());
                }
                if path.len() > 1 {
                    let from_root = |full| [vec!["crate".to_owned()], full].concat();
                    module.paths.push(absolute(&scope, &path).map_or(path, from_root));
                }
            }
            at += 1;
        }
        assert_eq!((depth, &scope), (0, name), "the braces of {name:?} do not match");
        module.handed_on.retain(|name| !used.contains(name));
        module
    }

    /// Reads one branch of a use declaration; the place of the token after it.
    fn declaration(&mut self, name: &Names, tokens: &[String], mut at: usize, mut path: Names) -> usize {
        loop {
            match tokens[at].as_str() {
                "{" => {
                    at += 1;
                    while tokens[at] != "}" {
                        at = self.declaration(name, tokens, at, path.clone());
                        at += usize::from(tokens[at] == ",");
                    }
                    return at + 1;
                }
                "*" => {
                    self.globs.extend(imported(name, &path));
                    return at + 1;
                }
                "::" => {}
                word => path.push(word.to_owned()),
            }
            at += 1;
            if !matches!(tokens[at].as_str(), "::" | "{" | "*") && tokens[at - 1] != "::" {
                break;
            }
        }
        let (alias, end) =
            if tokens[at] == "as" { (tokens[at + 1].clone(), at + 2) } else { (String::new(), at) };
        if path.len() > 1 && path.last().is_some_and(|l| l == "self") {
            path.pop();
        }
        let alias = if alias.is_empty() { path.last().cloned().unwrap_or_default() } else { alias };
        if let Some(full) = imported(name, &path) {
            self.imports.insert(alias, full);
        }
        end
    }
}

/// A path that begins with `crate`, `super`, `self` or the library's name, from the root.
fn absolute(module: &Names, path: &Names) -> Option<Names> {
    let (mut base, mut rest) = match path[0].as_str() {
        "crate" | "kitwright_core" => (Vec::new(), &path[1..]),
        "self" => (module.clone(), &path[1..]),
        "super" => (module.clone(), &path[..]),
        _ => return None,
    };
    while rest.first().is_some_and(|r| r == "super") {
        base.pop();
        rest = &rest[1..];
    }
    Some([&base[..], rest].concat())
}

/// The path of a use declaration from the root; a bare name is a child module of the file, or another crate.
fn imported(module: &Names, path: &Names) -> Option<Names> {
    let bare = || [&module[..], &path[..]].concat();
    let other = ["std", "core", "alloc"].contains(&path.first()?.as_str());
    absolute(module, path).or_else(|| (!other).then(bare))
}

fn is_name(token: &str) -> bool {
    token.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

/// Names, "::" and single signs of a source text, without comments, texts and test modules.
fn tokens(text: &str) -> Vec<String> {
    let mut tokens: Vec<String> = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let length = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("r#\"") {
            rest.find("\"#").map_or(rest.len(), |end| end + 2)
        } else if first == '"' {
            quoted(rest)
        } else if first == '\'' {
            character(rest)
        } else if rest.starts_with("#[cfg(test)]") {
            test_code(rest)
        } else if first.is_alphabetic() || first == '_' {
            rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len())
        } else if rest.starts_with("::") {
            2
        } else {
            first.len_utf8()
        };
        let token = &rest[..length];
        if is_name(token) || token == "::" || (length == 1 && !first.is_whitespace()) {
            tokens.push(token.to_owned());
        }
        rest = &rest[length..];
    }
    tokens
}

/// Length of a character literal at the beginning, or 1 for the mark of a lifetime.
fn character(text: &str) -> usize {
    let mut after = text.char_indices().skip(1);
    match (after.next(), after.next()) {
        (Some((_, '\\')), Some((escaped, _))) => {
            text[escaped + 1..].find('\'').map_or(1, |end| escaped + end + 2)
        }
        (Some(_), Some((end, '\''))) => end + 1,
        _ => 1,
    }
}

/// Length of a text in quotation marks at the beginning.
fn quoted(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            '"' if !escaped => return at + 1,
            _ => escaped = c == '\\' && !escaped,
        }
    }
    text.len()
}

/// Length of a test module, or of a declaration for tests, at the beginning.
fn test_code(text: &str) -> usize {
    let open = text.find('{').unwrap_or(text.len());
    if let Some(end) = text.find(';').filter(|&e| e < open) {
        return end + 1;
    }
    let mut depth = 0;
    for (at, c) in text.char_indices().skip(open) {
        depth += i32::from(c == '{') - i32::from(c == '}');
        if depth == 0 {
            return at + 1;
        }
    }
    text.len()
}

/// Files by name below `folder`, named relative to `base`.
fn collect(base: &Path, folder: &Path, files: &mut Vec<(String, String)>) {
    for entry in std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
        if entry.is_dir() {
            collect(base, &entry, files);
        } else if entry.extension().is_some_and(|e| e == "rs") {
            files.push((name_in(base, &entry), std::fs::read_to_string(&entry).unwrap()));
        }
    }
}

fn name_in(base: &Path, file: &Path) -> String {
    let names = file.with_extension("");
    let names = names.strip_prefix(base).unwrap().iter();
    names.map(|n| n.to_string_lossy().into_owned()).collect::<Vec<_>>().join("/")
}

/// The shortest circle through each file that lies in one and in none told before, within one module.
fn circles(edges: &BTreeSet<(Names, Names)>) -> Vec<String> {
    let mut next: BTreeMap<&Names, Vec<&Names>> = BTreeMap::new();
    for (from, to) in edges.iter().filter(|(from, to)| from.first() == to.first()) {
        next.entry(from).or_default().push(to);
    }
    let (mut told, mut seen) = (Vec::new(), BTreeSet::new());
    for start in next.keys() {
        if seen.contains(start) {
            continue;
        }
        if let Some(circle) = shortest_circle(&next, start) {
            seen.extend(circle.iter().copied());
            let names: Vec<String> = circle.iter().chain([start]).map(|n| n.join("::")).collect();
            told.push(names.join(" -> "));
        }
    }
    told
}

/// Breadth-first from a file back to itself.
fn shortest_circle<'a>(
    next: &BTreeMap<&'a Names, Vec<&'a Names>>,
    start: &&'a Names,
) -> Option<Vec<&'a Names>> {
    let mut ways: std::collections::VecDeque<Vec<&Names>> = [vec![*start]].into();
    let mut seen = BTreeSet::new();
    while let Some(way) = ways.pop_front() {
        for to in next.get(way.last()?).into_iter().flatten() {
            if to == start {
                return Some(way);
            }
            if seen.insert(*to) {
                ways.push_back([&way[..], &[*to]].concat());
            }
        }
    }
    None
}
