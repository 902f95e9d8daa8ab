//! The built plugin as VST3 in two real hosts from PyPI, driven by `vst3_hosts.py`.
//!
//! `cargo xtask test` makes the Python environment that holds them and names its interpreter in
//! `KITWRIGHT_PYTHON`; without it, `target/venv` is looked for. Without either this part is skipped and
//! says so.

use crate::support::kit::{kit, state_json};
use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

fn python() -> Option<PathBuf> {
    let named = std::env::var_os("KITWRIGHT_PYTHON").map(PathBuf::from);
    let target = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/venv");
    let own = target.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" });
    let python = named.unwrap_or(own);
    // the folder may be there without the hosts, when the network failed half-way
    let ready = Command::new(&python).args(["-c", "import pedalboard, dawdreamer"]).output();
    ready.is_ok_and(|out| out.status.success()).then_some(python)
}

/// The library within the folders of a VST3 bundle (VST 3 SDK documentation, "VST 3 Locations / Format").
fn bundle(folder: &Path) -> PathBuf {
    let bundle = folder.join("Kitwright.vst3");
    let binary = if cfg!(target_os = "linux") {
        format!("Contents/{}-linux/Kitwright.so", std::env::consts::ARCH)
    } else if cfg!(target_os = "macos") {
        "Contents/MacOS/Kitwright".to_owned()
    } else {
        format!("Contents/{}-win/Kitwright.vst3", std::env::consts::ARCH)
    };
    let binary = bundle.join(binary);
    fs::create_dir_all(binary.parent().unwrap()).unwrap();
    fs::copy(crate::support::library(), &binary).unwrap();
    bundle
}

/// A preset file around a component's state (VST 3 SDK documentation, "Preset Format"): a header, the
/// state, a list of one chunk.
fn preset(state: &[u8]) -> Vec<u8> {
    const HEADER: usize = 4 + 4 + 32 + 8;
    let class: String = b"KitwrightDrumKit".iter().map(|b| format!("{b:02X}")).collect();
    let mut file = b"VST3".to_vec();
    file.extend(1_i32.to_le_bytes());
    file.extend(class.as_bytes());
    file.extend(((HEADER + state.len()) as i64).to_le_bytes());
    file.extend(state);
    file.extend(b"List");
    file.extend(1_i32.to_le_bytes());
    file.extend(b"Comp");
    file.extend((HEADER as i64).to_le_bytes());
    file.extend((state.len() as i64).to_le_bytes());
    file
}

#[test]
fn two_real_hosts_play_the_vst3() {
    let Some(python) = python() else {
        eprintln!(
            "skipped: the VST3 bundle in real hosts, no Python with pedalboard and dawdreamer (cargo xtask test makes one)"
        );
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let bundle = bundle(folder.path());
    let preset_file = folder.path().join("kit.vstpreset");
    fs::write(&preset_file, preset(&state_json(&kit()))).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/plugin/vst3_hosts.py");
    for host in ["pedalboard", "dawdreamer"] {
        // a process each: both bring a JUCE of their own
        let run = Command::new(&python)
            .arg(&script)
            .arg(host)
            .args([&bundle, &preset_file])
            .output()
            .expect("the interpreter runs");
        let (out, err) = (String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
        println!("{out}");
        assert!(run.status.success(), "{host} ended with {}:\n{out}\n{err}", run.status);
        assert!(out.trim_end().ends_with("all passed"), "{host} stopped early:\n{out}\n{err}");
    }
}
