//! Draws frames with OpenGL, into a picture that is kept between frames.

use super::{
    changes::FrameChanges,
    copied::{Copied, Place},
};
use baseview::{HandlerError, WindowContext, dpi::PhysicalSize, gl::GlContext};
use egui::epaint::ClippedShape;
use egui_glow::{
    Painter,
    glow::{self, HasContext as _},
};
use std::{sync::Arc, time::Instant};

/// The painter of one window.
pub(super) struct WindowCanvas {
    context: GlContext,
    gl: Arc<glow::Context>,
    painter: Painter,
    kept: KeptPicture,
    changes: FrameChanges,
    copied: Copied,
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
        // SAFETY: the context is current.
        let renderer = unsafe { gl.get_parameter_string(glow::RENDERER) };
        // SAFETY: as above.
        unsafe { context.make_not_current()? };
        let copied = Copied::new(keeps_back_buffer(&renderer));
        Ok(Self {
            context,
            gl,
            painter,
            kept: KeptPicture::default(),
            changes: FrameChanges::default(),
            copied,
        })
    }

    /// Longest side of a texture, pixels.
    pub fn max_texture_side(&self) -> usize {
        self.painter.max_texture_side()
    }

    /// The system has shown a part of the window anew.
    pub fn expose(&mut self) {
        self.copied.expose();
    }

    /// Whether further frames must show the rest of the picture.
    pub fn is_behind(&self) -> bool {
        self.copied.is_behind()
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
        if may_change_shown(textures) {
            self.changes.forget();
        }
        // SAFETY: the window's own thread; made not current again before this returns to the host's code.
        unsafe { self.context.make_current()? };
        // SAFETY: the context is current.
        if !unsafe { self.kept.fit(&self.gl, size) } {
            self.changes.forget();
        }
        let (places, shapes) = self.changes.next(shapes, size, pixels_per_point);
        let places: Vec<Place> =
            places.iter().map(|place| Place::of(*place, size.height, pixels_per_point)).collect();
        let primitives = egui.tessellate(shapes, pixels_per_point);
        // SAFETY: as above.
        unsafe {
            self.gl.clear_color(0.0, 0.0, 0.0, 1.0);
            self.gl.enable(glow::SCISSOR_TEST);
            for Place { left, bottom, width, height } in &places {
                self.gl.scissor(*left, *bottom, *width, *height);
                self.gl.clear(glow::COLOR_BUFFER_BIT);
            }
        }
        let screen = [size.width, size.height];
        self.painter.paint_and_update_textures(screen, pixels_per_point, &primitives, textures);
        // SAFETY: as above.
        unsafe { self.kept.show(&self.gl, &self.copied.next(Instant::now(), size, &places)) };
        let shown = self.context.swap_buffers();
        // SAFETY: as above.
        unsafe { self.context.make_not_current()? };
        Ok(shown?)
    }
}

/// Whether new textures may change how what is already shown looks. New letters are put beside those that the font's
/// texture has; only a texture that is replaced as a whole, as when it grows, may have them elsewhere.
fn may_change_shown(textures: &egui::TexturesDelta) -> bool {
    let whole = |deltas: &[egui::epaint::ImageDelta]| deltas.iter().any(egui::epaint::ImageDelta::is_whole);
    textures.set.iter().any(|(id, deltas)| *id != egui::TextureId::default() || whole(deltas))
}

/// Whether what was drawn into the window is still there for the next frame. Mesa's software renderers put their buffer on
/// the screen as an image and go on with it; the standard leaves it open (EGL 1.5, 3.10.1).
fn keeps_back_buffer(renderer: &str) -> bool {
    let is = |name: &str| renderer.to_lowercase().contains(name);
    cfg!(target_os = "linux") && (is("llvmpipe") || is("softpipe")) && !is("zink")
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

    /// Copies these parts of the picture to the window.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn show(&self, gl: &glow::Context, places: &[Place]) {
        let Some((buffer, _)) = self.picture else { return };
        // SAFETY: by this function's contract.
        unsafe {
            gl.bind_framebuffer(glow::READ_FRAMEBUFFER, Some(buffer));
            gl.bind_framebuffer(glow::DRAW_FRAMEBUFFER, None);
            gl.disable(glow::SCISSOR_TEST);
            for Place { left, bottom, width, height } in places {
                let (right, top) = (left + width, bottom + height);
                let (mask, filter) = (glow::COLOR_BUFFER_BIT, glow::NEAREST);
                gl.blit_framebuffer(*left, *bottom, right, top, *left, *bottom, right, top, mask, filter);
            }
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

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{TextureId, TextureOptions, TexturesDelta, epaint::ImageDelta};

    #[test]
    fn only_software_renderers_of_mesa_keep_what_was_drawn_into_the_window() {
        for (name, keeps) in [
            ("llvmpipe (LLVM 15.0.6, 256 bits)", true),
            ("softpipe", true),
            ("zink Vulkan 1.3 (llvmpipe (LLVM 17.0.6, 256 bits))", false),
            ("Mesa Intel(R) Graphics (RPL-P)", false),
            ("", false),
        ] {
            assert_eq!(keeps_back_buffer(name), keeps && cfg!(target_os = "linux"), "{name}");
        }
    }

    #[test]
    fn new_letters_leave_the_picture_and_other_textures_do_not() {
        let image = egui::ColorImage::filled([4, 4], egui::Color32::WHITE);
        let options = TextureOptions::LINEAR;
        let font = TextureId::default();
        let whole = ImageDelta::full(image.clone(), options);
        let part = ImageDelta::partial([8, 8], image, options);
        let may_change = |id, delta: &ImageDelta| {
            let mut textures = TexturesDelta::default();
            textures.push(id, delta.clone());
            let may_change = may_change_shown(&textures);
            textures.clear();
            may_change
        };
        assert!(!may_change_shown(&TexturesDelta::default()));
        assert!(!may_change(font, &part));
        assert!(may_change(font, &whole));
        assert!(may_change(TextureId::User(1), &part));
    }
}
