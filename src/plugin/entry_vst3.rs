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

#[cfg(test)]
mod tests {
    use super::*;
    use nice_plug::prelude::Vst3Plugin;

    /// A text of a fixed length.
    fn text(chars: &[std::ffi::c_char]) -> String {
        let bytes: Vec<u8> = chars.iter().take_while(|&&c| c != 0).map(|&c| c as u8).collect();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn moduleinfo_json_says_what_the_factory_says() {
        let info = PluginInfo::for_plugin::<Kitwright>();
        let (factory, class) = (info.create_factory_info(), info.create_class_info_2());
        let json = include_str!("moduleinfo.json").replace("VERSION", env!("CARGO_PKG_VERSION"));
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let own = &json["Classes"][0];
        assert_eq!(json["Factory Info"]["Vendor"], text(&factory.vendor));
        assert_eq!(json["Factory Info"]["URL"], text(&factory.url));
        assert_eq!(json["Version"], text(&class.version));
        let id: String = Kitwright::VST3_CLASS_ID.iter().map(|byte| format!("{byte:02X}")).collect();
        assert_eq!(own["CID"], id);
        assert_eq!(own["Category"], text(&class.category));
        assert_eq!(own["Name"], text(&class.name));
        assert_eq!(own["Version"], text(&class.version));
        assert_eq!(own["SDKVersion"], text(&class.sdkVersion));
        let kinds: Vec<&str> =
            own["Sub Categories"].as_array().unwrap().iter().map(|kind| kind.as_str().unwrap()).collect();
        assert_eq!(kinds.join("|"), text(&class.subCategories));
        assert_eq!(own["Class Flags"], class.classFlags);
        assert_eq!(own["Cardinality"], class.cardinality);
    }
}
