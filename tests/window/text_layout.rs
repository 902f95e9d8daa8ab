//! Text in the window: none is cut off, overlapped or crossed by a line.

use super::*;
use egui::{Rect, Shape, epaint::ClippedShape};
use kitwright::editor::Section;

/// Rounding of places to pixels, points.
const ROUNDING: f32 = 1.0;

struct Words {
    text: String,
    /// Where they stand.
    whole: Rect,
    /// The part within its clip rectangle.
    seen: Rect,
}

fn each(shapes: &[ClippedShape], visit: &mut dyn FnMut(&Shape, Rect)) {
    fn inner(shape: &Shape, clip: Rect, visit: &mut dyn FnMut(&Shape, Rect)) {
        match shape {
            Shape::Vec(shapes) => shapes.iter().for_each(|s| inner(s, clip, visit)),
            shape => visit(shape, clip),
        }
    }
    shapes.iter().for_each(|s| inner(&s.shape, s.clip_rect, visit));
}

fn words(shapes: &[ClippedShape]) -> Vec<Words> {
    let mut words = Vec::new();
    each(shapes, &mut |shape, clip| {
        if let Shape::Text(text) = shape
            && !text.galley.text().trim().is_empty()
            && text.override_text_color.is_none_or(|c| c.a() > 0)
            // the text field of the name is invisible below the shown name
            && text.galley.job.sections.iter().any(|s| s.format.color.a() > 0)
        {
            let whole = text.galley.rect.translate(text.pos.to_vec2());
            let seen = whole.intersect(clip);
            if seen.is_positive() {
                words.push(Words { text: text.galley.text().to_owned(), whole, seen });
            }
        }
    });
    words
}

/// Straight lines, within their clip rectangles: from and to.
fn lines(shapes: &[ClippedShape]) -> Vec<Rect> {
    let mut lines = Vec::new();
    each(shapes, &mut |shape, clip| {
        if let Shape::LineSegment { points: [a, b], .. } = shape
            && (a.x == b.x || a.y == b.y)
        {
            lines.push(Rect::from_two_pos(*a, *b).intersect(clip));
        }
    });
    lines
}

/// Errors in the layout of the shown texts.
fn text_errors(harness: &Harness<'_, TestWindow>, place: &str) -> Vec<String> {
    let shapes = &harness.output().shapes;
    let words = words(shapes);
    assert!(words.len() > 20, "{place}: only {} texts", words.len());
    let mut found = Vec::new();
    for w in &words {
        // from above and below lists that scroll may cut
        if w.seen.width() < w.whole.width() - ROUNDING {
            found.push(format!(
                "{place}: \"{}\" is cut to {:.0} of {:.0} points",
                w.text,
                w.seen.width(),
                w.whole.width()
            ));
        }
    }
    for (i, a) in words.iter().enumerate() {
        for b in &words[i + 1..] {
            let both = a.seen.intersect(b.seen);
            // lines of text have room above and below their letters
            if both.width() > ROUNDING && both.height() > 3.0 {
                found.push(format!("{place}: \"{}\" and \"{}\" lie over each other", a.text, b.text));
            }
        }
    }
    for line in lines(shapes) {
        // single letters name the handles of bands and stand on discs of their own
        for w in
            words.iter().filter(|w| w.text.len() > 1 && w.seen.shrink2(egui::vec2(1.0, 3.0)).intersects(line))
        {
            found.push(format!("{place}: a line at {line:?} crosses \"{}\"", w.text));
        }
    }
    found
}

#[test]
fn no_text_is_cut_overlapped_or_crossed_by_a_line() {
    let mut found = Vec::new();
    for (w, h) in [(900.0, 600.0), (1120.0, 720.0), (1280.0, 800.0), (1920.0, 1080.0), (3840.0, 2160.0)] {
        let mut harness = sized_window(w, h, 1.0);
        harness
            .state()
            .session
            .edit("a long name", |kit| kit.doc.name = "borrowed-cello-take-of-the-second-evening".into());
        let mut engine = kitwright_core::engine::Engine::new(48_000.0);
        harness.state().session.attach_engine(48_000.0, engine.meters());
        for section in Section::ALL {
            press(&mut harness, section.word());
            settle(&mut harness);
            found.extend(text_errors(&harness, &format!("{section:?} at {w} x {h}")));
            // while it sounds: the playing line of the cloud, the live spectrum, the last draw
            if let Some(kit) = harness.state().session.take_play_kit() {
                engine.set_kit(kit);
            }
            engine.note_on(36, 1.0);
            for _ in 0..12 {
                engine.render(64);
                harness.step();
                found.extend(text_errors(&harness, &format!("{section:?} at {w} x {h}, sounding")));
            }
        }
        // each hit with its words lit, and one that is in no pad
        for pad in 0..16 {
            harness.state_mut().window.selection.pad = pad;
            harness.step();
            found.extend(text_errors(&harness, &format!("pad {} at {w} x {h}", pad + 1)));
        }
        harness.state_mut().window.take.hit = Some(0);
        harness.step();
        found.extend(text_errors(&harness, &format!("a hit of no pad at {w} x {h}")));
    }
    found.sort();
    found.dedup();
    assert!(found.is_empty(), "{} errors: {found:#?}", found.len());
}
