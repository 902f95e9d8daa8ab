//! What a frame costs, counted: the figures are the same on a busy machine. `cargo bench --bench window` times it.

use super::{
    fixtures::{FrameRunner, SoundingPads, Work, long_take_kit, scroll_events},
    *,
};
use std::sync::atomic::Ordering::Relaxed;

/// Work of a frame while all pads sound, as a multiple of one at rest: lights, meters and live pictures replace what
/// is drawn at rest, and add little.
const MAX_GROWTH: f64 = 1.5;
/// Frames that are counted: half a second.
const FRAMES: usize = 30;

#[test]
fn a_frame_with_sixteen_pads_sounding_draws_at_most_half_more_than_one_at_rest() {
    let mut runner = FrameRunner::new(plain_kit());
    let mut at_rest = Vec::new();
    for section in editor::Section::ALL {
        runner.shown.window.selection.section = section;
        runner.settle();
        at_rest.push(runner.frame(Vec::new()));
    }
    let mut pads = SoundingPads::new(&runner.shown.session);
    for (section, rest) in editor::Section::ALL.into_iter().zip(at_rest) {
        runner.shown.window.selection.section = section;
        runner.settle();
        let (mut most, mut sounding) = (Work::default(), 0);
        for _ in 0..FRAMES {
            pads.advance();
            let meters = runner.shown.session.meters().expect("an engine is attached");
            sounding += meters.pad_peak.iter().filter(|p| p.load(Relaxed) > 0).count();
            let work = runner.frame(Vec::new());
            most = Work { shapes: most.shapes.max(work.shapes), vertices: most.vertices.max(work.vertices) };
        }
        println!("{section:?}: {rest:?} at rest, {most:?} with 16 pads sounding");
        assert!(sounding > 15 * FRAMES, "all pads sound");
        assert!(rest.vertices > 0, "a frame at rest is drawn");
        assert!(most.vertices as f64 <= MAX_GROWTH * rest.vertices as f64, "{section:?}: {most:?}");
        assert!(most.shapes as f64 <= MAX_GROWTH * rest.shapes as f64, "{section:?}: {most:?}");
    }
}

#[test]
fn scrolling_a_take_of_thirty_minutes_draws_no_more_than_a_short_one() {
    let drawn = [1, 30].map(|minutes| {
        let mut runner = FrameRunner::new(long_take_kit(minutes));
        let frames = runner.shown.session.kit().takes[0].frames() as f64;
        runner.shown.window.take.visible_frames = [0.0, frames / 2.0];
        let before = runner.shown.window.take.visible_frames;
        let work = (0..FRAMES).map(|_| runner.frame(scroll_events()).vertices).max().unwrap_or(0);
        assert_ne!(runner.shown.window.take.visible_frames, before, "it scrolled");
        println!("scrolling a take of {minutes} min: {work} vertices a frame");
        work
    });
    // the ruler's times are longer words
    assert!(drawn[1] as f64 <= 1.05 * drawn[0] as f64, "{drawn:?} vertices");
}
