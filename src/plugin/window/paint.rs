//! Draws frames with OpenGL, into a picture that is kept between frames.

use super::{
    changes::{Changed, FrameChanges},
    copied::{Copied, Place},
    graphics_library,
    images::WindowImages,
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
    /// Shows the picture instead of OpenGL.
    images: Option<WindowImages>,
    font_size: [usize; 2],
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
        graphics_library::keep_loaded();
        // SAFETY: the context is current, so that its functions can be looked up.
        let gl = Arc::new(unsafe {
            glow::Context::from_loader_function_cstr(|name| context.get_proc_address(name))
        });
        let painter = Painter::new(gl.clone(), "", None, true)?;
        // SAFETY: the context is current.
        let renderer = unsafe { gl.get_parameter_string(glow::RENDERER) };
        // SAFETY: as above.
        unsafe { context.make_not_current()? };
        let keeps = keeps_back_buffer(&renderer);
        let copied = Copied::new(keeps);
        let images = if keeps { WindowImages::open(window) } else { None };
        Ok(Self {
            context,
            gl,
            painter,
            kept: KeptPicture::default(),
            changes: FrameChanges::default(),
            copied,
            images,
            font_size: [0; 2],
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
        if may_change_shown(textures, &mut self.font_size) {
            self.changes.forget();
        }
        // SAFETY: the window's own thread; made not current again before this returns to the host's code.
        unsafe { self.context.make_current()? };
        // SAFETY: the context is current.
        if !unsafe { self.kept.fit(&self.gl, size) } {
            self.changes.forget();
        }
        let Changed { places, shapes, ground } = self.changes.next(shapes, size, pixels_per_point);
        let places: Vec<Place> =
            places.iter().map(|place| Place::of(*place, size.height, pixels_per_point)).collect();
        let primitives = egui.tessellate(shapes, pixels_per_point);
        // SAFETY: as above.
        unsafe {
            let [red, green, blue, _] = ground.to_array().map(|part| f32::from(part) / 255.0);
            self.gl.clear_color(red, green, blue, 1.0);
            self.gl.enable(glow::SCISSOR_TEST);
            for Place { left, bottom, width, height } in &places {
                self.gl.scissor(*left, *bottom, *width, *height);
                self.gl.clear(glow::COLOR_BUFFER_BIT);
            }
        }
        let screen = [size.width, size.height];
        self.painter.paint_and_update_textures(screen, pixels_per_point, &primitives, textures);
        let shown = self.copied.next(Instant::now(), size, &places);
        // SAFETY: as above.
        let shown = unsafe { self.show(size, &places, &shown) };
        // SAFETY: as above.
        unsafe { self.context.make_not_current()? };
        shown
    }

    /// Shows these parts of the picture in the window; `changed` is what this frame has drawn.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn show(
        &mut self,
        size: PhysicalSize<u32>,
        changed: &[Place],
        shown: &[Place],
    ) -> Result<(), HandlerError> {
        // SAFETY: by this function's contract.
        unsafe {
            if let Some(images) = &mut self.images
                && self.kept.bind_for_reading(&self.gl)
            {
                match images.put(&self.gl, size, changed, shown) {
                    Ok(()) => return Ok(()),
                    // OpenGL's own connection may live on
                    Err(_) => self.images = None,
                }
            }
            self.kept.copy_to_window(&self.gl, shown);
        }
        Ok(self.context.swap_buffers()?)
    }
}

/// Whether new textures may change how what is already shown looks. New letters are put beside those that the font's
/// texture has, and when it grows, rows are added below; only a texture that is replaced otherwise may have letters
/// elsewhere. `font` is the size that the font's texture had, and has then.
fn may_change_shown(textures: &egui::TexturesDelta, font: &mut [usize; 2]) -> bool {
    let mut may_change = false;
    for (id, deltas) in &textures.set {
        if *id != egui::TextureId::default() {
            may_change |= !deltas.is_empty();
            continue;
        }
        for delta in deltas.iter().filter(|delta| delta.is_whole()) {
            let [width, height] = delta.image.size();
            let grows = width == font[0] && height > font[1];
            may_change |= !grows;
            *font = [width, height];
        }
    }
    may_change
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
    picture: Option<(glow::Framebuffer, glow::Texture)>,
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
            let (Ok(buffer), Ok(pixels)) = (gl.create_framebuffer(), gl.create_texture()) else {
                return false;
            };
            self.picture = Some((buffer, pixels));
            self.size = size;
            let (width, height) = (size.width as i32, size.height as i32);
            gl.bind_texture(glow::TEXTURE_2D, Some(pixels));
            gl.tex_parameter_i32(glow::TEXTURE_2D, glow::TEXTURE_MIN_FILTER, glow::NEAREST as i32);
            // this order of the colours is a window's on X11, and Mesa keeps the one that is given here
            let (format, kind) = (glow::BGRA, glow::UNSIGNED_INT_8_8_8_8_REV);
            let none = glow::PixelUnpackData::Slice(None);
            gl.tex_image_2d(glow::TEXTURE_2D, 0, glow::RGBA8 as i32, width, height, 0, format, kind, none);
            gl.bind_texture(glow::TEXTURE_2D, None);
            gl.bind_framebuffer(glow::FRAMEBUFFER, Some(buffer));
            let (place, kind) = (glow::COLOR_ATTACHMENT0, glow::TEXTURE_2D);
            gl.framebuffer_texture_2d(glow::FRAMEBUFFER, place, kind, Some(pixels), 0);
            if gl.check_framebuffer_status(glow::FRAMEBUFFER) != glow::FRAMEBUFFER_COMPLETE {
                // then every frame is drawn whole, into the window
                self.drop_picture(gl);
            }
            false
        }
    }

    /// Directs reading to the picture; false when there is none.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn bind_for_reading(&self, gl: &glow::Context) -> bool {
        let Some((buffer, _)) = self.picture else { return false };
        // SAFETY: by this function's contract.
        unsafe { gl.bind_framebuffer(glow::FRAMEBUFFER, Some(buffer)) };
        true
    }

    /// Copies these parts of the picture to the window.
    ///
    /// # Safety
    /// The context must be current.
    unsafe fn copy_to_window(&self, gl: &glow::Context, places: &[Place]) {
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
                gl.delete_texture(pixels);
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
    fn new_letters_and_a_larger_font_texture_leave_the_picture_and_other_textures_do_not() {
        let image = |size| egui::ColorImage::filled(size, egui::Color32::WHITE);
        let whole = |size| ImageDelta::full(image(size), TextureOptions::LINEAR);
        let part = ImageDelta::partial([8, 8], image([4, 4]), TextureOptions::LINEAR);
        let mut size = [0; 2];
        let mut may_change = |deltas: &[(TextureId, &ImageDelta)]| {
            let mut textures = TexturesDelta::default();
            deltas.iter().for_each(|(id, delta)| textures.push(*id, (*delta).clone()));
            let may_change = may_change_shown(&textures, &mut size);
            textures.clear();
            may_change
        };
        let font = TextureId::default();
        assert!(!may_change(&[]));
        assert!(may_change(&[(font, &whole([64, 32]))]), "the first");
        assert!(!may_change(&[(font, &part)]));
        assert!(!may_change(&[(font, &whole([64, 64]))]), "it grows");
        assert!(may_change(&[(font, &whole([64, 64]))]), "made anew");
        assert!(may_change(&[(font, &whole([64, 32]))]), "made anew");
        assert!(may_change(&[(font, &whole([128, 64]))]), "of another width");
        assert!(!may_change(&[(font, &whole([128, 128])), (font, &part)]), "it grows and gets letters");
        assert!(may_change(&[(TextureId::User(1), &part)]));
        assert!(may_change(&[(TextureId::User(1), &whole([128, 256]))]));
    }
}
