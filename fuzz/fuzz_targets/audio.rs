//! Any file is decoded as a recording or refused.
#![no_main]

use kitwright_core::{progress::Quiet, take::Take};
use libfuzzer_sys::fuzz_target;
use std::io::Write;

fuzz_target!(|bytes: &[u8]| {
    let mut file = tempfile::NamedTempFile::new().expect("a temporary file");
    file.write_all(bytes).expect("room for a temporary file");
    if let Ok(take) = Take::read(file.path(), &Quiet) {
        assert!(take.channels.iter().flatten().all(|s| s.is_finite()));
    }
});
