//! The CLAP guard and entry point: corrects or refuses what a host does wrong before the framework sees it.
//!
//! The host gets a `clap_plugin` of our own that begins with a copy of the framework's, so that its functions
//! work with our pointer; some of them are replaced. `process` passes the declared ports
//! ([`PortBuffers`]) and events in order ([`SortedEvents`]); marking the project as changed, which the framework
//! lacks, is done here, and extensions that it lacks are in `extensions_clap`.

use super::{
    clap_instance::{
        ClapBuffers, GuardClap, guard, host_extension, inner_extension, inner_params, parameter_ids,
    },
    events_clap::SortedEvents,
    extensions_clap::own_extension,
    host_params_clap::open_host_menu,
    instance::Kitwright,
    limits::{MAX_BLOCK_FRAMES, is_sample_rate},
    link::InstanceLink,
    lock::lock,
    notices_clap::CallbackRequest,
    params_clap::{EventLists, flush_reduced, with_flush},
    port_buffers::{HostPort, PortBuffers, silence_all},
    ports::{CHANNELS, INPUTS, OUTPUTS},
    presets_clap::PRESET_FACTORY,
    state::Change,
};
use clap_sys::{
    audio_buffer::clap_audio_buffer,
    entry::clap_plugin_entry,
    events::{clap_input_events, clap_output_events},
    ext::{
        gui::{CLAP_EXT_GUI, clap_plugin_gui},
        note_name::{CLAP_EXT_NOTE_NAME, clap_host_note_name},
        params::{CLAP_EXT_PARAMS, clap_plugin_params},
        state::{CLAP_EXT_STATE, clap_host_state},
    },
    factory::{
        plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory},
        preset_discovery::{CLAP_PRESET_DISCOVERY_FACTORY_ID, CLAP_PRESET_DISCOVERY_FACTORY_ID_COMPAT},
    },
    host::clap_host,
    plugin::{clap_plugin, clap_plugin_descriptor},
    process::{CLAP_PROCESS_CONTINUE, CLAP_PROCESS_ERROR, clap_process, clap_process_status},
    version::CLAP_VERSION,
};
use nice_plug::wrapper::{
    clap::{PluginDescriptor, Wrapper},
    setup_logger,
};
use std::{
    ffi::{CStr, c_char, c_void},
    sync::{Arc, Mutex, OnceLock, atomic::Ordering},
};

unsafe extern "C" fn init(plugin: *const clap_plugin) -> bool {
    // SAFETY: called by the host with its plugin.
    let guard = unsafe { guard(plugin) };
    // SAFETY: the framework's own function with the pointer it expects.
    if !guard.inner.init.is_some_and(|init| unsafe { init(plugin) }) {
        return false;
    }
    let (notices, request) = (guard.notices.clone(), CallbackRequest::new(guard.host));
    let Some(params) = guard.link.params.upgrade() else { return false };
    params.kit_state.set_notice(Some(Box::new(move |change| {
        notices.names.store(true, Ordering::Release);
        if change == Change::Edited {
            notices.edited.store(true, Ordering::Release);
        }
        request.request_callback();
    })));
    true
}

unsafe extern "C" fn destroy(plugin: *const clap_plugin) {
    // SAFETY: made by `Box::into_raw` in `create_plugin`; the host uses it no more.
    let guard = unsafe { Box::from_raw(plugin.cast_mut().cast::<GuardClap>()) };
    if let Some(params) = guard.link.params.upgrade() {
        params.kit_state.set_notice(None);
        if params.window_open.load(Ordering::Acquire) {
            // a window that the host has left open: its thread uses the instance
            // SAFETY: the framework's own extension with the pointer it expects, on the main thread.
            unsafe {
                let window = inner_extension(&guard, plugin, CLAP_EXT_GUI).cast::<clap_plugin_gui>();
                if let Some(close) = window.as_ref().and_then(|window| window.destroy) {
                    close(plugin);
                }
            }
        }
    }
    if let Some(destroy) = guard.inner.destroy {
        // SAFETY: the framework takes its reference back from `plugin_data`, nothing else of it.
        unsafe { destroy(&guard.outer) };
    }
}

unsafe extern "C" fn activate(plugin: *const clap_plugin, rate: f64, min: u32, max: u32) -> bool {
    // SAFETY: called by the host with its plugin.
    let guard = unsafe { guard(plugin) };
    if !(1..=MAX_BLOCK_FRAMES).contains(&max) || !is_sample_rate(rate) {
        return false;
    }
    // SAFETY: the framework's own function with the pointer it expects.
    let active = guard.inner.activate.is_some_and(|activate| unsafe { activate(plugin, rate, min, max) });
    let port = clap_audio_buffer {
        data32: std::ptr::null_mut(),
        data64: std::ptr::null_mut(),
        channel_count: CHANNELS as u32,
        latency: 0,
        constant_mask: 0,
    };
    let audio = active.then(|| ClapBuffers {
        ports: PortBuffers::new(max as usize),
        // SAFETY: the guard's own plugin, on the main thread.
        events: SortedEvents::new(unsafe { parameter_ids(guard, plugin) }),
        outputs: [port; OUTPUTS],
        inputs: [port; INPUTS],
    });
    *lock(&guard.audio) = audio;
    active
}

unsafe extern "C" fn deactivate(plugin: *const clap_plugin) {
    // SAFETY: called by the host with its plugin.
    let guard = unsafe { guard(plugin) };
    *lock(&guard.audio) = None;
    if let Some(deactivate) = guard.inner.deactivate {
        // SAFETY: the framework's own function with the pointer it expects.
        unsafe { deactivate(plugin) };
    }
}

unsafe extern "C" fn process(
    plugin: *const clap_plugin,
    process: *const clap_process,
) -> clap_process_status {
    // SAFETY: called by the host with its plugin and a valid call or null.
    let (guard, Some(call)) = (unsafe { guard(plugin) }, unsafe { process.as_ref() }) else {
        return CLAP_PROCESS_ERROR;
    };
    // only a host that activates or deactivates meanwhile makes this fail, and it never waits
    let audio = guard.audio.try_lock();
    match audio.ok().as_deref_mut().and_then(Option::as_mut) {
        Some(audio) if call.frames_count as usize <= audio.ports.max_frames() => {
            // SAFETY: as above.
            unsafe { process_corrected(guard, plugin, call, audio) }
        }
        _ => {
            // SAFETY: the host's buffers are as long as the block.
            unsafe {
                silence_all(call.audio_outputs_count as usize, outputs_of(call), call.frames_count as usize);
            }
            CLAP_PROCESS_ERROR
        }
    }
}

/// # Safety
/// `plugin` is the guard's own, `call` is as CLAP demands, except for what is corrected here.
unsafe fn process_corrected(
    guard: &GuardClap,
    plugin: *const clap_plugin,
    call: &clap_process,
    audio: &mut ClapBuffers,
) -> clap_process_status {
    if call.frames_count == 0 {
        // nothing to play, but parameters may have come
        // SAFETY: as for this function.
        unsafe { flush(guard, plugin, (call.in_events, call.out_events), &mut audio.events) };
        return CLAP_PROCESS_CONTINUE;
    }
    let frames = call.frames_count;
    let unused =
        guard.link.params.upgrade().map_or(0, |params| params.unused_outputs.load(Ordering::Acquire));
    let given = outputs_of(call);
    let used = |port: usize| if unused & (1 << port) == 0 { given(port) } else { HostPort::MISSING };
    // SAFETY: the host's arrays are null or as long as they say.
    unsafe {
        audio.ports.gather(used, |port| host_port(call.audio_inputs, call.audio_inputs_count, port));
    }
    for (port, buffer) in audio.outputs.iter_mut().enumerate() {
        buffer.data32 = audio.ports.output(port);
    }
    for (port, buffer) in audio.inputs.iter_mut().enumerate() {
        buffer.data32 = audio.ports.input(port);
    }
    let corrected = clap_process {
        audio_inputs: audio.inputs.as_ptr(),
        audio_outputs: audio.outputs.as_mut_ptr(),
        audio_inputs_count: INPUTS as u32,
        audio_outputs_count: OUTPUTS as u32,
        // SAFETY: a valid list or null; `audio` stays in its place during this call.
        in_events: unsafe { audio.events.sort(call.in_events, frames) },
        ..*call
    };
    let Some(inner) = guard.inner.process else { return CLAP_PROCESS_ERROR };
    // SAFETY: every declared port and channel is there, as long as the block.
    let status = unsafe { inner(plugin, &corrected) };
    // SAFETY: the host's buffers are as long as the block.
    unsafe {
        audio.ports.silence_surplus(call.audio_outputs_count as usize, outputs_of(call), frames as usize);
        for port in 0..call.audio_outputs_count as usize {
            if !call.audio_outputs.is_null() {
                // no channel is promised to be constant
                (*call.audio_outputs.add(port)).constant_mask = 0;
            }
        }
    }
    status
}

/// # Safety
/// `plugin` is the guard's own; the lists are valid or null.
unsafe fn flush(guard: &GuardClap, plugin: *const clap_plugin, lists: EventLists, events: &mut SortedEvents) {
    // SAFETY: the framework's own extension with the pointer it expects.
    unsafe { flush_reduced(inner_params(guard, plugin), plugin, lists, events) };
}

/// While active on the audio thread, with the memory of its blocks; otherwise on the main thread, with its own.
unsafe extern "C" fn params_flush(
    plugin: *const clap_plugin,
    incoming: *const clap_input_events,
    outgoing: *const clap_output_events,
) {
    // SAFETY: called by the host with its plugin and its lists.
    unsafe {
        let guard = guard(plugin);
        // only a host that processes or activates meanwhile makes this fail
        match guard.audio.try_lock().ok().as_deref_mut() {
            Some(Some(audio)) => flush(guard, plugin, (incoming, outgoing), &mut audio.events),
            Some(None) => {
                let mut events = SortedEvents::new(parameter_ids(guard, plugin));
                flush(guard, plugin, (incoming, outgoing), &mut events);
            }
            None => (),
        }
    }
}

fn outputs_of(call: &clap_process) -> impl Fn(usize) -> HostPort {
    let (ports, count) = (call.audio_outputs.cast_const(), call.audio_outputs_count);
    // SAFETY: the host's array of ports is null or as long as it says.
    move |port| unsafe { host_port(ports, count, port) }
}

/// # Safety
/// `ports` is null or holds `count` ports.
unsafe fn host_port(ports: *const clap_audio_buffer, count: u32, port: usize) -> HostPort {
    if ports.is_null() || port >= count as usize {
        return HostPort::MISSING;
    }
    // SAFETY: within the array by this function's contract.
    let port = unsafe { &*ports.add(port) };
    HostPort { channels: port.data32, count: port.channel_count as usize }
}

unsafe extern "C" fn on_main_thread(plugin: *const clap_plugin) {
    // SAFETY: called by the host with its plugin.
    let guard = unsafe { guard(plugin) };
    if guard.notices.edited.swap(false, Ordering::AcqRel) {
        // SAFETY: the host's own extension, called on the main thread as CLAP demands.
        unsafe {
            let state = host_extension(guard.host, CLAP_EXT_STATE).cast::<clap_host_state>();
            if let Some(mark_dirty) = state.as_ref().and_then(|s| s.mark_dirty) {
                mark_dirty(guard.host);
            }
        }
    }
    if guard.notices.names.swap(false, Ordering::AcqRel) {
        // SAFETY: as above.
        unsafe {
            let names = host_extension(guard.host, CLAP_EXT_NOTE_NAME).cast::<clap_host_note_name>();
            if let Some(changed) = names.as_ref().and_then(|n| n.changed) {
                changed(guard.host);
            }
        }
    }
    if let Some(inner) = guard.inner.on_main_thread {
        // SAFETY: the framework's own function with the pointer it expects.
        unsafe { inner(plugin) };
    }
    // comes last: a host may close the window while its menu is open
    // SAFETY: the guard's own plugin, on the main thread.
    unsafe { open_host_menu(guard, plugin) };
}

unsafe extern "C" fn get_extension(plugin: *const clap_plugin, id: *const c_char) -> *const c_void {
    if id.is_null() {
        return std::ptr::null();
    }
    // SAFETY: the host's plugin and a C string.
    let (guard, id) = unsafe { (guard(plugin), CStr::from_ptr(id)) };
    if id == CLAP_EXT_PARAMS {
        // SAFETY: the guard's own plugin; the framework's functions are the same for every instance.
        let inner = unsafe { inner_params(guard, plugin).as_ref() };
        static PARAMS: OnceLock<clap_plugin_params> = OnceLock::new();
        return inner.map_or(std::ptr::null(), |inner| {
            std::ptr::from_ref(PARAMS.get_or_init(|| with_flush(inner, params_flush))).cast()
        });
    }
    // SAFETY: the guard's own plugin.
    own_extension(id).unwrap_or_else(|| unsafe { inner_extension(guard, plugin, id) })
}

static FACTORY: clap_plugin_factory = clap_plugin_factory {
    get_plugin_count: Some(plugin_count),
    get_plugin_descriptor: Some(plugin_descriptor),
    create_plugin: Some(create_plugin),
};

fn descriptor() -> &'static PluginDescriptor {
    static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
    DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<Kitwright>)
}

unsafe extern "C" fn plugin_count(_factory: *const clap_plugin_factory) -> u32 {
    1
}

unsafe extern "C" fn plugin_descriptor(
    _factory: *const clap_plugin_factory,
    index: u32,
) -> *const clap_plugin_descriptor {
    if index == 0 { descriptor().clap_plugin_descriptor() } else { std::ptr::null() }
}

unsafe extern "C" fn create_plugin(
    _factory: *const clap_plugin_factory,
    host: *const clap_host,
    id: *const c_char,
) -> *const clap_plugin {
    // SAFETY: a C string when not null.
    if host.is_null() || id.is_null() || unsafe { CStr::from_ptr(id) } != descriptor().clap_id() {
        return std::ptr::null();
    }
    // SAFETY: the host outlives its plugins.
    let wrapper = unsafe { Wrapper::<Kitwright>::new(host) };
    let Some(link) = InstanceLink::take_last_made() else { return std::ptr::null() };
    let inner = *wrapper.clap_plugin.borrow();
    // the framework's `destroy` takes this reference back
    let _ = Arc::into_raw(wrapper);
    let outer = clap_plugin {
        init: Some(init),
        destroy: Some(destroy),
        activate: Some(activate),
        deactivate: Some(deactivate),
        process: Some(process),
        get_extension: Some(get_extension),
        on_main_thread: Some(on_main_thread),
        ..inner
    };
    let guard = GuardClap { outer, inner, host, link, audio: Mutex::new(None), notices: Arc::default() };
    Box::into_raw(Box::new(guard)).cast::<clap_plugin>().cast_const()
}

unsafe extern "C" fn entry_init(_path: *const c_char) -> bool {
    setup_logger::<Kitwright>();
    true
}

unsafe extern "C" fn entry_deinit() {}

unsafe extern "C" fn entry_factory(id: *const c_char) -> *const c_void {
    if id.is_null() {
        return std::ptr::null();
    }
    // SAFETY: a C string.
    let id = unsafe { CStr::from_ptr(id) };
    if id == CLAP_PLUGIN_FACTORY_ID {
        (&raw const FACTORY).cast()
    } else if id == CLAP_PRESET_DISCOVERY_FACTORY_ID || id == CLAP_PRESET_DISCOVERY_FACTORY_ID_COMPAT {
        (&raw const PRESET_FACTORY).cast()
    } else {
        std::ptr::null()
    }
}

/// The entry point that a CLAP host looks for in the library.
#[allow(non_upper_case_globals)]
#[unsafe(no_mangle)]
#[used]
pub static clap_entry: clap_plugin_entry = clap_plugin_entry {
    clap_version: CLAP_VERSION,
    init: Some(entry_init),
    deinit: Some(entry_deinit),
    get_factory: Some(entry_factory),
};

#[cfg(test)]
#[path = "realtime_tests.rs"]
mod realtime_tests;
#[cfg(test)]
#[path = "guard_clap_tests.rs"]
mod tests;
#[cfg(test)]
#[path = "window_keys_tests.rs"]
mod window_keys_tests;
