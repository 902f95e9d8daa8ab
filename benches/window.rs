//! Cost of a frame of the window in layout and tessellation, without the graphics card.
//!
//! At 60 frames a second a frame has 16.7 ms; a quarter of one core leaves the rest to the audio.

#[path = "../tests/window/fixtures.rs"]
mod fixtures;

use criterion::{Criterion, criterion_group, criterion_main};
use fixtures::{FrameRunner, SoundingPads, long_take_kit, plain_kit, scroll_events};
use kitwright::editor::Section;

fn sections(c: &mut Criterion) {
    let mut group = c.benchmark_group("frame with 16 pads sounding");
    let mut runner = FrameRunner::new(plain_kit());
    let mut pads = SoundingPads::new(&runner.shown.session);
    for section in Section::ALL {
        runner.shown.window.selection.section = section;
        runner.settle();
        group.bench_function(section.word(), |b| {
            b.iter_custom(|rounds| {
                let mut spent = std::time::Duration::ZERO;
                for _ in 0..rounds {
                    pads.advance();
                    let start = std::time::Instant::now();
                    runner.frame(Vec::new());
                    spent += start.elapsed();
                }
                spent
            });
        });
    }
}

fn scrolling(c: &mut Criterion) {
    let mut group = c.benchmark_group("scrolling a take");
    for minutes in [1, 30] {
        let mut runner = FrameRunner::new(long_take_kit(minutes));
        let frames = runner.shown.session.kit().takes[0].frames() as f64;
        group.bench_function(format!("{minutes} min"), |b| {
            runner.shown.window.take.visible_frames = [0.0, frames / 2.0];
            b.iter(|| runner.frame(scroll_events()));
        });
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(20);
    targets = sections, scrolling
}
criterion_main!(benches);
