//! Text in pictures: the outlines of the font that the window ships anyway.

use skrifa::{
    FontRef, MetadataProvider,
    instance::{LocationRef, Size},
    outline::{DrawSettings, OutlinePen},
};
use tiny_skia::{FillRule, Paint, PathBuilder, Pixmap, Transform};

/// Draws text with one font.
pub struct Text {
    font: FontRef<'static>,
}

/// Where text stands relative to its point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Align {
    /// It begins there.
    Left,
    /// It ends there.
    Right,
}

impl Text {
    /// The window's own proportional font.
    pub fn new() -> Self {
        let font =
            FontRef::new(epaint_default_fonts::UBUNTU_LIGHT).expect("the font that egui ships is valid");
        Self { font }
    }

    /// Width of a line of text in pixels at `size` pixels per em.
    pub fn width(&self, text: &str, size: f32) -> f32 {
        self.glyphs(text, size).last().map_or(0.0, |(_, x, advance)| x + advance)
    }

    /// Draws one line with its baseline at `y`; returns the right end in pixels.
    pub fn draw(
        &self,
        picture: &mut Pixmap,
        text: &str,
        (x, y): (f32, f32),
        size: f32,
        align: Align,
        paint: &Paint,
    ) -> f32 {
        let x = if align == Align::Right { x - self.width(text, size) } else { x };
        let outlines = self.font.outline_glyphs();
        let mut end = x;
        for (glyph, offset, advance) in self.glyphs(text, size) {
            end = x + offset + advance;
            let Some(outline) = outlines.get(glyph) else { continue };
            let mut pen = Pen { path: PathBuilder::new(), x: x + offset, y };
            let settings = DrawSettings::unhinted(Size::new(size), LocationRef::default());
            if outline.draw(settings, &mut pen).is_ok()
                && let Some(path) = pen.path.finish()
            {
                picture.fill_path(&path, paint, FillRule::Winding, Transform::identity(), None);
            }
        }
        end
    }

    /// The text, shortened with an ellipsis so that it fits into `width` pixels.
    pub fn fit(&self, text: &str, size: f32, width: f32) -> String {
        if self.width(text, size) <= width {
            return text.to_owned();
        }
        let mut short: Vec<char> = text.chars().take(400).collect();
        while short.pop().is_some() {
            let candidate = format!("{}…", short.iter().collect::<String>().trim_end());
            if self.width(&candidate, size) <= width {
                return candidate;
            }
        }
        String::new()
    }

    /// Glyph, offset and advance of each character; control characters are left out.
    fn glyphs(&self, text: &str, size: f32) -> Vec<(skrifa::GlyphId, f32, f32)> {
        let map = self.font.charmap();
        let metrics = self.font.glyph_metrics(Size::new(size), LocationRef::default());
        let mut x = 0.0;
        text.chars()
            .filter(|c| !c.is_control())
            .map(|c| {
                let glyph = map.map(c).unwrap_or_default();
                let advance = metrics.advance_width(glyph).unwrap_or(0.0);
                let at = x;
                x += advance;
                (glyph, at, advance)
            })
            .collect()
    }
}

/// Collects an outline; font coordinates point up, pictures down.
struct Pen {
    path: PathBuilder,
    x: f32,
    y: f32,
}

impl OutlinePen for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.path.move_to(self.x + x, self.y - y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.path.line_to(self.x + x, self.y - y);
    }
    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        self.path.quad_to(self.x + cx, self.y - cy, self.x + x, self.y - y);
    }
    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        self.path.cubic_to(self.x + ax, self.y - ay, self.x + bx, self.y - by, self.x + x, self.y - y);
    }
    fn close(&mut self) {
        self.path.close();
    }
}
