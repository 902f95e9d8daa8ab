//! The fuzz targets (`fuzz/targets.rs`) over their seeds (`fuzz/seeds`) and over random changes of them, with their limit on memory.

#[path = "../../fuzz/targets.rs"]
mod targets;

use kitwright_core::{progress::Quiet, take::Take};
use std::{fs, panic::catch_unwind, path::Path};
use targets::{Capped, MOST_MEMORY, TARGETS};

#[global_allocator]
static CAPPED: Capped = Capped;

/// Random numbers by a linear congruential generator (constants of Knuth's MMIX).
struct Draws(u64);

impl Draws {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % n.max(1)
    }
}

/// Changes of each target: few in the ordinary tests, as many as `KITWRIGHT_TRIALS` says in `cargo xtask soak`.
fn trials() -> usize {
    std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(1000)
}

/// Start of the random changes: `KITWRIGHT_SEED`, so that a further run tries others.
fn seed() -> u64 {
    std::env::var("KITWRIGHT_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(1)
}

fn seeds(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds").join(target);
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{target} has no seeds");
    files.into_iter().map(|file| fs::read(file).unwrap()).collect()
}

/// One of the seeds, changed in one to eight places.
fn changed(seeds: &[Vec<u8>], draws: &mut Draws) -> Vec<u8> {
    const NUMBERS: [u32; 8] = [0, 1, 0x7f, 0xff, 0x7fff, 0xffff, 0x7fff_ffff, 0xffff_ffff];
    let mut bytes = seeds[draws.below(seeds.len())].clone();
    for _ in 0..=draws.below(8) {
        let len = bytes.len();
        // headers are short: half of the changes go there
        let at = if draws.below(2) == 0 { draws.below(len.min(96)) } else { draws.below(len) };
        let end = (at + 1 + draws.below(16)).min(len);
        match draws.below(7) {
            _ if len == 0 => bytes.push(draws.below(256) as u8),
            0 => bytes[at] ^= 1 << draws.below(8),
            1 => bytes[at] = draws.below(256) as u8,
            2 => bytes.truncate(at),
            3 => drop(bytes.drain(at..end)),
            4 => {
                let part = bytes[at..end].to_vec();
                bytes.splice(at..at, part.iter().copied().cycle().take(part.len() * (1 + draws.below(20))));
            }
            5 => {
                let other = &seeds[draws.below(seeds.len())];
                bytes.truncate(at);
                bytes.extend_from_slice(&other[draws.below(other.len() + 1)..]);
            }
            _ => {
                let number = NUMBERS[draws.below(8)];
                let number = if draws.below(2) == 0 { number.to_le_bytes() } else { number.to_be_bytes() };
                let count = [1, 2, 4][draws.below(3)].min(len - at);
                bytes[at..at + count].copy_from_slice(&number[..count]);
            }
        }
    }
    bytes
}

/// Runs a target; bytes that it fails on, or takes nearly all of its memory for, are kept in a file that the failure names.
/// (All of it would end the process, and nothing would be kept.)
fn try_bytes(name: &str, target: fn(&[u8]), bytes: &[u8]) {
    let failed = catch_unwind(|| target(bytes)).is_err();
    let peak = targets::peak();
    if failed || peak > MOST_MEMORY / 10 * 8 {
        let file = std::env::temp_dir().join(format!("kitwright-untrusted-{name}"));
        fs::write(&file, bytes).unwrap();
        panic!("{name} fails on {}, with up to {} MB", file.display(), peak / 1_000_000);
    }
}

fn check(name: &str) {
    let (_, target) = TARGETS.into_iter().find(|(target, _)| *target == name).unwrap();
    let seeds = seeds(name);
    seeds.iter().for_each(|bytes| try_bytes(name, target, bytes));
    let mut draws = Draws(seed());
    for _ in 0..trials() {
        try_bytes(name, target, &changed(&seeds, &mut draws));
    }
    println!("{name}: {} seeds, {} changed", seeds.len(), trials());
}

#[test]
fn any_command_line_is_understood_or_refused() {
    check("arguments");
}

#[test]
fn any_recording_is_read_or_refused() {
    check("audio");
}

#[test]
fn any_flac_of_a_kit_is_read_or_refused() {
    check("flac_in_kit");
}

#[test]
fn any_state_of_a_host_is_restored_or_refused() {
    check("host_state");
}

#[test]
fn any_document_of_a_kit_is_read_or_refused() {
    check("kit_document");
}

#[test]
fn any_midi_file_is_read_or_refused() {
    check("midi");
}

/// The targets stand in a workspace of their own, which the ordinary tests do not build: the tests' host, which they
/// share, needs the same parts of its library there.
#[test]
fn fuzz_targets_build_on_the_same_features_of_the_test_host() {
    let line = |file: &str| {
        let manifest = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).unwrap();
        manifest.lines().find(|line| line.starts_with("clack-extensions")).unwrap().to_owned()
    };
    assert_eq!(line("fuzz/Cargo.toml"), line("Cargo.toml"));
}

/// What is said of damaged recordings is about the file, in the user's words: no part of the decoding library, and no disk
/// that would be to blame.
#[test]
fn what_is_said_of_a_damaged_recording_is_plain_and_says_what_to_do() {
    const ADVICE: [&str; 7] = [
        "copy or export it again",
        "give a WAV",
        "record or export it again",
        "export it",
        "convert it",
        "cut it",
        "split it",
    ];
    const FOREIGN: [&str; 8] = [
        "malformed stream",
        "probe",
        "format reader",
        "isomp4",
        "caf:",
        "os error",
        "check the disk",
        "unsupported feature",
    ];
    let seeds = seeds("audio");
    let mut draws = Draws(seed() + 1);
    let file = tempfile::NamedTempFile::new().unwrap();
    let mut sentences = std::collections::BTreeSet::new();
    for _ in 0..trials().max(4000) {
        fs::write(file.path(), changed(&seeds, &mut draws)).unwrap();
        if let Err(error) = Take::read(file.path(), &Quiet) {
            let text = error.to_string();
            let said = text.strip_prefix(&format!("{}: ", file.path().display())).expect("the file's name");
            assert!(ADVICE.iter().any(|advice| said.contains(advice)), "{said}");
            assert!(FOREIGN.iter().all(|word| !said.contains(word)), "{said}");
            sentences.insert(said.replace(|c: char| c.is_ascii_digit(), ""));
        }
    }
    println!("{} sentences", sentences.len());
}
