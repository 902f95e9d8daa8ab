//! Puts parts of the picture onto an X11 window as images, without OpenGL's way to the screen.
//!
//! Mesa's software renderers send the whole window to the X server with each frame, whatever has changed (EGL, Mesa
//! 22.3): 33 MB through a socket at 3840 x 2160, 14 ms of each frame and now and then 50 to 200 ms. Before that the
//! changed parts are drawn into the window's buffer, which is in another format than the picture: 13 ms for each million
//! pixels. Here they are read from the picture and sent as they are.

use crate::plugin::window::copied::Place;
use baseview::{WindowContext, dpi::PhysicalSize};
use egui_glow::glow::{self, HasContext as _};
use raw_window_handle::{HasWindowHandle as _, RawWindowHandle};
use x11rb::{
    connection::{Connection as _, RequestConnection as _},
    errors::ReplyOrIdError,
    protocol::xproto::{ConnectionExt as _, CreateGCAux, Gcontext, ImageFormat, ImageOrder, Pixmap, Window},
    rust_connection::RustConnection,
};

/// Most bytes that are sent at once: while the server copies them, the next are read.
const BAND_BYTES: usize = 1 << 20;
/// Bytes of a pixel: blue, green, red, and one that is not shown.
const PIXEL: usize = 4;

/// A connection to the X server for the images of one window.
pub struct WindowImages {
    connection: RustConnection,
    window: Window,
    context: Gcontext,
    depth: u8,
    /// The picture as the server has it: a frame appears at once and not band by band.
    picture: Option<(Pixmap, PhysicalSize<u32>)>,
    /// Pixels as read, from the lowest row up, and as sent, from the highest down.
    read: Vec<u8>,
    sent: Vec<u8>,
}

impl WindowImages {
    /// Connects to the server; `None` where the window's pixels are in another form than the picture's.
    pub fn open(window: &WindowContext) -> Option<Self> {
        let window = match window.window_handle().ok()?.as_raw() {
            RawWindowHandle::Xlib(handle) => u32::try_from(handle.window).ok()?,
            RawWindowHandle::Xcb(handle) => handle.window.get(),
            _ => return None,
        };
        let (connection, _) = x11rb::connect(None).ok()?;
        let depth = connection.get_geometry(window).ok()?.reply().ok()?.depth;
        let visual = connection.get_window_attributes(window).ok()?.reply().ok()?.visual;
        let setup = connection.setup();
        let format = setup.pixmap_formats.iter().find(|format| format.depth == depth)?;
        let mut visuals = setup.roots.iter().flat_map(|root| &root.allowed_depths).flat_map(|d| &d.visuals);
        let visual = visuals.find(|known| known.visual_id == visual)?;
        let is_bgr = (visual.red_mask, visual.green_mask, visual.blue_mask) == (0xff_0000, 0xff00, 0xff);
        let is_words = (format.bits_per_pixel, format.scanline_pad) == (32, 32);
        if !is_bgr || !is_words || setup.image_byte_order != ImageOrder::LSB_FIRST {
            return None;
        }
        let context = connection.generate_id().ok()?;
        // copies within the server tell nobody that they were made
        let aux = CreateGCAux::new().graphics_exposures(0);
        connection.create_gc(context, window, &aux).ok()?.check().ok()?;
        // asks the server now and not within the first frame
        connection.maximum_request_bytes();
        Some(Self { connection, window, context, depth, picture: None, read: Vec::new(), sent: Vec::new() })
    }

    /// Sends the parts of the picture that have changed, and shows these parts of it. The picture must be bound for
    /// reading.
    ///
    /// # Errors
    /// When the connection to the server is lost.
    ///
    /// # Safety
    /// The OpenGL context must be current.
    pub unsafe fn put(
        &mut self,
        gl: &glow::Context,
        size: PhysicalSize<u32>,
        changed: &[Place],
        shown: &[Place],
    ) -> Result<(), ReplyOrIdError> {
        let whole = [Place { left: 0, bottom: 0, width: size.width as i32, height: size.height as i32 }];
        let (picture, is_new) = self.fit(size)?;
        let most = BAND_BYTES.min(self.connection.maximum_request_bytes().saturating_sub(64));
        let changed = if is_new { &whole } else { changed };
        for band in changed.iter().flat_map(|place| bands(*place, size, most)) {
            // SAFETY: by this function's contract.
            unsafe { self.read(gl, band) };
            self.send(picture, band, size)?;
        }
        for Place { left, bottom, width, height } in shown.iter().filter_map(|place| cut(*place, size)) {
            let (x, y) = (left as i16, (size.height as i32 - bottom - height) as i16);
            let (window, context, width, height) = (self.window, self.context, width as u16, height as u16);
            // the host may have ended the window already
            self.connection.copy_area(picture, window, context, x, y, x, y, width, height)?.ignore_error();
        }
        self.connection.flush()?;
        // keyboard maps that change are told to every connection
        while self.connection.poll_for_event()?.is_some() {}
        Ok(())
    }

    /// The server's picture in this size, and whether it is new.
    fn fit(&mut self, size: PhysicalSize<u32>) -> Result<(Pixmap, bool), ReplyOrIdError> {
        if let Some((picture, its)) = self.picture
            && its == size
        {
            return Ok((picture, false));
        }
        if let Some((picture, _)) = self.picture.take() {
            self.connection.free_pixmap(picture)?.ignore_error();
        }
        let picture = self.connection.generate_id()?;
        let (width, height) = (size.width as u16, size.height as u16);
        self.connection.create_pixmap(self.depth, picture, self.window, width, height)?.check()?;
        self.picture = Some((picture, size));
        Ok((picture, true))
    }

    /// Reads a part of the picture into `sent`.
    ///
    /// # Safety
    /// The OpenGL context must be current.
    unsafe fn read(&mut self, gl: &glow::Context, Place { left, bottom, width, height }: Place) {
        let row = width as usize * PIXEL;
        self.read.resize(row * height as usize, 0);
        let (format, kind) = (glow::BGRA, glow::UNSIGNED_BYTE);
        let pixels = glow::PixelPackData::Slice(Some(&mut self.read));
        // SAFETY: by this function's contract; rows of four-byte pixels have no padding.
        unsafe { gl.read_pixels(left, bottom, width, height, format, kind, pixels) };
        self.sent.clear();
        self.read.rchunks_exact(row).for_each(|row| self.sent.extend_from_slice(row));
    }

    /// Sends what is in `sent` to its place in the server's picture.
    fn send(
        &self,
        picture: Pixmap,
        place: Place,
        size: PhysicalSize<u32>,
    ) -> Result<(), x11rb::errors::ConnectionError> {
        let (x, y) = (place.left as i16, (size.height as i32 - place.bottom - place.height) as i16);
        let (width, height) = (place.width as u16, place.height as u16);
        let (context, format, depth) = (self.context, ImageFormat::Z_PIXMAP, self.depth);
        let sent =
            self.connection.put_image(format, picture, context, width, height, x, y, 0, depth, &self.sent)?;
        sent.ignore_error();
        self.connection.flush()
    }
}

/// A place without what lies outside the window; `None` when nothing is left.
fn cut(place: Place, size: PhysicalSize<u32>) -> Option<Place> {
    let (left, bottom) = (place.left.max(0), place.bottom.max(0));
    let right = (place.left + place.width).min(size.width as i32);
    let top = (place.bottom + place.height).min(size.height as i32);
    let cut = Place { left, bottom, width: right - left, height: top - bottom };
    (cut.width > 0 && cut.height > 0).then_some(cut)
}

/// A place, cut at the window's edges, in bands of at most so many bytes, from the highest down.
fn bands(place: Place, size: PhysicalSize<u32>, most: usize) -> impl Iterator<Item = Place> {
    cut(place, size).into_iter().flat_map(move |Place { left, bottom, width, height }| {
        let rows = (most / (width as usize * PIXEL)).max(1) as i32;
        (0..(height + rows - 1) / rows).map(move |i| {
            let end = bottom + height - i * rows;
            let start = (end - rows).max(bottom);
            Place { left, bottom: start, width, height: end - start }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_cover_each_row_once_and_are_small_enough() {
        let size = PhysicalSize::new(3840, 2160);
        let place = Place { left: 10, bottom: 7, width: 3000, height: 1001 };
        let most = 1 << 20;
        let mut rows = vec![0; 2160];
        for band in bands(place, size, most) {
            assert_eq!((band.left, band.width), (10, 3000));
            assert!(band.height > 0 && band.width as usize * band.height as usize * PIXEL <= most);
            (band.bottom..band.bottom + band.height).for_each(|row| rows[row as usize] += 1);
        }
        assert!((0..2160).all(|row| rows[row] == i32::from((7..1008).contains(&row))), "{rows:?}");
    }

    #[test]
    fn what_lies_outside_the_window_is_cut_off() {
        let size = PhysicalSize::new(100, 50);
        let cut = |left, bottom, width, height| {
            bands(Place { left, bottom, width, height }, size, 1 << 20).collect::<Vec<_>>()
        };
        assert_eq!(cut(-5, -6, 200, 100), [Place { left: 0, bottom: 0, width: 100, height: 50 }]);
        assert_eq!(cut(90, 40, 20, 20), [Place { left: 90, bottom: 40, width: 10, height: 10 }]);
        assert_eq!(cut(100, 0, 20, 20), []);
        assert_eq!(cut(0, 50, 20, 20), []);
        assert_eq!(cut(5, 5, 0, 0), []);
    }
}
