//! Time of the engine: blocks with 1, 16 and 64 voices, clouds of 48, a groove, idle; and the storm, with
//! its worst block as a share of the block's time.
//!
//! Times on shared machines are noise: compare lines of one run.

#[path = "../tests/engine/support/mod.rs"]
mod support;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::PADS,
};
use std::{hint::black_box, sync::Arc};
use support::{
    cpu_load,
    groove::{BLOCK, RATE, dense_kit},
    kit_document, prepared,
};

/// An engine in which `hits` hits sound.
fn sounding(kit: &Arc<PlayKit>, hits: usize) -> Engine {
    let mut engine = Engine::new(RATE);
    engine.set_kit(kit.clone());
    for h in 0..hits {
        engine.trigger(h % PADS, 1.0);
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
    c.bench_function("new engine with a kit, one hit of a quarter second", |b| {
        let kit = prepared(&kit_document(1));
        b.iter(|| {
            let mut engine = Engine::new(RATE);
            engine.set_kit(kit.clone());
            engine.trigger(3, 0.9);
            for _ in 0..47 {
                engine.render(256);
            }
            black_box(engine.main()[0][0])
        });
    });
}

fn storms(_: &mut Criterion) {
    println!(
        "\nShare of one core (processor time), blocks of {BLOCK} at 48 kHz, shortest of several runs of each block:"
    );
    println!("{:<60} {}", "storm: 16 pads x (4 layers + 48 copies) at once", cpu_load::storm(7));
    for (what, kit) in cpu_load::other_storms() {
        println!("{:<60} {}", format!("the same, {what}"), cpu_load::storm_of(&kit, 5));
    }
    println!("{:<60} {}", "groove: 4 pads on each 16th at 120, clouds of 12", cpu_load::groove(3));
    let [limited, bent] = cpu_load::limited_grooves(3);
    println!("{:<60} {limited}", "the same, every pad with its limiter");
    println!("{:<60} {bent}", "and the kit's pitch automated");
    println!("{:<60} {}", "the storm with both", cpu_load::bent_storm(5));
    println!("{:<60} {}", "idle", cpu_load::idle(3));
    let (wanted, can) = (cpu_load::storm_multiply_adds(), cpu_load::multiply_adds_a_second());
    println!(
        "the storm needs {:.1} billion multiply-adds a second, this core does {:.1}: at least {:.1} % of a core",
        wanted * 1e-9,
        can * 1e-9,
        wanted / can * 100.0
    );
    let line = cpu_load::line();
    println!(
        "cost: {:.1} us + {:.1} ns a voice, a block of {BLOCK}; largest error of the line {:.0} %",
        line.base_us, line.voice_ns, line.max_error
    );
}

criterion_group!(benches, storms, blocks);
criterion_main!(benches);
