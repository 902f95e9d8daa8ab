//! Time of detection in a three-minute stereo take at 48 kHz, hits and descriptions; on one core under
//! `taskset --cpu-list 0`.

use criterion::{Criterion, criterion_group, criterion_main};
use kitwright_core::{
    demo::borrowed_cello,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use std::hint::black_box;

/// The demo take, repeated to three minutes, with slightly different channels.
fn three_minutes() -> Take {
    let (demo, _) = borrowed_cello(1);
    let frames = 180 * 48_000;
    let left: Vec<f32> = demo.channels[0].iter().copied().cycle().take(frames).collect();
    let right = left.iter().map(|x| 0.8 * x).collect();
    Take::from_samples("three minutes", 48_000, vec![left, right])
}

fn detection(c: &mut Criterion) {
    let take = three_minutes();
    let mut group = c.benchmark_group("listen");
    group.sample_size(10);
    group.bench_function("detect hits in three minutes of stereo", |b| {
        b.iter(|| detect(black_box(&take), &DetectOptions::default(), &Quiet));
    });
    group.finish();
}

criterion_group!(benches, detection);
criterion_main!(benches);
