//! Time of the engine: blocks with 1, 16 and 64 voices, clouds of 48, a groove, idle; and the storm, with
//! its worst block as a share of the block's time.
//!
//! Times on shared machines are noise: compare lines of one run.

#[path = "../tests/engine_support/mod.rs"]
mod engine_support;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use engine_support::{kit_document, noise_take, prepared, sine_take, still};
use kitwright::{
    engine::{Engine, PlayKit},
    kit::{Kit, Layer, PADS, Slice},
};
use std::{hint::black_box, sync::Arc, time::Instant};

const RATE: f64 = 48_000.0;
const BLOCK: usize = 64;

/// Sixteen pads of long pitched layers and copies, everything flat and sounding.
fn dense_kit(layers: usize, copies: u8) -> Arc<PlayKit> {
    let mut kit =
        Kit { takes: vec![noise_take(44_100, 1, 1), sine_take(48_000, 300.0, 4.0)], ..Kit::default() };
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.note = 36 + p as u8;
        pad.variation = still();
        pad.slices = vec![Slice { take: 1, start: 0, end: 190_000, gain_db: -30.0, velocities: [0.0, 1.0] }];
        pad.layers = vec![Layer::default(); layers];
        for (i, layer) in pad.layers.iter_mut().enumerate() {
            layer.settings.hold_ms = 5000.0;
            layer.settings.pitch_st = -7.0 + 1.7 * i as f32 + 0.1 * p as f32;
        }
        pad.cloud.copies = copies;
        pad.cloud.spread_ms = 20.0;
    }
    prepared(&kit)
}

/// An engine with so many hits sounding.
fn sounding(kit: &Arc<PlayKit>, hits: usize) -> Engine {
    let mut engine = Engine::new(RATE);
    engine.set_kit(kit.clone());
    for h in 0..hits {
        engine.strike(h % PADS, 1.0);
    }
    for _ in 0..25 {
        engine.render(BLOCK);
    }
    engine
}

fn blocks(c: &mut Criterion) {
    let mut group = c.benchmark_group("engine, block of 64 at 48 kHz");
    group.sample_size(20);
    let one = dense_kit(1, 0);
    let clouded = dense_kit(1, 48);
    let mut time = |name: &str, kit: &Arc<PlayKit>, hits: usize| {
        group.bench_function(name, |b| {
            b.iter_batched_ref(
                || sounding(kit, hits),
                |engine| {
                    for _ in 0..16 {
                        engine.render(BLOCK);
                    }
                    black_box(engine.main()[0][0])
                },
                BatchSize::LargeInput,
            );
        });
    };
    time("idle, 16 blocks", &one, 0);
    for hits in [1, 16, 64] {
        time(&format!("{hits} voices, 16 blocks"), &one, hits);
    }
    for hits in [1, 4, 16] {
        time(&format!("{hits} clouds of 48, 16 blocks"), &clouded, hits);
    }
    group.finish();
    c.bench_function("an engine made, a kit taken, one hit of a quarter second", |b| {
        let kit = prepared(&kit_document(1));
        b.iter(|| {
            let mut engine = Engine::new(RATE);
            engine.set_kit(kit.clone());
            engine.strike(3, 0.9);
            for _ in 0..47 {
                engine.render(256);
            }
            black_box(engine.main()[0][0])
        });
    });
}

/// Times of blocks as shares of the block's time: median, 99.9th percentile, worst.
fn shares(mut times: Vec<f64>) -> [f64; 3] {
    times.sort_by(f64::total_cmp);
    let at = |q: f64| times[((times.len() - 1) as f64 * q) as usize] * RATE / BLOCK as f64 * 100.0;
    [at(0.5), at(0.999), at(1.0)]
}

/// Plays `events(block)` for so many blocks.
fn run(engine: &mut Engine, blocks: usize, mut strike: impl FnMut(&mut Engine, usize)) -> Vec<f64> {
    (0..blocks)
        .map(|b| {
            let start = Instant::now();
            strike(engine, b);
            engine.render(BLOCK);
            black_box(engine.main()[0][0]);
            start.elapsed().as_secs_f64()
        })
        .collect()
}

fn report(name: &str, times: Vec<f64>) {
    let [median, high, worst] = shares(times);
    println!("{name:<60} median {median:6.2} %   99.9 % {high:6.2} %   worst {worst:6.2} %");
}

fn storms(_: &mut Criterion) {
    println!("\nShare of one core, blocks of {BLOCK} at 48 kHz (machine load is in the worst figures):");
    let kit = dense_kit(4, 48);
    // The least over some repeats of the same storm: the machine's own disturbances fall out.
    let mut best: Option<Vec<f64>> = None;
    for _ in 0..7 {
        let mut engine = Engine::new(RATE);
        engine.set_kit(kit.clone());
        let times = run(&mut engine, 700, |e, b| {
            if b == 0 {
                (0..PADS).for_each(|p| e.strike(p, 1.0));
            }
        });
        best = Some(match best {
            None => times,
            Some(old) => old.iter().zip(&times).map(|(a, b)| a.min(*b)).collect(),
        });
        if engine.meters().voices.load(std::sync::atomic::Ordering::Relaxed) < 832 {
            println!("(the storm has blown over before its end)");
        }
    }
    report("storm: 16 pads x (4 layers + 48 copies), least of 7 runs", best.unwrap_or_default());
    let groove = dense_groove();
    let mut engine = Engine::new(RATE);
    engine.set_kit(groove);
    let times = run(&mut engine, 20_000, |e, b| {
        // Sixteenths at 120: four pads on each.
        if b % 94 == 0 {
            (0..4).for_each(|i| e.strike((b / 94 * 5 + i * 3) % PADS, 0.8));
        }
    });
    report("groove: 4 pads on each 16th at 120, clouds of 12", times);
    let mut engine = Engine::new(RATE);
    engine.set_kit(kit.clone());
    report("idle", run(&mut engine, 20_000, |_, _| ()));
    line();
}

/// The groove's kit: hits of a third of a second.
fn dense_groove() -> Arc<PlayKit> {
    let mut kit = Kit { takes: vec![noise_take(44_100, 1, 1)], ..Kit::default() };
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.slices = vec![Slice { take: 0, start: 0, end: 15_000, gain_db: -20.0, velocities: [0.0, 1.0] }];
        pad.layers[0].settings.pitch_st = -5.0 + p as f32 * 0.7;
        pad.layers[0].settings.decay_ms = 300.0;
        pad.cloud.copies = 12;
    }
    prepared(&kit)
}

/// Cost against voices: a straight line through the least times, and how far it misses them.
fn line() {
    let kit = dense_kit(1, 48);
    let mut points = Vec::new();
    for hits in [1, 2, 4, 6, 8, 10, 12, 14, 16] {
        let mut engine = sounding(&kit, hits);
        let times = run(&mut engine, 400, |_, _| ());
        let least = times.into_iter().fold(f64::MAX, f64::min) * 1e6;
        points.push((hits as f64 * 49.0, least));
    }
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>()
        / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>();
    let base = my - slope * mx;
    let miss = points.iter().map(|p| ((base + slope * p.0) / p.1 - 1.0).abs()).fold(0.0, f64::max);
    println!(
        "cost: {base:.1} us + {:.1} ns a voice, a block of {BLOCK}; the line misses by {:.0} % at most",
        slope * 1000.0,
        miss * 100.0
    );
}

criterion_group!(benches, storms, blocks);
criterion_main!(benches);
