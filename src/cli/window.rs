//! `kitwright window`: the plugin's own window, with audio and MIDI.

use super::arguments;
use crate::error::{Error, Result};

#[cfg(not(feature = "standalone"))]
pub(super) fn run(_: &arguments::Window) -> Result<()> {
    Err(Error::invalid(
        "this build has no window of its own; build it with \"cargo build --release --features standalone\" \
         (on Linux the ALSA headers are needed: apt install libasound2-dev pkg-config), or load the plugin in a host",
    ))
}
