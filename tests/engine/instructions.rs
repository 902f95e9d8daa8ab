//! Instructions of a fixed groove against the count in `tests/reference/instructions.json`.
//!
//! Times on shared machines are noise; counts by callgrind (N. Nethercote, J. Seward, "Valgrind: A Framework
//! for Heavyweight Dynamic Binary Instrumentation", 2007) are not. They depend on the compiler, the profile
//! and the processor's kind: the count is that of the tests' own profile (`profile.dev` in `Cargo.toml`) with
//! AVX2, which valgrind supports (it hides AVX-512), and of one compiler. After an intended change, or with another
//! compiler, the failing or skipped test prints the new line for the file.

use crate::support::groove::{GROOVE_FRAMES, groove_kit, play_groove};
use kitwright_core::engine::Engine;
use std::process::Command;

/// Share by which a count may differ.
const TOLERANCE: f64 = 0.03;

#[derive(serde::Deserialize)]
struct Kept {
    rustc: String,
    instructions: u64,
}

#[test]
fn a_fixed_groove_takes_no_more_instructions_than_before() {
    if !(cfg!(target_arch = "x86_64") && cfg!(target_os = "linux") && cfg!(debug_assertions)) {
        println!("skipped: the count is kept for Linux on x86-64 and the tests' own profile");
        return;
    }
    #[cfg(target_arch = "x86_64")]
    if !(std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma")) {
        println!("skipped: the count is kept for processors with AVX2");
        return;
    }
    let Some(made) = count() else {
        println!("skipped: the count of instructions needs valgrind");
        return;
    };
    let kept: Kept =
        serde_json::from_str(include_str!("../reference/instructions.json")).expect("the count that is kept");
    let rustc = compiler();
    let line = format!(r#"{{"rustc": "{rustc}", "instructions": {made}}}"#);
    let per_frame = made as f64 / GROOVE_FRAMES as f64;
    println!("{made} instructions, {per_frame:.0} a frame; {} are kept", kept.instructions);
    if rustc != kept.rustc {
        println!("skipped: the count was made by {}, this is {rustc}; to keep: {line}", kept.rustc);
        return;
    }
    let change = made as f64 / kept.instructions as f64 - 1.0;
    assert!(
        change.abs() <= TOLERANCE,
        "{:+.1} % instructions (3 % allowed, also downwards, so that a gain is kept); to keep: {line}",
        change * 100.0
    );
}

/// Instructions of the groove alone; `None` without valgrind.
fn count() -> Option<u64> {
    Command::new("valgrind").arg("--version").output().ok().filter(|o| o.status.success())?;
    let me = std::env::current_exe().expect("the test's own path");
    let run = Command::new("valgrind")
        .args(["--tool=callgrind", "--toggle-collect=counted_groove", "--callgrind-out-file=/dev/null"])
        .arg(me)
        .args(["--ignored", "--exact", "instructions::the_groove_under_valgrind", "--test-threads=1"])
        .output()
        .expect("valgrind starts");
    let printed = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "the groove under valgrind failed: {printed}");
    let number = printed.lines().find_map(|l| l.split("Collected :").nth(1)).expect("a count");
    let number = number.trim().parse().expect("a number");
    assert!(number > 0, "the groove was not found by its test's name");
    Some(number)
}

fn compiler() -> String {
    let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".into());
    let version = Command::new(rustc).arg("--version").output().expect("the compiler's version");
    String::from_utf8_lossy(&version.stdout).trim().to_owned()
}

/// The function that valgrind counts, found by this name.
#[unsafe(no_mangle)]
#[inline(never)]
extern "C" fn counted_groove(engine: &mut Engine) -> f32 {
    play_groove(engine, GROOVE_FRAMES)
}

#[test]
#[ignore = "started by a_fixed_groove_takes_no_more_instructions_than_before"]
fn the_groove_under_valgrind() {
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(groove_kit());
    // The first sound makes tables and reserves memory.
    play_groove(&mut engine, 640);
    engine.reset();
    assert!(counted_groove(&mut engine) > 0.01);
}
