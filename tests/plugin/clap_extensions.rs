//! CLAP's extensions as hosts use them: pages of controls, presets, voices, outputs that are off.

use crate::support::{
    host::{DECLARED, Ev, Host, Run, note},
    kit::{clap_state, kit, notes},
};
use clap_sys::{
    ext::{
        audio_ports_activation::{CLAP_EXT_AUDIO_PORTS_ACTIVATION, clap_plugin_audio_ports_activation},
        context_menu::{
            CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, CLAP_EXT_CONTEXT_MENU, clap_context_menu_target,
            clap_plugin_context_menu,
        },
        param_indication::{CLAP_EXT_PARAM_INDICATION, clap_plugin_param_indication},
        preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load},
        remote_controls::{CLAP_EXT_REMOTE_CONTROLS, clap_plugin_remote_controls, clap_remote_controls_page},
        state_context::{CLAP_EXT_STATE_CONTEXT, CLAP_STATE_CONTEXT_FOR_PRESET, clap_plugin_state_context},
        voice_info::{CLAP_EXT_VOICE_INFO, clap_plugin_voice_info, clap_voice_info},
    },
    factory::preset_discovery::CLAP_PRESET_DISCOVERY_LOCATION_FILE,
    stream::clap_ostream,
};
use kitwright_core::{kit::Kit, progress::Quiet};
use std::ffi::{CStr, CString, c_void};

const N: usize = 24_000;

/// An extension of the plugin.
fn extension<T>(host: &mut Host, id: &CStr) -> &'static T {
    let plugin = host.raw();
    // SAFETY: the plugin is alive; its extensions are constants of the library, which stays loaded in these tests.
    unsafe {
        let found = (*plugin).get_extension.unwrap()(plugin, id.as_ptr()).cast::<T>();
        found.as_ref().unwrap_or_else(|| panic!("no {id:?}"))
    }
}

fn every_pad() -> Vec<Ev> {
    notes().iter().enumerate().flat_map(|(i, key)| note(100 + 1000 * i as u64, *key, 0.8)).collect()
}

#[test]
fn hosts_get_a_page_of_controls_for_the_mix_and_one_for_each_pad() {
    let mut host = Host::new();
    let params = host.params();
    let pages: &clap_plugin_remote_controls = extension(&mut host, CLAP_EXT_REMOTE_CONTROLS);
    let plugin = host.raw();
    // SAFETY: as CLAP demands; a page is numbers and text.
    let (count, read) = unsafe {
        let read = |index| {
            let mut page: clap_remote_controls_page = std::mem::zeroed();
            assert!(pages.get.unwrap()(plugin, index, &mut page));
            page
        };
        (pages.count.unwrap()(plugin), read)
    };
    assert_eq!(count, 17);
    let name = |id: u32| params.iter().find(|(_, own)| **own == id).map(|(name, _)| name.as_str());
    for index in 0..count {
        let page = read(index);
        // SAFETY: the plugin ends its names with a 0.
        let title = unsafe { CStr::from_ptr(page.page_name.as_ptr()) }.to_str().unwrap();
        let first = name(page.param_ids[0]).expect("a parameter");
        if index == 0 {
            assert_eq!((title, first), ("Mix", "Kit level"));
        } else {
            assert_eq!((title, first), (&*format!("Pad {index}"), &*format!("Pad {index} Level")));
            assert!(page.param_ids.iter().all(|&id| name(id).is_some_and(|n| n.starts_with(title))));
        }
    }
}

#[test]
fn voices_may_overlap() {
    let mut host = Host::new();
    let voices: &clap_plugin_voice_info = extension(&mut host, CLAP_EXT_VOICE_INFO);
    let mut info = clap_voice_info { voice_count: 0, voice_capacity: 0, flags: 0 };
    // SAFETY: as CLAP demands.
    assert!(unsafe { voices.get.unwrap()(host.raw(), &mut info) });
    assert_eq!((info.voice_count, info.voice_capacity, info.flags), (80, 80, 1));
}

unsafe extern "C" fn append(stream: *const clap_ostream, from: *const c_void, size: u64) -> i64 {
    // SAFETY: the test's own stream; the plugin's bytes.
    unsafe {
        let bytes = std::slice::from_raw_parts(from.cast::<u8>(), size as usize);
        (*(*stream).ctx.cast::<Vec<u8>>()).extend_from_slice(bytes);
    }
    size as i64
}

#[test]
fn a_preset_holds_what_a_project_holds() {
    let mut host = Host::with_state(&clap_state(&kit()));
    let context: &clap_plugin_state_context = extension(&mut host, CLAP_EXT_STATE_CONTEXT);
    let mut preset = Vec::<u8>::new();
    let stream = clap_ostream { ctx: (&raw mut preset).cast(), write: Some(append) };
    // SAFETY: as CLAP demands.
    assert!(unsafe { context.save.unwrap()(host.raw(), &stream, CLAP_STATE_CONTEXT_FOR_PRESET) });
    assert!(preset == host.save());
}

#[test]
fn an_output_that_is_off_is_not_filled_and_changes_no_other() {
    let mut host = Host::with_state(&clap_state(&kit()));
    let events = every_pad();
    let whole = host.play(&Run::new(N, &events));
    let ports: &clap_plugin_audio_ports_activation = extension(&mut host, CLAP_EXT_AUDIO_PORTS_ACTIVATION);
    let plugin = host.raw();
    // SAFETY: as CLAP demands.
    let switch = |port, on| unsafe { ports.set_active.unwrap()(plugin, false, port, on, 32) };
    assert!(switch(3, false) && !switch(17, false));
    let sound = host.play(&Run::new(N, &events));
    for port in 0..DECLARED.len() {
        assert_eq!(sound[port] == whole[port], port != 3, "port {port}");
    }
    assert!(switch(3, true));
    assert!(host.play(&Run::new(N, &events)) == whole);
}

#[test]
fn a_kit_file_from_the_hosts_browser_is_loaded_with_its_trims() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a kit.kitwright");
    let mut saved = kit();
    saved.doc.trims.pads[2].level_db = -6.0;
    saved.save(&path, &Quiet).unwrap();
    let mut host = Host::new();
    let load: &clap_plugin_preset_load = extension(&mut host, CLAP_EXT_PRESET_LOAD);
    let plugin = host.raw();
    let from = |path: &std::path::Path| {
        let path = CString::new(path.to_str().unwrap()).unwrap();
        // SAFETY: as CLAP demands.
        unsafe {
            let load = load.from_location.unwrap();
            load(plugin, CLAP_PRESET_DISCOVERY_LOCATION_FILE, path.as_ptr(), std::ptr::null())
        }
    };
    assert!(!from(&folder.path().join("missing.kitwright")));
    assert!(from(&path));
    let level = host.params()["Pad 3 Level"];
    let travel = host.param(level);
    assert!((travel - 54.0 / 72.0).abs() < 1e-6, "-6 dB of -60 to 12: {travel}");
    let events = every_pad();
    let sound = host.play(&Run::new(N, &events));
    let mut by_hand =
        Host::with_state(&clap_state(&Kit { doc: saved.doc.clone(), takes: saved.takes.clone() }));
    let mut with_level = vec![Ev::Param { at: 0, id: level, value: travel }];
    with_level.extend(events);
    assert!(sound[0] == by_hand.play(&Run::new(N, &with_level))[0]);
}

#[test]
fn the_hosts_menu_and_its_marks_of_parameters_are_answered() {
    let mut host = Host::new();
    let level = host.params()["Pad 3 Level"];
    let marks: &clap_plugin_param_indication = extension(&mut host, CLAP_EXT_PARAM_INDICATION);
    let menu: &clap_plugin_context_menu = extension(&mut host, CLAP_EXT_CONTEXT_MENU);
    let usual = host.param(level);
    host.flush(&[Ev::Param { at: 0, id: level, value: 0.25 }]);
    assert_eq!(host.param(level), 0.25);
    let plugin = host.raw();
    let target = clap_context_menu_target { kind: CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, id: level };
    // SAFETY: as CLAP demands; texts and colours may be missing.
    unsafe {
        marks.set_mapping.unwrap()(plugin, level, true, std::ptr::null(), std::ptr::null(), std::ptr::null());
        assert!(menu.perform.unwrap()(plugin, &target, 1));
    }
    assert_eq!(host.param(level), usual);
}
