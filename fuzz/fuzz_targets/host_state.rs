//! Any text that a host hands back as its state becomes the kit or is refused.
#![no_main]

use kitwright_core::session::Session;
use libfuzzer_sys::fuzz_target;
use std::{thread::sleep, time::Duration};

fuzz_target!(|text: &str| {
    let session = Session::new();
    let before = session.restored_revision();
    session.restore(text.to_owned());
    while session.error().is_none() && session.restored_revision() == before {
        sleep(Duration::from_micros(100));
    }
});
