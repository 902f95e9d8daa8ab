//! Draws frames with OpenGL, into a picture that is kept between frames.

use super::changes::FrameChanges;
use baseview::{HandlerError, WindowContext, dpi::PhysicalSize, gl::GlContext};
use egui::epaint::ClippedShape;
use egui_glow::{
    Painter,
    glow::{self, HasContext as _},
};
use std::sync::Arc;

/// The painter of one window.
pub(super) struct WindowCanvas {
    context: GlContext,
    gl: Arc<glow::Context>,
    painter: Painter,
    kept: KeptPicture,
    changes: FrameChanges,
}

impl WindowCanvas {
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
        Ok(Self { context, gl, painter, kept: KeptPicture::default(), changes: FrameChanges::default() })
    }

    /// Longest side of a texture, pixels.
    pub fn max_texture_side(&self) -> usize {
        self.painter.max_texture_side()
    }

    /// Paints the parts that a frame changes and shows the picture.
    ///
    /// # Errors
    /// When the OpenGL context is lost.
    pub fn paint(
        &mut self,
        egui: &egui::Context,
        size: PhysicalSize<u32>,
        pixels_per_point: f32,
        shapes: Vec<ClippedShape>,
        textures: &mut egui::TexturesDelta,
    ) -> Result<(), HandlerError> {
        // glyphs may have moved within the font texture
        if !textures.set.is_empty() {
            self.changes.forget();
        }
        // SAFETY: the window's own thread; made not current again before this returns to the host's code.
        unsafe { self.context.make_current()? };
        // SAFETY: the context is current.
        if !unsafe { self.kept.fit(&self.gl, size) } {
            self.changes.forget();
        }
        let (places, shapes) = self.changes.next(shapes, size, pixels_per_point);
        let primitives = egui.tessellate(shapes, pixels_per_point);
        // SAFETY: as above.
        unsafe {
            self.gl.clear_color(0.0, 0.0, 0.0, 1.0);
            self.gl.enable(glow::SCISSOR_TEST);
            for place in places {
                let px = |points: f32| (points * pixels_per_point).round() as i32;
                let (width, height) = (px(place.width()), px(place.height()));
                self.gl.scissor(px(place.min.x), size.height as i32 - px(place.max.y), width, height);
                self.gl.clear(glow::COLOR_BUFFER_BIT);
            }
        }
        let screen = [size.width, size.height];
        self.painter.paint_and_update_textures(screen, pixels_per_point, &primitives, textures);
        // SAFETY: as above.
        unsafe { self.kept.show(&self.gl) };
        let shown = self.context.swap_buffers();
        // SAFETY: as above.
        unsafe { self.context.make_not_current()? };
        Ok(shown?)
    }
}

/// The picture kept between frames: the system does not keep the window's contents.
#[derive(Default)]
struct KeptPicture {
    picture: Option<(glow::Framebuffer, glow::Renderbuffer)>,
    size: PhysicalSize<u32>,
}

impl KeptPicture {
    /// Directs drawing to the picture; false when the picture is new and must be drawn whole.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn fit(&mut self, gl: &glow::Context, size: PhysicalSize<u32>) -> bool {
        // SAFETY: by this function's contract.
        unsafe {
            if let Some((buffer, _)) = self.picture
                && self.size == size
            {
                gl.bind_framebuffer(glow::FRAMEBUFFER, Some(buffer));
                return true;
            }
            self.drop_picture(gl);
            let (Ok(buffer), Ok(pixels)) = (gl.create_framebuffer(), gl.create_renderbuffer()) else {
                return false;
            };
            self.picture = Some((buffer, pixels));
            self.size = size;
            gl.bind_renderbuffer(glow::RENDERBUFFER, Some(pixels));
            gl.renderbuffer_storage(glow::RENDERBUFFER, glow::RGBA8, size.width as i32, size.height as i32);
            gl.bind_renderbuffer(glow::RENDERBUFFER, None);
            gl.bind_framebuffer(glow::FRAMEBUFFER, Some(buffer));
            let (attachment, kind) = (glow::COLOR_ATTACHMENT0, glow::RENDERBUFFER);
            gl.framebuffer_renderbuffer(glow::FRAMEBUFFER, attachment, kind, Some(pixels));
            if gl.check_framebuffer_status(glow::FRAMEBUFFER) != glow::FRAMEBUFFER_COMPLETE {
                // then every frame is drawn whole, into the window
                self.drop_picture(gl);
            }
            false
        }
    }

    /// Copies the picture to the window.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn show(&self, gl: &glow::Context) {
        let Some((buffer, _)) = self.picture else { return };
        let (width, height) = (self.size.width as i32, self.size.height as i32);
        // SAFETY: by this function's contract.
        unsafe {
            gl.bind_framebuffer(glow::READ_FRAMEBUFFER, Some(buffer));
            gl.bind_framebuffer(glow::DRAW_FRAMEBUFFER, None);
            let (mask, filter) = (glow::COLOR_BUFFER_BIT, glow::NEAREST);
            gl.blit_framebuffer(0, 0, width, height, 0, 0, width, height, mask, filter);
            gl.bind_framebuffer(glow::FRAMEBUFFER, None);
        }
    }

    /// # Safety
    /// The context must be current.
    unsafe fn drop_picture(&mut self, gl: &glow::Context) {
        if let Some((buffer, pixels)) = self.picture.take() {
            // SAFETY: by this function's contract.
            unsafe {
                gl.bind_framebuffer(glow::FRAMEBUFFER, None);
                gl.delete_framebuffer(buffer);
                gl.delete_renderbuffer(pixels);
            }
        }
    }
}

impl Drop for WindowCanvas {
    fn drop(&mut self) {
        // if the context cannot be made current, the painter's textures and buffers are freed with the context
        // SAFETY: the window's own thread, on which no other context is current.
        if unsafe { self.context.make_current() }.is_ok() {
            self.painter.destroy();
            // SAFETY: the context is current.
            unsafe { self.kept.drop_picture(&self.gl) };
            // SAFETY: as above. A failure needs no handling: the window closes.
            let _ = unsafe { self.context.make_not_current() };
        }
    }
}
