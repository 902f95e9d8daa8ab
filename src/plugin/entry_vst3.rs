//! The VST3 entry points: the factory, and the module's entry and exit.

use super::{guard_vst3::GuardVst3, instance::Kitwright};
use nice_plug::wrapper::{
    setup_logger,
    vst3::{PluginInfo, vst3},
};
use std::ffi::c_void;
use vst3::{
    Class, ComWrapper,
    Steinberg::{
        FIDString, FUnknown, IPluginFactory, IPluginFactory2, IPluginFactory2Trait, IPluginFactory3,
        IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2, PClassInfoW, PFactoryInfo, TUID,
        int32, kInvalidArgument, kResultFalse, kResultOk, tresult,
    },
};

struct Factory(PluginInfo);

impl Class for Factory {
    type Interfaces = (IPluginFactory, IPluginFactory2, IPluginFactory3);
}

/// Writes `value` where the host asks for it.
///
/// # Safety
/// `to` is null or may be written.
unsafe fn give<T>(to: *mut T, index: int32, value: impl FnOnce() -> T) -> tresult {
    if to.is_null() || index != 0 {
        return kInvalidArgument;
    }
    // SAFETY: by this function's contract.
    unsafe { *to = value() };
    kResultOk
}

impl IPluginFactoryTrait for Factory {
    unsafe fn getFactoryInfo(&self, info: *mut PFactoryInfo) -> tresult {
        // SAFETY: the host's own structure or null.
        unsafe { give(info, 0, || self.0.create_factory_info()) }
    }

    unsafe fn countClasses(&self) -> int32 {
        1
    }

    unsafe fn getClassInfo(&self, index: int32, info: *mut PClassInfo) -> tresult {
        // SAFETY: the host's own structure or null.
        unsafe { give(info, index, || self.0.create_class_info()) }
    }

    unsafe fn createInstance(
        &self,
        class: FIDString,
        interface: FIDString,
        out: *mut *mut c_void,
    ) -> tresult {
        if class.is_null() || interface.is_null() || out.is_null() {
            return kInvalidArgument;
        }
        // SAFETY: class ids have 16 bytes.
        if unsafe { *class.cast::<[u8; 16]>() } != *self.0.cid {
            return kInvalidArgument;
        }
        let Some(guard) = GuardVst3::new() else { return kResultFalse };
        let guard = ComWrapper::new(guard);
        let Some(unknown) = guard.as_com_ref::<FUnknown>() else { return kResultFalse };
        let unknown = unknown.as_ptr();
        // SAFETY: a live object; the query takes a reference of its own when it succeeds.
        unsafe { ((*(*unknown).vtbl).queryInterface)(unknown, interface.cast::<TUID>(), out) }
    }
}

impl IPluginFactory2Trait for Factory {
    unsafe fn getClassInfo2(&self, index: int32, info: *mut PClassInfo2) -> tresult {
        // SAFETY: the host's own structure or null.
        unsafe { give(info, index, || self.0.create_class_info_2()) }
    }
}

impl IPluginFactory3Trait for Factory {
    unsafe fn getClassInfoUnicode(&self, index: int32, info: *mut PClassInfoW) -> tresult {
        // SAFETY: the host's own structure or null.
        unsafe { give(info, index, || self.0.create_class_info_unicode()) }
    }

    unsafe fn setHostContext(&self, _context: *mut FUnknown) -> tresult {
        kResultOk
    }
}

/// The factory, for the host.
#[unsafe(no_mangle)]
pub extern "system" fn GetPluginFactory() -> *mut c_void {
    ComWrapper::new(Factory(PluginInfo::for_plugin::<Kitwright>()))
        .to_com_ptr::<IPluginFactory>()
        .map_or(std::ptr::null_mut(), |factory| factory.into_raw().cast())
}

fn enter() -> bool {
    setup_logger::<Kitwright>();
    true
}

/// Called after the library was loaded (Linux and the BSDs).
#[cfg(all(target_family = "unix", not(target_os = "macos")))]
#[unsafe(no_mangle)]
pub extern "C" fn ModuleEntry(_library: *mut c_void) -> bool {
    enter()
}

/// Called before the library is unloaded (Linux and the BSDs).
#[cfg(all(target_family = "unix", not(target_os = "macos")))]
#[unsafe(no_mangle)]
pub extern "C" fn ModuleExit() -> bool {
    true
}

/// Called after the bundle was loaded (macOS).
#[cfg(target_os = "macos")]
#[unsafe(no_mangle)]
pub extern "C" fn bundleEntry(_bundle: *mut c_void) -> bool {
    enter()
}

/// Called before the bundle is unloaded (macOS).
#[cfg(target_os = "macos")]
#[unsafe(no_mangle)]
pub extern "C" fn bundleExit() -> bool {
    true
}

/// Called after the library was loaded (Windows).
#[cfg(target_os = "windows")]
#[unsafe(no_mangle)]
pub extern "system" fn InitDll() -> bool {
    enter()
}

/// Called before the library is unloaded (Windows).
#[cfg(target_os = "windows")]
#[unsafe(no_mangle)]
pub extern "system" fn ExitDll() -> bool {
    true
}
