//! Any document in a whole kit file without takes is read or refused; what is read is within its ranges.
#![no_main]

use kitwright_core::{kit::Kit, progress::Quiet};
use libfuzzer_sys::fuzz_target;
use std::io::{Cursor, Write};
use zip::{CompressionMethod, ZipWriter, write::SimpleFileOptions};

fuzz_target!(|document: &[u8]| {
    let mut kit = ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    kit.start_file("kit.json", stored).expect("a ZIP in memory");
    kit.write_all(document).expect("a ZIP in memory");
    let bytes = kit.finish().expect("a ZIP in memory").into_inner();
    if let Ok(kit) = Kit::from_bytes(&bytes, &Quiet) {
        kit.doc.check(&kit.takes).expect("what is read is checked");
    }
});
