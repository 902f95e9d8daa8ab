//! Calls of a CLAP host in any order: see `tests/support/calls.rs`.
#![no_main]

#[allow(dead_code, reason = "its allocator is used here")]
#[path = "../targets.rs"]
mod targets;

#[path = "../../tests/support/mod.rs"]
mod support;

use clack_host::prelude::PluginEntry;
// the library whose entry point is used below
use kitwright as _;
use support::{calls, host::Host};

#[global_allocator]
static CAPPED: targets::Capped = targets::Capped;

unsafe extern "C" {
    /// The plugin's entry point, as a host would find it in the library.
    safe static clap_entry: clap_sys::entry::clap_plugin_entry;
}

fn instance() -> Host {
    // SAFETY: an entry point that lives as long as the program.
    Host::of(unsafe { PluginEntry::load_from_raw(&clap_entry, c"") }.expect("the entry point"))
}

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    calls::perform(bytes, &instance);
});
