//! Keeps the plugin in memory once it was loaded (Linux).
//!
//! The window's labels reach screen readers by a thread of `accesskit_unix` that lives as long as the process;
//! a host that unloads the plugin would take the code away from under it.

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").is_ok_and(|os| os == "linux") {
        println!("cargo:rustc-link-arg-cdylib=-Wl,-z,nodelete");
    }
}
