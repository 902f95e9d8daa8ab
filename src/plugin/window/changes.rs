//! The parts of a window's picture that a frame changes: only these are redrawn.
//!
//! Without a graphics card, redrawing the whole window takes most of a frame's time, while sixteen meters and lights
//! cover little of it. So the shapes of the last frame are kept. Shapes that are new or gone mark the places to redraw,
//! and within these places every shape is drawn again. The picture equals a whole redraw to the bit, since each pixel
//! gets the same shapes in the same order.

use baseview::dpi::PhysicalSize;
use egui::{Color32, Pos2, Rect, Shape, emath::TSTransform, epaint::ClippedShape, pos2};

/// Maximum number of shapes that are skipped to find the next one that both frames have.
const MAX_SKIPPED: usize = 12;
/// Two places are joined when that adds fewer pixels than this: each place costs draw calls, too.
const MAX_ADDED_PX: f32 = 64.0 * 64.0;
/// Maximum number of places; more are joined.
const MAX_PLACES: usize = 32;
/// Antialiasing widens lines by about a pixel, and rounding to whole pixels moves them.
const EDGE_PX: f32 = 2.0;

/// What to redraw of a picture.
pub(super) struct Changed {
    /// Places to redraw, in points, each on whole pixels.
    pub places: Vec<Rect>,
    /// Shapes to draw there, in their order.
    pub shapes: Vec<ClippedShape>,
    /// Colour that the places are filled with before.
    pub ground: Color32,
}

/// The last frame, which the next one is compared with.
#[derive(Default)]
pub(super) struct FrameChanges {
    shapes: Vec<ClippedShape>,
    frame: Option<(PhysicalSize<u32>, f32)>,
}

impl FrameChanges {
    /// What to redraw. When the size has changed, the whole picture is the one place.
    pub fn next(
        &mut self,
        shapes: Vec<ClippedShape>,
        size: PhysicalSize<u32>,
        pixels_per_point: f32,
    ) -> Changed {
        let frame = Some((size, pixels_per_point));
        let screen =
            Rect::from_min_max(Pos2::ZERO, pos2(size.width as f32, size.height as f32) / pixels_per_point);
        let mut places = Places { pixels_per_point, screen, rects: Vec::new() };
        if self.frame == frame {
            differing(&self.shapes, &shapes, |shape| places.add(reach(shape, pixels_per_point)));
        } else {
            places.rects.push(screen);
        }
        self.frame = frame;
        self.shapes = shapes;
        let ground = self.shapes.first().and_then(|first| covering(first, screen));
        let drawn = &self.shapes[usize::from(ground.is_some())..];
        let within = places.rects.iter().flat_map(|place| {
            drawn.iter().filter_map(|shape| {
                let clip = shape.clip_rect.intersect(*place);
                let seen = clip.is_positive() && reach(shape, pixels_per_point).intersects(clip);
                seen.then(|| ClippedShape { clip_rect: clip, ..shape.clone() })
            })
        });
        let shapes = within.collect();
        Changed { places: places.rects, shapes, ground: ground.unwrap_or(Color32::BLACK) }
    }

    /// Makes the next frame draw the whole picture.
    pub fn forget(&mut self) {
        self.frame = None;
    }
}

/// The colour of a shape that fills the whole picture: clearing costs less than drawing.
fn covering(shape: &ClippedShape, screen: Rect) -> Option<Color32> {
    let Shape::Rect(rect) = &shape.shape else { return None };
    let plain = Shape::rect_filled(rect.rect, 0.0, rect.fill);
    let covers = rect.rect.contains_rect(screen) && shape.clip_rect.contains_rect(screen);
    let is_plain = shape.shape == plain && shape.transform_after_tessellation == TSTransform::IDENTITY;
    (covers && is_plain && rect.fill.is_opaque()).then_some(rect.fill)
}

/// The area that a shape can cover; empty when it is invisible.
fn reach(shape: &ClippedShape, pixels_per_point: f32) -> Rect {
    let bounds = shape.transform_after_tessellation * shape.shape.visual_bounding_rect();
    bounds.expand(EDGE_PX / pixels_per_point).intersect(shape.clip_rect)
}

/// Calls `tell` with every shape that only one of the frames has, or that has moved within the order.
fn differing(old: &[ClippedShape], new: &[ClippedShape], mut tell: impl FnMut(&ClippedShape)) {
    let (mut i, mut j) = (0, 0);
    while i < old.len() && j < new.len() {
        // the nearest equal pair; the shapes skipped to reach it have changed
        let steps = (0..2 * MAX_SKIPPED).find_map(|sum| {
            let pairs = (sum.saturating_sub(MAX_SKIPPED)..=sum.min(MAX_SKIPPED)).map(|a| (a, sum - a));
            pairs
                .into_iter()
                .find(|&(a, b)| old.get(i + a).is_some_and(|was| new.get(j + b).is_some_and(|is| was == is)))
        });
        let (a, b) = steps.unwrap_or((1, 1));
        old[i..(i + a).min(old.len())].iter().for_each(&mut tell);
        new[j..(j + b).min(new.len())].iter().for_each(&mut tell);
        let past = usize::from(steps.is_some());
        (i, j) = (i + a + past, j + b + past);
    }
    old.iter().skip(i).chain(new.iter().skip(j)).for_each(tell);
}

/// Places to redraw: few, and on whole pixels.
struct Places {
    pixels_per_point: f32,
    screen: Rect,
    rects: Vec<Rect>,
}

impl Places {
    fn add(&mut self, rect: Rect) {
        let to = self.pixels_per_point;
        let pixels = Rect::from_min_max((rect.min * to).floor(), (rect.max * to).ceil());
        let mut rect = Rect::from_min_max(pixels.min / to, pixels.max / to).intersect(self.screen);
        if !rect.is_positive() {
            return;
        }
        // a place that has grown by joining may be joined with further ones
        while let Some((at, cost)) = self.cheapest(rect) {
            if cost > MAX_ADDED_PX && self.rects.len() < MAX_PLACES {
                break;
            }
            rect = rect.union(self.rects.swap_remove(at));
        }
        self.rects.push(rect);
    }

    /// The place whose joining adds the fewest pixels, and their number.
    fn cheapest(&self, rect: Rect) -> Option<(usize, f32)> {
        let to = self.pixels_per_point * self.pixels_per_point;
        let more = |r: &Rect| (rect.union(*r).area() - rect.area() - r.area()) * to;
        self.rects.iter().map(more).enumerate().min_by(|a, b| a.1.total_cmp(&b.1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::vec2;
    use rand::{RngExt as _, SeedableRng as _, rngs::SmallRng};

    const SIDE: u32 = 96;

    /// A picture of filled rectangles, drawn the way a graphics card draws the shapes it is given.
    #[derive(PartialEq, Clone)]
    struct Picture(Vec<Color32>);

    impl Picture {
        /// Draws on top; each place is cleared before. Returns the share of pixels that were cleared.
        fn draw(&mut self, drawn: &Changed, scale: f32) -> f32 {
            let clear = |place: &Rect| self.fill(*place, drawn.ground, scale);
            let cleared: usize = drawn.places.iter().map(clear).sum();
            for shape in &drawn.shapes {
                let Shape::Rect(rect) = &shape.shape else { unreachable!("only rectangles here") };
                self.fill(rect.rect.intersect(shape.clip_rect), rect.fill, scale);
            }
            cleared as f32 / (SIDE * SIDE) as f32
        }

        fn fill(&mut self, rect: Rect, colour: Color32, scale: f32) -> usize {
            let side = |x: f32| (x * scale).round().clamp(0.0, SIDE as f32) as u32;
            let (xs, ys) = (side(rect.min.x)..side(rect.max.x), side(rect.min.y)..side(rect.max.y));
            for y in ys.clone() {
                for x in xs.clone() {
                    let pixel = &mut self.0[(y * SIDE + x) as usize];
                    *pixel = pixel.blend(colour);
                }
            }
            xs.len() * ys.len()
        }

        fn new() -> Self {
            Self(vec![Color32::BLACK; (SIDE * SIDE) as usize])
        }
    }

    /// A filling of the whole picture.
    fn ground(colour: Color32) -> Shape {
        Shape::rect_filled(Rect::from_min_max(Pos2::ZERO, pos2(SIDE as f32, SIDE as f32)), 0.0, colour)
    }

    fn shape(rng: &mut SmallRng, scale: f32) -> ClippedShape {
        let most = SIDE as f32 / scale;
        let mut rect = |least: f32, most_side: f32| {
            let at = pos2(rng.random_range(-4.0..most), rng.random_range(-4.0..most));
            let size = vec2(rng.random_range(least..most_side), rng.random_range(least..most_side));
            Rect::from_min_size(at, size / scale)
        };
        let (clip, filled) = (rect(20.0, 90.0), rect(2.0, 30.0));
        let colour = Color32::from_rgba_unmultiplied(rng.random(), rng.random(), rng.random(), 128);
        ClippedShape::new(clip, Shape::rect_filled(filled, 0.0, colour))
    }

    #[test]
    fn redrawing_places_gives_the_same_picture_as_drawing_whole() {
        let size = PhysicalSize::new(SIDE, SIDE);
        let mut rng = SmallRng::seed_from_u64(5);
        for scale in [1.0, 1.25, 2.0] {
            let mut changes = FrameChanges::default();
            let mut kept = Picture::new();
            let mut shapes: Vec<_> = (0..60).map(|_| shape(&mut rng, scale)).collect();
            for round in 0..200 {
                // now and then the ground changes or is gone
                if round % 20 == 10 {
                    shapes.retain(|shape| shape.clip_rect != Rect::EVERYTHING);
                    let colour = Color32::from_gray(round);
                    shapes.insert(0, ClippedShape::new(Rect::EVERYTHING, ground(colour)));
                }
                for _ in 0..rng.random_range(0..4) {
                    let at = rng.random_range(0..shapes.len());
                    match rng.random_range(0..4) {
                        0 => drop(shapes.remove(at)),
                        1 => shapes.insert(at, shape(&mut rng, scale)),
                        2 => shapes[at] = shape(&mut rng, scale),
                        _ => shapes.rotate_left(at % 3),
                    }
                }
                let drawn = changes.next(shapes.clone(), size, scale);
                kept.draw(&drawn, scale);
                let mut whole = Picture::new();
                whole.draw(&FrameChanges::default().next(shapes.clone(), size, scale), scale);
                assert!(kept == whole, "the pictures differ at scale {scale}");
            }
        }
    }

    #[test]
    fn a_filling_of_the_whole_picture_is_cleared_to_and_not_drawn() {
        let size = PhysicalSize::new(SIDE, SIDE);
        let next = |clip, filling: Shape| {
            let shapes = vec![ClippedShape::new(clip, filling)];
            let Changed { shapes, ground, .. } = FrameChanges::default().next(shapes, size, 1.0);
            (shapes.len(), ground)
        };
        let half = Rect::from_min_size(Pos2::ZERO, vec2(SIDE as f32, 40.0));
        assert_eq!(next(Rect::EVERYTHING, ground(Color32::RED)), (0, Color32::RED));
        for (clip, filling) in [
            (half, ground(Color32::RED)),
            (Rect::EVERYTHING, ground(Color32::from_black_alpha(250))),
            (Rect::EVERYTHING, Shape::rect_filled(half, 0.0, Color32::RED)),
            (
                Rect::EVERYTHING,
                Shape::rect_filled(Rect::from_min_size(Pos2::ZERO, vec2(96.0, 96.0)), 4.0, Color32::RED),
            ),
        ] {
            assert_eq!(next(clip, filling), (1, Color32::BLACK));
        }
    }

    #[test]
    fn only_places_that_change_are_redrawn() {
        let size = PhysicalSize::new(SIDE, SIDE);
        let mut rng = SmallRng::seed_from_u64(6);
        let mut shapes: Vec<_> = (0..60).map(|_| shape(&mut rng, 1.0)).collect();
        let mut changes = FrameChanges::default();
        let mut picture = Picture::new();
        assert_eq!(
            picture.draw(&changes.next(shapes.clone(), size, 1.0), 1.0),
            1.0,
            "the first frame is drawn whole"
        );
        let again = changes.next(shapes.clone(), size, 1.0);
        assert!(again.places.is_empty() && again.shapes.is_empty());
        // one shape is added between the others, then removed
        let filled = Rect::from_min_size(pos2(40.0, 40.0), vec2(6.0, 6.0));
        shapes.insert(30, ClippedShape::new(Rect::EVERYTHING, Shape::rect_filled(filled, 0.0, Color32::RED)));
        for _ in 0..2 {
            let share = picture.draw(&changes.next(shapes.clone(), size, 1.0), 1.0);
            assert_eq!(share, 10.0 * 10.0 / (SIDE * SIDE) as f32, "six pixels and two on each side");
            shapes.retain(|s| s.shape.visual_bounding_rect() != filled);
        }
        changes.forget();
        assert_eq!(picture.draw(&changes.next(shapes, size, 1.0), 1.0), 1.0, "drawn whole again");
    }
}
