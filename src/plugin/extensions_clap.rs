//! What the guard answers itself when a CLAP host asks for an extension that the framework lacks.
//!
//! | extension | what it does here |
//! | --- | --- |
//! | note-name | names of the keys that sound |
//! | state, state-context | the framework's state; a load waits until the kit is ready |
//! | voice-info | several voices of one key may overlap |
//! | audio-ports-activation | outputs that are off are not filled |
//! | preset-load | a kit file from the host's browser |
//! | param-indication | the window shows what the host has mapped or automates |
//! | context-menu | an entry for the host's menu of a parameter |

use super::{
    clap_instance::{GuardClap, guard, host_extension, inner_extension},
    host_params_clap::{CONTEXT_MENU, PARAM_INDICATION},
    kit_placeholder,
    limits::KIT_TIMEOUT,
    ports::OUTPUTS,
    streams_clap::{LENGTH_BYTES, from_memory, into_memory, read_state, write_all},
};
use clap_sys::{
    ext::{
        audio_ports_activation::{
            CLAP_EXT_AUDIO_PORTS_ACTIVATION, CLAP_EXT_AUDIO_PORTS_ACTIVATION_COMPAT,
            clap_plugin_audio_ports_activation,
        },
        context_menu::{CLAP_EXT_CONTEXT_MENU, CLAP_EXT_CONTEXT_MENU_COMPAT},
        note_name::{CLAP_EXT_NOTE_NAME, clap_note_name, clap_plugin_note_name},
        param_indication::{CLAP_EXT_PARAM_INDICATION, CLAP_EXT_PARAM_INDICATION_COMPAT},
        params::{CLAP_EXT_PARAMS, CLAP_PARAM_RESCAN_VALUES, clap_host_params},
        preset_load::{
            CLAP_EXT_PRESET_LOAD, CLAP_EXT_PRESET_LOAD_COMPAT, clap_host_preset_load, clap_plugin_preset_load,
        },
        state::{CLAP_EXT_STATE, clap_plugin_state},
        state_context::{CLAP_EXT_STATE_CONTEXT, clap_plugin_state_context},
        voice_info::{
            CLAP_EXT_VOICE_INFO, CLAP_VOICE_INFO_SUPPORTS_OVERLAPPING_NOTES, clap_plugin_voice_info,
            clap_voice_info,
        },
    },
    factory::preset_discovery::CLAP_PRESET_DISCOVERY_LOCATION_FILE,
    plugin::clap_plugin,
    stream::{clap_istream, clap_ostream},
};
use kitwright_core::{engine::Engine, kit::note_names, session::Job};
use std::{
    ffi::{CStr, CString, c_char, c_void},
    path::PathBuf,
    sync::atomic::Ordering,
    thread,
    time::{Duration, Instant},
};

/// The extension with this id, when the guard answers it; its compatible older ids as well.
pub(super) fn own_extension(id: &CStr) -> Option<*const c_void> {
    let any = |ids: &[&CStr]| ids.contains(&id);
    Some(if any(&[CLAP_EXT_NOTE_NAME]) {
        (&raw const NOTE_NAMES).cast()
    } else if any(&[CLAP_EXT_STATE]) {
        (&raw const STATE).cast()
    } else if any(&[CLAP_EXT_STATE_CONTEXT]) {
        (&raw const STATE_CONTEXT).cast()
    } else if any(&[CLAP_EXT_VOICE_INFO]) {
        (&raw const VOICE_INFO).cast()
    } else if any(&[CLAP_EXT_AUDIO_PORTS_ACTIVATION, CLAP_EXT_AUDIO_PORTS_ACTIVATION_COMPAT]) {
        (&raw const PORTS_ACTIVATION).cast()
    } else if any(&[CLAP_EXT_PRESET_LOAD, CLAP_EXT_PRESET_LOAD_COMPAT]) {
        (&raw const PRESET_LOAD).cast()
    } else if any(&[CLAP_EXT_PARAM_INDICATION, CLAP_EXT_PARAM_INDICATION_COMPAT]) {
        (&raw const PARAM_INDICATION).cast()
    } else if any(&[CLAP_EXT_CONTEXT_MENU, CLAP_EXT_CONTEXT_MENU_COMPAT]) {
        (&raw const CONTEXT_MENU).cast()
    } else {
        return None;
    })
}

static NOTE_NAMES: clap_plugin_note_name =
    clap_plugin_note_name { count: Some(note_name_count), get: Some(note_name_get) };

unsafe extern "C" fn note_name_count(plugin: *const clap_plugin) -> u32 {
    // SAFETY: called by the host with its plugin.
    note_names(&unsafe { guard(plugin) }.link.session.kit().doc).len() as u32
}

unsafe extern "C" fn note_name_get(plugin: *const clap_plugin, index: u32, out: *mut clap_note_name) -> bool {
    // SAFETY: called by the host with its plugin.
    let names = note_names(&unsafe { guard(plugin) }.link.session.kit().doc);
    // SAFETY: the host's own structure or null.
    let (Some((key, name)), Some(out)) = (names.get(index as usize), unsafe { out.as_mut() }) else {
        return false;
    };
    out.port = -1;
    out.channel = -1;
    out.key = i16::from(*key);
    out.name.fill(0);
    // the last byte stays 0; names are plain ASCII
    let max_bytes = out.name.len() - 1;
    for (to, from) in out.name[..max_bytes].iter_mut().zip(name.bytes()) {
        *to = from as c_char;
    }
    true
}

static STATE: clap_plugin_state = clap_plugin_state { save: Some(state_save), load: Some(state_load) };

/// The framework writes its part into memory, and the kit's text goes to the host as it is.
unsafe extern "C" fn state_save(plugin: *const clap_plugin, stream: *const clap_ostream) -> bool {
    // SAFETY: the framework's own extension with the pointer it expects; the host's stream.
    unsafe {
        let state = inner_extension(guard(plugin), plugin, CLAP_EXT_STATE).cast::<clap_plugin_state>();
        let Some(save) = state.as_ref().and_then(|s| s.save) else { return false };
        let mut own = Vec::new();
        let memory = into_memory(&mut own);
        let (saved, kit) = kit_placeholder::while_saving(|| save(plugin, &memory));
        let Some(json) = own.get(LENGTH_BYTES..).filter(|_| saved) else { return false };
        let pieces = match &kit {
            Some(kit) => kit_placeholder::join(json, kit),
            None => Some([json, &[], &[]]),
        };
        let Some(pieces) = pieces else { return false };
        let length = pieces.iter().map(|piece| piece.len() as u64).sum::<u64>().to_le_bytes();
        write_all(stream, &length) && pieces.iter().all(|piece| write_all(stream, piece))
    }
}

unsafe extern "C" fn state_load(plugin: *const clap_plugin, stream: *const clap_istream) -> bool {
    // SAFETY: the framework's own extension with the pointer it expects; the host's stream.
    unsafe {
        let guard = guard(plugin);
        let state = inner_extension(guard, plugin, CLAP_EXT_STATE).cast::<clap_plugin_state>();
        let Some(load) = state.as_ref().and_then(|s| s.load) else { return false };
        let Some(bytes) = read_state(stream) else { return false };
        let (json, kit) = kit_placeholder::split_off_kit(bytes);
        let mut own = (json.len() as u64).to_le_bytes().to_vec();
        own.extend(json);
        let mut own = own.as_slice();
        let memory = from_memory(&mut own);
        let loaded = kit_placeholder::while_loading(kit, || load(plugin, &memory));
        if loaded {
            // the main thread may wait, and a bounce that follows at once must have its kit
            guard.link.session.wait_ready(KIT_TIMEOUT);
        }
        loaded
    }
}

/// A preset, a duplicate and a project hold the same: the kit with its audio, and the trims.
static STATE_CONTEXT: clap_plugin_state_context =
    clap_plugin_state_context { save: Some(context_save), load: Some(context_load) };

unsafe extern "C" fn context_save(
    plugin: *const clap_plugin,
    stream: *const clap_ostream,
    _for: u32,
) -> bool {
    // SAFETY: as for `state_save`.
    unsafe { state_save(plugin, stream) }
}

unsafe extern "C" fn context_load(
    plugin: *const clap_plugin,
    stream: *const clap_istream,
    _for: u32,
) -> bool {
    // SAFETY: as for `state_load`.
    unsafe { state_load(plugin, stream) }
}

static VOICE_INFO: clap_plugin_voice_info = clap_plugin_voice_info { get: Some(voice_info_get) };

unsafe extern "C" fn voice_info_get(_plugin: *const clap_plugin, out: *mut clap_voice_info) -> bool {
    // SAFETY: the host's own structure or null.
    let Some(out) = (unsafe { out.as_mut() }) else { return false };
    let voices = Engine::MAX_VOICES as u32;
    *out = clap_voice_info {
        voice_count: voices,
        voice_capacity: voices,
        flags: CLAP_VOICE_INFO_SUPPORTS_OVERLAPPING_NOTES,
    };
    true
}

static PORTS_ACTIVATION: clap_plugin_audio_ports_activation = clap_plugin_audio_ports_activation {
    can_activate_while_processing: Some(ports_while_processing),
    set_active: Some(port_set_active),
};

unsafe extern "C" fn ports_while_processing(_plugin: *const clap_plugin) -> bool {
    true
}

unsafe extern "C" fn port_set_active(
    plugin: *const clap_plugin,
    is_input: bool,
    port: u32,
    is_active: bool,
    _sample_size: u32,
) -> bool {
    // SAFETY: called by the host with its plugin.
    let guard = unsafe { guard(plugin) };
    if is_input {
        // an input that is off brings nothing, which costs nothing
        return port == 0;
    }
    let Some(params) = guard.link.params.upgrade().filter(|_| (port as usize) < OUTPUTS) else {
        return false;
    };
    if is_active {
        params.unused_outputs.fetch_and(!(1 << port), Ordering::AcqRel);
    } else {
        params.unused_outputs.fetch_or(1 << port, Ordering::AcqRel);
    }
    true
}

static PRESET_LOAD: clap_plugin_preset_load = clap_plugin_preset_load { from_location: Some(from_location) };

/// Loads a kit file and waits until it plays; the host is told how that went.
unsafe extern "C" fn from_location(
    plugin: *const clap_plugin,
    kind: u32,
    location: *const c_char,
    load_key: *const c_char,
) -> bool {
    if kind != CLAP_PRESET_DISCOVERY_LOCATION_FILE || location.is_null() {
        return false;
    }
    // SAFETY: the host's plugin and C strings.
    let (guard, path) = unsafe { (guard(plugin), CStr::from_ptr(location)) };
    let result = load_kit(guard, PathBuf::from(path.to_string_lossy().into_owned()));
    // SAFETY: the host's own extension, called on the main thread as CLAP demands.
    unsafe {
        let host = host_extension(guard.host, CLAP_EXT_PRESET_LOAD).cast::<clap_host_preset_load>();
        match (&result, host.as_ref()) {
            (Ok(()), Some(host)) => {
                if let Some(loaded) = host.loaded {
                    loaded(guard.host, kind, location, load_key);
                }
            }
            (Err(sentence), Some(host)) => {
                let sentence = CString::new(sentence.as_str()).unwrap_or_default();
                if let Some(on_error) = host.on_error {
                    on_error(guard.host, kind, location, load_key, 0, sentence.as_ptr());
                }
            }
            (_, None) => {}
        }
    }
    result.is_ok()
}

fn load_kit(guard: &GuardClap, path: PathBuf) -> Result<(), String> {
    let session = &guard.link.session;
    // it would wait behind the other work, and a host would be told of the wrong end
    if session.job().is_some() {
        let busy = "Kitwright is busy with other work; wait for it or cancel it in its window, then load the kit again";
        return Err(busy.to_owned());
    }
    session.dismiss_error();
    session.start(Job::LoadKit(path));
    let end = Instant::now() + KIT_TIMEOUT;
    while session.job().is_some() && Instant::now() < end {
        thread::sleep(Duration::from_millis(1));
    }
    if session.job().is_some() {
        session.cancel();
        return Err(format!("the kit was not loaded within {} s; try again", KIT_TIMEOUT.as_secs()));
    }
    if let Some(error) = session.error() {
        return Err(error.to_string());
    }
    session.wait_ready(KIT_TIMEOUT);
    if let (Some(trims), Some(params)) = (session.take_loaded_trims(), guard.link.params.upgrade()) {
        params.take_trims(&trims);
        // SAFETY: the host's own extension, called on the main thread as CLAP demands.
        unsafe {
            let host = host_extension(guard.host, CLAP_EXT_PARAMS).cast::<clap_host_params>();
            if let Some(rescan) = host.as_ref().and_then(|h| h.rescan) {
                rescan(guard.host, CLAP_PARAM_RESCAN_VALUES);
            }
        }
    }
    Ok(())
}
