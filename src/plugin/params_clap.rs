//! The parameters' extension of CLAP as the host gets it: the framework's own, with `flush` reduced as a block is.

use super::events_clap::SortedEvents;
use clap_sys::{
    events::{clap_input_events, clap_output_events},
    ext::params::clap_plugin_params,
    plugin::clap_plugin,
};

/// The host's events, and where the plugin's own go; valid or null.
pub(super) type EventLists = (*const clap_input_events, *const clap_output_events);

/// A `flush` of CLAP.
pub(super) type Flush =
    unsafe extern "C" fn(*const clap_plugin, *const clap_input_events, *const clap_output_events);

/// The framework's extension `inner` with another `flush`.
pub(super) fn with_flush(inner: &clap_plugin_params, flush: Flush) -> clap_plugin_params {
    clap_plugin_params { flush: Some(flush), ..*inner }
}

/// Hands the host's events on to the framework's `flush`, in order and as many as it takes without allocating.
///
/// # Safety
/// As for `flush` of CLAP, but the lists may be null; `inner` is the framework's extension or null.
pub(super) unsafe fn flush_reduced(
    inner: *const clap_plugin_params,
    plugin: *const clap_plugin,
    (incoming, outgoing): EventLists,
    events: &mut SortedEvents,
) {
    // SAFETY: the framework's own extension with the pointer it expects; the sorted list stays in its place.
    unsafe {
        if let Some(flush) = inner.as_ref().and_then(|p| p.flush) {
            flush(plugin, events.sort(incoming, 1), outgoing);
        }
    }
}
