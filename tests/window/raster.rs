//! Renders egui's triangles on the processor: the same picture on every machine, without a graphics driver.

use egui::{Color32, ColorImage, ImageData, Mesh, Pos2, Rect, TextureId, TexturesDelta, epaint::Primitive};
use egui_kittest::TestRenderer;
use image::{Rgba, RgbaImage};
use std::collections::HashMap;

#[derive(Default)]
pub struct Raster {
    textures: HashMap<TextureId, ColorImage>,
}

impl TestRenderer for Raster {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        for (id, deltas) in delta.set.drain() {
            for delta in deltas {
                let ImageData::Color(new) = &delta.image;
                match delta.pos {
                    None => {
                        self.textures.insert(id, (**new).clone());
                    }
                    Some([x, y]) => {
                        let texture = self.textures.get_mut(&id).expect("a patch of a known texture");
                        let width = texture.size[0];
                        for row in 0..new.size[1] {
                            let from = &new.pixels[row * new.size[0]..][..new.size[0]];
                            texture.pixels[(y + row) * width + x..][..new.size[0]].copy_from_slice(from);
                        }
                    }
                }
            }
        }
        for id in delta.free.drain() {
            self.textures.remove(&id);
        }
    }

    fn render(&mut self, ctx: &egui::Context, output: &egui::FullOutput) -> Result<RgbaImage, String> {
        let scale = output.pixels_per_point;
        let size = ctx.content_rect().size() * scale;
        let mut image =
            RgbaImage::from_pixel(size.x.round() as u32, size.y.round() as u32, Rgba([0, 0, 0, 255]));
        for primitive in ctx.tessellate(output.shapes.clone(), scale) {
            if let Primitive::Mesh(mesh) = &primitive.primitive {
                let texture = self.textures.get(&mesh.texture_id).ok_or("a texture is missing")?;
                draw(&mut image, mesh, texture, primitive.clip_rect, scale);
            }
        }
        Ok(image)
    }
}

fn draw(image: &mut RgbaImage, mesh: &Mesh, texture: &ColorImage, clip: Rect, scale: f32) {
    let limit = |v: f32, max: u32| (v * scale).round().clamp(0.0, max as f32) as i32;
    let clip = [
        limit(clip.left(), image.width()),
        limit(clip.top(), image.height()),
        limit(clip.right(), image.width()),
        limit(clip.bottom(), image.height()),
    ];
    for triangle in mesh.indices.chunks_exact(3) {
        let mut v = [0, 1, 2].map(|i| mesh.vertices[triangle[i] as usize]);
        let p = |v: &egui::epaint::Vertex| Pos2::new(v.pos.x * scale, v.pos.y * scale);
        let mut area = cross(p(&v[0]), p(&v[1]), p(&v[2]));
        if area < 0.0 {
            v.swap(1, 2);
            area = -area;
        }
        if area <= 0.0 {
            continue;
        }
        let [a, b, c] = [p(&v[0]), p(&v[1]), p(&v[2])];
        // most triangles are of one colour, from one place of the texture
        let even = (v[1..].iter().all(|o| o.uv == v[0].uv && o.color == v[0].color))
            .then(|| shade(&v, [1.0, 0.0, 0.0], texture));
        let low = |f: fn(&Pos2) -> f32| f(&a).min(f(&b)).min(f(&c)).floor() as i32;
        let high = |f: fn(&Pos2) -> f32| f(&a).max(f(&b)).max(f(&c)).ceil() as i32;
        let columns = low(|p| p.x).max(clip[0])..high(|p| p.x).min(clip[2]);
        for y in low(|p| p.y).max(clip[1])..high(|p| p.y).min(clip[3]) {
            fill_row(image, y, columns.clone(), [a, b, c], |w| {
                even.unwrap_or_else(|| shade(&v, w.map(|w| w / area), texture))
            });
        }
    }
}

/// Fills the pixels of a row that lie in a triangle, with the colour at each one's distances from its sides. Without
/// iterators and calls, which the unoptimised profile of the tests keeps in every pixel.
fn fill_row(
    image: &mut RgbaImage,
    y: i32,
    columns: std::ops::Range<i32>,
    [a, b, c]: [Pos2; 3],
    colour: impl Fn([f32; 3]) -> [f32; 4],
) {
    let side = |from: Pos2, to: Pos2| {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        // the top-left rule: a pixel on a shared edge belongs to one of the two triangles
        (from.x, dy, dx * (y as f32 + 0.5 - from.y), dy < 0.0 || (dy == 0.0 && dx > 0.0))
    };
    let [(x0, dy0, d0, on0), (x1, dy1, d1, on1), (x2, dy2, d2, on2)] = [side(b, c), side(c, a), side(a, b)];
    let mut entered = false;
    let mut x = columns.start;
    while x < columns.end {
        let at = x as f32 + 0.5;
        let (w0, w1, w2) = (d0 - dy0 * (at - x0), d1 - dy1 * (at - x1), d2 - dy2 * (at - x2));
        if (w0 > 0.0 || (w0 == 0.0 && on0))
            && (w1 > 0.0 || (w1 == 0.0 && on1))
            && (w2 > 0.0 || (w2 == 0.0 && on2))
        {
            entered = true;
            blend(image, x as u32, y as u32, colour([w0, w1, w2]));
        } else if entered {
            // a triangle has no gaps
            return;
        }
        x += 1;
    }
}

fn cross(a: Pos2, b: Pos2, c: Pos2) -> f32 {
    (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
}

/// Vertex colour times texture, premultiplied, 0 to 255.
fn shade(v: &[egui::epaint::Vertex; 3], w: [f32; 3], texture: &ColorImage) -> [f32; 4] {
    let mix = |f: &dyn Fn(&egui::epaint::Vertex) -> f32| (0..3).map(|i| f(&v[i]) * w[i]).sum::<f32>();
    let u = mix(&|v| v.uv.x) * texture.size[0] as f32 - 0.5;
    let t = mix(&|v| v.uv.y) * texture.size[1] as f32 - 0.5;
    let texel = |x: f32, y: f32| -> Color32 {
        let x = x.clamp(0.0, texture.size[0] as f32 - 1.0) as usize;
        let y = y.clamp(0.0, texture.size[1] as f32 - 1.0) as usize;
        texture.pixels[y * texture.size[0] + x]
    };
    let (x, y) = (u.floor(), t.floor());
    let (fx, fy) = (u - x, t - y);
    let corners = [
        (texel(x, y), (1.0 - fx) * (1.0 - fy)),
        (texel(x + 1.0, y), fx * (1.0 - fy)),
        (texel(x, y + 1.0), (1.0 - fx) * fy),
        (texel(x + 1.0, y + 1.0), fx * fy),
    ];
    std::array::from_fn(|channel| {
        let colour = mix(&|v| f32::from(v.color.to_array()[channel]));
        let sample: f32 = corners.iter().map(|(c, w)| f32::from(c.to_array()[channel]) * w).sum();
        colour * sample / 255.0
    })
}

fn blend(image: &mut RgbaImage, x: u32, y: u32, source: [f32; 4]) {
    let keep = 1.0 - source[3] / 255.0;
    let Rgba([red, green, blue, _]) = image.get_pixel_mut(x, y);
    *red = (source[0] + f32::from(*red) * keep).round().clamp(0.0, 255.0) as u8;
    *green = (source[1] + f32::from(*green) * keep).round().clamp(0.0, 255.0) as u8;
    *blue = (source[2] + f32::from(*blue) * keep).round().clamp(0.0, 255.0) as u8;
}
