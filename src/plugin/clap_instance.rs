//! The plugin that a CLAP host holds, and how the guard finds it.

use super::{
    events_clap::SortedEvents,
    link::GuardLink,
    notices_clap::PendingNotices,
    port_buffers::PortBuffers,
    ports::{INPUTS, OUTPUTS},
};
use clap_sys::{
    audio_buffer::clap_audio_buffer,
    ext::params::{CLAP_EXT_PARAMS, clap_param_info, clap_plugin_params},
    host::clap_host,
    plugin::clap_plugin,
};
use std::{
    ffi::{CStr, c_void},
    sync::{Arc, Mutex},
};

/// The plugin that the host holds. The copy comes first: the framework takes our pointer for its own.
#[repr(C)]
pub(super) struct GuardClap {
    pub outer: clap_plugin,
    pub inner: clap_plugin,
    pub host: *const clap_host,
    pub link: GuardLink,
    /// Made in `activate`; held by one process call at a time.
    pub audio: Mutex<Option<ClapBuffers>>,
    pub notices: Arc<PendingNotices>,
}

/// Memory for one process call.
pub(super) struct ClapBuffers {
    pub ports: PortBuffers,
    pub events: SortedEvents,
    pub outputs: [clap_audio_buffer; OUTPUTS],
    pub inputs: [clap_audio_buffer; INPUTS],
}

// SAFETY: the pointers inside are only used during one process call.
unsafe impl Send for ClapBuffers {}

/// # Safety
/// `plugin` is one that `create_plugin` made and the host has not destroyed.
pub(super) unsafe fn guard<'a>(plugin: *const clap_plugin) -> &'a GuardClap {
    // SAFETY: the outer plugin is the first field of its guard.
    unsafe { &*plugin.cast::<GuardClap>() }
}

/// # Safety
/// `host` is the host that made the plugin.
pub(super) unsafe fn host_extension(host: *const clap_host, id: &CStr) -> *const c_void {
    // SAFETY: by this function's contract.
    unsafe { (*host).get_extension.map_or(std::ptr::null(), |get| get(host, id.as_ptr())) }
}

/// # Safety
/// `plugin` is the guard's own.
pub(super) unsafe fn inner_extension(
    guard: &GuardClap,
    plugin: *const clap_plugin,
    id: &CStr,
) -> *const c_void {
    // SAFETY: the framework's own function with the pointer it expects.
    guard.inner.get_extension.map_or(std::ptr::null(), |get| unsafe { get(plugin, id.as_ptr()) })
}

/// # Safety
/// `plugin` is the guard's own.
pub(super) unsafe fn inner_params(
    guard: &GuardClap,
    plugin: *const clap_plugin,
) -> *const clap_plugin_params {
    // SAFETY: by this function's contract.
    unsafe { inner_extension(guard, plugin, CLAP_EXT_PARAMS).cast() }
}

/// Ids of the parameters, as the host knows them.
///
/// # Safety
/// `plugin` is the guard's own; this is the main thread.
pub(super) unsafe fn parameter_ids(guard: &GuardClap, plugin: *const clap_plugin) -> Vec<u32> {
    // SAFETY: the framework's own extension with the pointer it expects; an info is numbers and text.
    unsafe {
        let params = inner_params(guard, plugin);
        let Some((Some(count), Some(info_of))) = params.as_ref().map(|p| (p.count, p.get_info)) else {
            return Vec::new();
        };
        let id = |index| {
            let mut info: clap_param_info = std::mem::zeroed();
            info_of(plugin, index, &mut info).then_some(info.id)
        };
        (0..count(plugin)).filter_map(id).collect()
    }
}
