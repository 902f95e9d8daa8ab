//! What CLAP hosts do with parameters beyond their values: they show where a controller or automation is at work, and
//! they put entries of the plugin into their own menus, which they also open in the plugin's window.

use super::clap_instance::{GuardClap, guard, host_extension, parameter_ids};
use crate::editor::Indication;
use clap_sys::{
    color::clap_color,
    ext::{
        context_menu::{
            CLAP_CONTEXT_MENU_ITEM_ENTRY, CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, CLAP_EXT_CONTEXT_MENU,
            clap_context_menu_builder, clap_context_menu_entry, clap_context_menu_target,
            clap_host_context_menu, clap_plugin_context_menu,
        },
        param_indication::{
            CLAP_PARAM_INDICATION_AUTOMATION_NONE, CLAP_PARAM_INDICATION_AUTOMATION_OVERRIDING,
            CLAP_PARAM_INDICATION_AUTOMATION_PLAYING, CLAP_PARAM_INDICATION_AUTOMATION_RECORDING,
            clap_plugin_param_indication,
        },
        params::{CLAP_EXT_PARAMS, CLAP_PARAM_RESCAN_VALUES, clap_host_params},
    },
    plugin::clap_plugin,
};
use std::ffi::{CStr, c_char};

pub(super) static PARAM_INDICATION: clap_plugin_param_indication =
    clap_plugin_param_indication { set_mapping: Some(set_mapping), set_automation: Some(set_automation) };

/// Index of a parameter in the host's list.
///
/// # Safety
/// `plugin` is the guard's own; this is the main thread.
unsafe fn param_index(guard: &GuardClap, plugin: *const clap_plugin, id: u32) -> Option<usize> {
    // SAFETY: by this function's contract.
    unsafe { parameter_ids(guard, plugin) }.iter().position(|&own| own == id)
}

/// # Safety
/// `colour` is null or the host's.
unsafe fn colour_of(colour: *const clap_color) -> Option<[u8; 3]> {
    // SAFETY: by this function's contract.
    unsafe { colour.as_ref() }.map(|c| [c.red, c.green, c.blue])
}

unsafe extern "C" fn set_mapping(
    plugin: *const clap_plugin,
    id: u32,
    has_mapping: bool,
    colour: *const clap_color,
    label: *const c_char,
    description: *const c_char,
) {
    // SAFETY: the host's plugin, and its own texts and colour or null.
    unsafe {
        let guard = guard(plugin);
        let (Some(params), Some(index)) = (guard.link.params.upgrade(), param_index(guard, plugin, id))
        else {
            return;
        };
        let texts = [label, description].into_iter().filter(|text| !text.is_null());
        let text = texts.map(|text| CStr::from_ptr(text).to_string_lossy()).find(|text| !text.is_empty());
        let words = text.map_or_else(|| "mapped".to_owned(), |text| format!("mapped to {text}"));
        let mapping = has_mapping.then(|| Indication { words, colour: colour_of(colour) });
        params.facts.set_mapping(index, mapping);
    }
}

unsafe extern "C" fn set_automation(
    plugin: *const clap_plugin,
    id: u32,
    state: u32,
    colour: *const clap_color,
) {
    // SAFETY: the host's plugin, and its own colour or null.
    unsafe {
        let guard = guard(plugin);
        let (Some(params), Some(index)) = (guard.link.params.upgrade(), param_index(guard, plugin, id))
        else {
            return;
        };
        let words = match state {
            CLAP_PARAM_INDICATION_AUTOMATION_NONE => None,
            CLAP_PARAM_INDICATION_AUTOMATION_PLAYING => Some("automation plays"),
            CLAP_PARAM_INDICATION_AUTOMATION_RECORDING => Some("automation is recorded"),
            CLAP_PARAM_INDICATION_AUTOMATION_OVERRIDING => Some("automation is overridden"),
            _ => Some("automated"),
        };
        let automation = words.map(|words| Indication { words: words.into(), colour: colour_of(colour) });
        params.facts.set_automation(index, automation);
    }
}

pub(super) static CONTEXT_MENU: clap_plugin_context_menu =
    clap_plugin_context_menu { populate: Some(populate), perform: Some(perform) };

/// Opens the host's menu that the window has asked for, where the host has menus.
///
/// # Safety
/// `plugin` is the guard's own; this is the main thread.
pub(super) unsafe fn open_host_menu(guard: &GuardClap, plugin: *const clap_plugin) {
    let Some(wanted) = guard.link.params.upgrade().and_then(|params| params.host_menu.take()) else { return };
    // SAFETY: by this function's contract; the host's own extension.
    unsafe {
        let Some(id) = parameter_ids(guard, plugin).get(wanted.param_index).copied() else { return };
        let menu = host_extension(guard.host, CLAP_EXT_CONTEXT_MENU).cast::<clap_host_context_menu>();
        let Some((Some(can_popup), Some(popup))) = menu.as_ref().map(|m| (m.can_popup, m.popup)) else {
            return;
        };
        if can_popup(guard.host) {
            let target = clap_context_menu_target { kind: CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, id };
            let [x, y] = wanted.at;
            // the window is embedded: the place is within it, and the screen's number is of no use
            popup(guard.host, &target, 0, x, y);
        }
    }
}

/// The one entry: the parameter goes back to its default.
const RESET: u32 = 1;

unsafe extern "C" fn populate(
    plugin: *const clap_plugin,
    target: *const clap_context_menu_target,
    builder: *const clap_context_menu_builder,
) -> bool {
    // SAFETY: the host's plugin, target and builder, or null.
    unsafe {
        let (Some(target), Some(builds)) = (target.as_ref(), builder.as_ref()) else { return false };
        let is_own = target.kind == CLAP_CONTEXT_MENU_TARGET_KIND_PARAM
            && param_index(guard(plugin), plugin, target.id).is_some();
        if !is_own {
            // nothing to add is no failure
            return true;
        }
        let entry = clap_context_menu_entry {
            label: c"Reset to default".as_ptr(),
            is_enabled: true,
            action_id: RESET,
        };
        let supported = builds.supports.is_none_or(|f| f(builder, CLAP_CONTEXT_MENU_ITEM_ENTRY));
        supported
            && builds
                .add_item
                .is_some_and(|add| add(builder, CLAP_CONTEXT_MENU_ITEM_ENTRY, (&raw const entry).cast()))
    }
}

unsafe extern "C" fn perform(
    plugin: *const clap_plugin,
    target: *const clap_context_menu_target,
    action: u32,
) -> bool {
    // SAFETY: the host's plugin and target, or null; the host's own extension on the main thread.
    unsafe {
        let guard = guard(plugin);
        let Some(target) = target.as_ref().filter(|t| t.kind == CLAP_CONTEXT_MENU_TARGET_KIND_PARAM) else {
            return false;
        };
        let index = param_index(guard, plugin, target.id).filter(|_| action == RESET);
        let (Some(index), Some(params)) = (index, guard.link.params.upgrade()) else { return false };
        if !params.reset(index) {
            return false;
        }
        let host = host_extension(guard.host, CLAP_EXT_PARAMS).cast::<clap_host_params>();
        if let Some(rescan) = host.as_ref().and_then(|h| h.rescan) {
            rescan(guard.host, CLAP_PARAM_RESCAN_VALUES);
        }
        true
    }
}
