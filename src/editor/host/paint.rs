//! Frames through OpenGL: baseview's context, egui's painter.

use baseview::{HandlerError, WindowContext, dpi::PhysicalSize, gl::GlContext};
use egui_glow::{
    Painter,
    glow::{self, HasContext as _},
};
use std::sync::Arc;

/// The painter of one window.
pub(super) struct Canvas {
    context: GlContext,
    gl: Arc<glow::Context>,
    painter: Painter,
}

impl Canvas {
    /// Loads OpenGL and builds the shaders.
    ///
    /// # Errors
    /// When the system offers no usable OpenGL 3.2.
    pub fn new(window: &WindowContext) -> Result<Self, HandlerError> {
        let context = window
            .gl_context()
            .ok_or_else(|| std::io::Error::other("the system gives the window no OpenGL context"))?;
        // SAFETY: the window's own thread, on which no other context is current.
        unsafe { context.make_current()? };
        // SAFETY: the context is current, so that its functions can be looked up.
        let gl = Arc::new(unsafe {
            glow::Context::from_loader_function_cstr(|name| context.get_proc_address(name))
        });
        let painter = Painter::new(gl.clone(), "", None, true)?;
        // SAFETY: as above.
        unsafe { context.make_not_current()? };
        Ok(Self { context, gl, painter })
    }

    /// Longest side of a texture, pixels.
    pub fn max_texture_side(&self) -> usize {
        self.painter.max_texture_side()
    }

    /// Paints a frame and shows it.
    ///
    /// # Errors
    /// When the system takes the context away.
    pub fn paint(
        &mut self,
        size: PhysicalSize<u32>,
        pixels_per_point: f32,
        shapes: &[egui::ClippedPrimitive],
        textures: &mut egui::TexturesDelta,
    ) -> Result<(), HandlerError> {
        // SAFETY: the window's own thread; made not current again before this returns to the host's code.
        unsafe { self.context.make_current()? };
        // SAFETY: the context is current.
        unsafe {
            self.gl.clear_color(0.0, 0.0, 0.0, 1.0);
            self.gl.clear(glow::COLOR_BUFFER_BIT);
        }
        self.painter.paint_and_update_textures([size.width, size.height], pixels_per_point, shapes, textures);
        let shown = self.context.swap_buffers();
        // SAFETY: as above.
        unsafe { self.context.make_not_current()? };
        Ok(shown?)
    }
}

impl Drop for Canvas {
    fn drop(&mut self) {
        // the painter's textures and buffers belong to the context: without it they go with the context
        // SAFETY: the window's own thread, on which no other context is current.
        if unsafe { self.context.make_current() }.is_ok() {
            self.painter.destroy();
            // SAFETY: as above. Nothing is left to do when it fails: the window is going.
            let _ = unsafe { self.context.make_not_current() };
        }
    }
}
