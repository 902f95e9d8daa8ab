//! Systems other than X11: OpenGL alone shows the picture.

use crate::plugin::window::copied::Place;
use baseview::{WindowContext, dpi::PhysicalSize};
use egui_glow::glow;

/// Never there.
pub enum WindowImages {}

impl WindowImages {
    /// None on this system.
    pub fn open(_window: &WindowContext) -> Option<Self> {
        None
    }

    /// Never called.
    ///
    /// # Safety
    /// Can always be called.
    pub unsafe fn put(
        &mut self,
        _gl: &glow::Context,
        _size: PhysicalSize<u32>,
        _changed: &[Place],
        _shown: &[Place],
    ) -> std::io::Result<()> {
        match *self {}
    }
}
