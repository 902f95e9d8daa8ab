//! Time to make a kit: sixteen pads from the demo take repeated to three minutes, without detection.

use criterion::{Criterion, criterion_group, criterion_main};
use kitwright_core::{
    cast::{CastOptions, make_kit},
    demo::borrowed_cello,
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use std::{hint::black_box, sync::Arc};

fn casting(c: &mut Criterion) {
    let (demo, _) = borrowed_cello(1);
    let samples = demo.channels[0].iter().copied().cycle().take(180 * 48_000).collect();
    let take = Arc::new(Take::from_samples("three minutes", 48_000, vec![samples]));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
    let takes = [(take, hits)];
    let mut group = c.benchmark_group("cast");
    group.sample_size(10);
    group.bench_function(format!("make a kit of {} hits", takes[0].1.len()), |b| {
        b.iter(|| make_kit(black_box(&takes), &CastOptions::default(), &Quiet));
    });
    group.finish();
}

criterion_group!(benches, casting);
criterion_main!(benches);
