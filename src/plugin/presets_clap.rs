//! The kits of a folder in a CLAP host's browser: preset discovery.
//!
//! A provider names the folder and reads a kit's name and roles without its audio.

use super::instance::Kitwright;
use clap_sys::{
    factory::preset_discovery::{
        CLAP_PRESET_DISCOVERY_IS_USER_CONTENT, CLAP_PRESET_DISCOVERY_LOCATION_FILE,
        clap_preset_discovery_factory, clap_preset_discovery_filetype, clap_preset_discovery_indexer,
        clap_preset_discovery_location, clap_preset_discovery_metadata_receiver,
        clap_preset_discovery_provider, clap_preset_discovery_provider_descriptor,
    },
    universal_plugin_id::clap_universal_plugin_id,
    version::CLAP_VERSION,
};
use kitwright_core::{
    kit::{Document, EXTENSION, Kit},
    library::kits_folder,
};
use nice_plug::prelude::ClapPlugin;
use std::{
    ffi::{CStr, CString, c_char, c_void},
    path::Path,
};

/// Id of the one provider.
const PROVIDER_ID: &CStr = c"org.kitwright.kits";

struct Descriptor(clap_preset_discovery_provider_descriptor);
// SAFETY: pointers to constants.
unsafe impl Sync for Descriptor {}

static DESCRIPTOR: Descriptor = Descriptor(clap_preset_discovery_provider_descriptor {
    clap_version: CLAP_VERSION,
    id: PROVIDER_ID.as_ptr(),
    name: c"Kitwright kits".as_ptr(),
    vendor: c"Kitwright".as_ptr(),
});

/// The factory that a host asks the library for.
pub(super) static PRESET_FACTORY: clap_preset_discovery_factory = clap_preset_discovery_factory {
    count: Some(count),
    get_descriptor: Some(get_descriptor),
    create: Some(create),
};

unsafe extern "C" fn count(_factory: *const clap_preset_discovery_factory) -> u32 {
    1
}

unsafe extern "C" fn get_descriptor(
    _factory: *const clap_preset_discovery_factory,
    index: u32,
) -> *const clap_preset_discovery_provider_descriptor {
    if index == 0 { &raw const DESCRIPTOR.0 } else { std::ptr::null() }
}

unsafe extern "C" fn create(
    _factory: *const clap_preset_discovery_factory,
    indexer: *const clap_preset_discovery_indexer,
    id: *const c_char,
) -> *const clap_preset_discovery_provider {
    // SAFETY: a C string when not null.
    if indexer.is_null() || id.is_null() || unsafe { CStr::from_ptr(id) } != PROVIDER_ID {
        return std::ptr::null();
    }
    Box::into_raw(Box::new(clap_preset_discovery_provider {
        desc: &raw const DESCRIPTOR.0,
        provider_data: indexer.cast_mut().cast(),
        init: Some(init),
        destroy: Some(destroy),
        get_metadata: Some(get_metadata),
        get_extension: Some(get_extension),
    }))
}

/// Declares kit files, and the folder that holds them where it is there.
unsafe extern "C" fn init(provider: *const clap_preset_discovery_provider) -> bool {
    let Ok(extension) = CString::new(EXTENSION) else { return false };
    let filetype = clap_preset_discovery_filetype {
        name: c"Kitwright kit".as_ptr(),
        description: c"A drum kit made of one instrument".as_ptr(),
        file_extension: extension.as_ptr(),
    };
    // SAFETY: made by `create`; the host's indexer outlives its providers.
    unsafe {
        let indexer = (*provider).provider_data.cast::<clap_preset_discovery_indexer>().cast_const();
        if !(*indexer).declare_filetype.is_some_and(|declare| declare(indexer, &filetype)) {
            return false;
        }
        let folder = kits_folder().filter(|folder| folder.is_dir());
        let Some(path) = folder.and_then(|folder| CString::new(folder.to_string_lossy().into_owned()).ok())
        else {
            return true;
        };
        let location = clap_preset_discovery_location {
            flags: CLAP_PRESET_DISCOVERY_IS_USER_CONTENT,
            name: c"Kits".as_ptr(),
            kind: CLAP_PRESET_DISCOVERY_LOCATION_FILE,
            location: path.as_ptr(),
        };
        (*indexer).declare_location.is_some_and(|declare| declare(indexer, &location))
    }
}

unsafe extern "C" fn destroy(provider: *const clap_preset_discovery_provider) {
    // SAFETY: made by `Box::into_raw` in `create`; the host uses it no more.
    drop(unsafe { Box::from_raw(provider.cast_mut()) });
}

unsafe extern "C" fn get_extension(
    _provider: *const clap_preset_discovery_provider,
    _id: *const c_char,
) -> *const c_void {
    std::ptr::null()
}

unsafe extern "C" fn get_metadata(
    _provider: *const clap_preset_discovery_provider,
    kind: u32,
    location: *const c_char,
    receiver: *const clap_preset_discovery_metadata_receiver,
) -> bool {
    if kind != CLAP_PRESET_DISCOVERY_LOCATION_FILE || location.is_null() || receiver.is_null() {
        return false;
    }
    // SAFETY: a C string.
    let path = unsafe { CStr::from_ptr(location) }.to_string_lossy();
    let document = Kit::read_document(Path::new(path.as_ref()));
    // SAFETY: the host's receiver, and strings that live throughout the calls.
    unsafe {
        match document {
            Ok(document) => describe(receiver, &document),
            Err(error) => {
                let sentence = CString::new(error.to_string()).unwrap_or_default();
                if let Some(on_error) = (*receiver).on_error {
                    on_error(receiver, 0, sentence.as_ptr());
                }
                false
            }
        }
    }
}

/// # Safety
/// `receiver` is the host's.
unsafe fn describe(receiver: *const clap_preset_discovery_metadata_receiver, document: &Document) -> bool {
    let text = |text: String| CString::new(text.replace('\0', "")).unwrap_or_default();
    let sounding = document.pads.iter().filter(|pad| !pad.is_empty());
    let roles: Vec<String> = sounding.map(|pad| pad.role.to_string()).collect();
    let (name, description) = (text(document.name.clone()), text(roles.join(", ")));
    let plugin_id = text(Kitwright::CLAP_ID.to_owned());
    let plugin = clap_universal_plugin_id { abi: c"clap".as_ptr(), id: plugin_id.as_ptr() };
    // SAFETY: by this function's contract; a receiver has all of these.
    unsafe {
        let receives = &*receiver;
        if !receives.begin_preset.is_some_and(|begin| begin(receiver, name.as_ptr(), std::ptr::null())) {
            return false;
        }
        if let Some(add_plugin_id) = receives.add_plugin_id {
            add_plugin_id(receiver, &plugin);
        }
        if let Some(set_description) = receives.set_description {
            set_description(receiver, description.as_ptr());
        }
        if let Some(add_feature) = receives.add_feature {
            add_feature(receiver, c"instrument".as_ptr());
            add_feature(receiver, c"drum".as_ptr());
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::progress::Quiet;
    use std::cell::RefCell;

    thread_local! {
        /// What the indexer and the receiver of this test were told.
        static TOLD: RefCell<Vec<String>> = const { RefCell::new(Vec::new()) };
    }

    fn tell(what: &str, text: *const c_char) -> bool {
        // SAFETY: a C string of the provider.
        let text = unsafe { CStr::from_ptr(text) }.to_string_lossy().into_owned();
        TOLD.with_borrow_mut(|told| told.push(format!("{what} {text}")));
        true
    }

    unsafe extern "C" fn filetype(
        _: *const clap_preset_discovery_indexer,
        filetype: *const clap_preset_discovery_filetype,
    ) -> bool {
        // SAFETY: the provider's own.
        tell("ending", unsafe { (*filetype).file_extension })
    }
    unsafe extern "C" fn location(
        _: *const clap_preset_discovery_indexer,
        _: *const clap_preset_discovery_location,
    ) -> bool {
        true
    }
    unsafe extern "C" fn error(
        _: *const clap_preset_discovery_metadata_receiver,
        _: i32,
        text: *const c_char,
    ) {
        tell("error", text);
    }
    unsafe extern "C" fn begin(
        _: *const clap_preset_discovery_metadata_receiver,
        name: *const c_char,
        _: *const c_char,
    ) -> bool {
        tell("name", name)
    }
    unsafe extern "C" fn plugin(
        _: *const clap_preset_discovery_metadata_receiver,
        id: *const clap_universal_plugin_id,
    ) {
        // SAFETY: the provider's own.
        tell("plugin", unsafe { (*id).id });
    }

    #[test]
    fn a_kit_file_is_described_and_another_file_is_refused_in_a_sentence() {
        let folder = tempfile::tempdir().unwrap();
        let (kit_file, other) = (folder.path().join("a.kitwright"), folder.path().join("b.kitwright"));
        let mut kit = Kit::default();
        kit.doc.name = "Chair".into();
        kit.save(&kit_file, &Quiet).unwrap();
        std::fs::write(&other, "no kit").unwrap();
        let indexer = clap_preset_discovery_indexer {
            clap_version: CLAP_VERSION,
            name: c"test".as_ptr(),
            vendor: c"".as_ptr(),
            url: c"".as_ptr(),
            version: c"1".as_ptr(),
            indexer_data: std::ptr::null_mut(),
            declare_filetype: Some(filetype),
            declare_location: Some(location),
            declare_soundpack: None,
            get_extension: None,
        };
        let receiver = clap_preset_discovery_metadata_receiver {
            receiver_data: std::ptr::null_mut(),
            on_error: Some(error),
            begin_preset: Some(begin),
            add_plugin_id: Some(plugin),
            set_soundpack_id: None,
            set_flags: None,
            add_creator: None,
            set_description: None,
            set_timestamps: None,
            add_feature: None,
            add_extra_info: None,
        };
        let read = |provider: *const clap_preset_discovery_provider, path: &Path| {
            let path = CString::new(path.to_str().unwrap()).unwrap();
            // SAFETY: a provider of the factory, and whole structures of the test.
            unsafe {
                let get = (*provider).get_metadata.unwrap();
                get(provider, CLAP_PRESET_DISCOVERY_LOCATION_FILE, path.as_ptr(), &receiver)
            }
        };
        // SAFETY: in the order that CLAP demands.
        unsafe {
            assert!(create(&PRESET_FACTORY, &indexer, c"another".as_ptr()).is_null());
            let provider = create(&PRESET_FACTORY, &indexer, PROVIDER_ID.as_ptr());
            assert!((*provider).init.unwrap()(provider));
            assert!(read(provider, &kit_file));
            assert!(!read(provider, &other));
            (*provider).destroy.unwrap()(provider);
        }
        let told = TOLD.take();
        assert_eq!(told[..3], ["ending kitwright", "name Chair", "plugin org.kitwright.kitwright"]);
        assert!(told[3].starts_with("error") && told[3].contains("b.kitwright"), "{told:?}");
    }
}
