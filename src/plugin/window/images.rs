//! The picture put onto a window without OpenGL, on X11 alone.

#[cfg(not(target_os = "linux"))]
mod none;
#[cfg(target_os = "linux")]
mod x11;

#[cfg(not(target_os = "linux"))]
pub(super) use none::WindowImages;
#[cfg(target_os = "linux")]
pub(super) use x11::WindowImages;
