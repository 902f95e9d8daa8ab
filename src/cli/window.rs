//! `kitwright window`: the plugin's own window, with audio and MIDI.

use super::arguments;
use kitwright_core::error::{Error, Result};

/// Opens the window and returns when it is closed. The kit is read once before, so that a broken one gets
/// its sentence here.
#[cfg(feature = "standalone")]
pub(super) fn run(a: &arguments::Window) -> Result<()> {
    use crate::plugin;
    use kitwright_core::{kit::Kit, progress::Quiet};
    if let Some(kit) = &a.kit {
        Kit::load(kit, &Quiet)?;
        plugin::open_first(kit.clone());
    }
    // the framework finds this one in place when it comes to set its own, and says so in its log
    let _ = ctrlc::set_handler(plugin::close_windows);
    plugin::ask_before_end();
    loop {
        let words = std::iter::once("kitwright window".to_owned()).chain(a.options.iter().cloned());
        if !nice_plug::wrapper::standalone::nice_export_standalone_with_args::<plugin::Kitwright, _>(words) {
            return Err(Error::invalid(
                "the window could not be opened; \"kitwright window -- --help\" lists its options",
            ));
        }
        match plugin::take_unsaved() {
            // the window comes back with the question
            Some(work) => plugin::reopen(work),
            None => return Ok(()),
        }
    }
}

#[cfg(not(feature = "standalone"))]
pub(super) fn run(_: &arguments::Window) -> Result<()> {
    Err(Error::invalid(
        "this build has no window of its own; \"cargo xtask window\" builds one and opens it (cargo feature \
         \"standalone\"; Linux needs pkg-config, libasound2-dev and libjack-jackd2-dev), or load the plugin in a host",
    ))
}
