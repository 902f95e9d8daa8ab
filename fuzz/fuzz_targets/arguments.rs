//! Any command line is understood or refused.
#![no_main]

#[allow(dead_code, reason = "only the parser is used here")]
#[path = "../../src/cli/arguments.rs"]
mod arguments;

use clap::Parser;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let words = std::iter::once("kitwright").chain(text.split('\n'));
    let _ = arguments::Arguments::try_parse_from(words);
});
