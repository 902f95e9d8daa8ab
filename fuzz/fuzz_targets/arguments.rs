//! See the function `arguments` in `targets.rs`.
#![no_main]

#[allow(dead_code, reason = "each target uses its own")]
#[path = "../targets.rs"]
mod targets;

#[global_allocator]
static CAPPED: targets::Capped = targets::Capped;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| targets::arguments(bytes));
