//! Keeps the graphics library in memory between windows (Linux).
//!
//! Baseview (0.4) loads libEGL for each window and lets go of it, and of the driver, with the window. Each time Mesa (22.3)
//! leaves something behind: a table of 830 names, about 30 kB with what the allocator adds, and 10 MB of addresses for
//! generated code, of which 12 kB are in use.

#[cfg(target_os = "linux")]
pub(super) use linux::keep_loaded;

/// Does nothing on other systems.
#[cfg(not(target_os = "linux"))]
pub(super) fn keep_loaded() {}

#[cfg(target_os = "linux")]
mod linux {
    use std::{
        ffi::{CStr, CString, c_int, c_void},
        sync::Once,
    };

    /// Keeps libEGL and Mesa's driver, which an open window has loaded, as long as the process lives, as the plugin
    /// itself is kept (`build.rs`). The first call counts.
    pub fn keep_loaded() {
        static ONCE: Once = Once::new();
        ONCE.call_once(|| {
            let flags = libc::RTLD_LAZY | libc::RTLD_NOLOAD | libc::RTLD_NODELETE;
            for library in loaded().iter().filter(|path| is_graphics(&path.to_string_lossy())) {
                // SAFETY: a path that ends with zero; what is not loaded is not loaded by this.
                unsafe { libc::dlopen(library.as_ptr(), flags) };
            }
        });
    }

    /// Paths of the libraries that this process has loaded.
    fn loaded() -> Vec<CString> {
        /// Adds one library's path to the list.
        unsafe extern "C" fn add(info: *mut libc::dl_phdr_info, _: usize, paths: *mut c_void) -> c_int {
            // SAFETY: the loader gives a library, and the list below, which outlives the call.
            unsafe {
                let path = CStr::from_ptr((*info).dlpi_name);
                (*paths.cast::<Vec<CString>>()).push(path.to_owned());
            }
            0
        }
        let mut paths = Vec::new();
        // SAFETY: `add` reads what it is given as what it is.
        unsafe { libc::dl_iterate_phdr(Some(add), (&raw mut paths).cast()) };
        paths
    }

    /// Whether a library is libEGL, a part of it, or one of Mesa's drivers.
    fn is_graphics(path: &str) -> bool {
        let name = path.rsplit('/').next().unwrap_or(path);
        name.starts_with("libEGL") || name.starts_with("libgallium") || name.ends_with("_dri.so")
    }

    #[cfg(test)]
    mod tests {
        use super::*;

        #[test]
        fn graphics_libraries_are_known_by_their_names() {
            for (path, is) in [
                ("/usr/lib/x86_64-linux-gnu/libEGL.so.1", true),
                ("/lib/libEGL_mesa.so.0", true),
                ("/usr/lib/x86_64-linux-gnu/dri/swrast_dri.so", true),
                ("/usr/lib/x86_64-linux-gnu/libgallium-24.2.8.so", true),
                ("/usr/lib/x86_64-linux-gnu/libc.so.6", false),
                ("/opt/libEGL/other.so", false),
                ("", false),
            ] {
                assert_eq!(is_graphics(path), is, "{path}");
            }
            assert!(loaded().iter().any(|path| path.to_string_lossy().contains("libc.so")));
        }
    }
}
