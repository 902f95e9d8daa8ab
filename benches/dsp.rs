//! The kernels beside general-purpose crates for the same work, in one run.
//!
//! `cargo bench --bench dsp`. Rates are frames per second; compare lines of one run with each other,
//! never with another machine or another day.

#[path = "../tests/engine/support/mod.rs"]
mod support;

use biquad::Biquad;
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use kitwright_core::{
    engine::{
        dsp::{
            ceiling::Ceiling,
            eq::{EqSection, Filter},
            reader::{Reader, Step},
            saturation::Saturation,
            svf::{Pass, Steepness, Svf},
        },
        tone::ToneChain,
    },
    kit::{Band, Character, Compressor, Cut, Limiter, Saturation as SaturationSettings, Tone},
    settings::PadTrims,
    units::st_to_ratio,
};
use std::hint::black_box;
use support::comparison_crates::Rubato;

const FRAMES: usize = 4096;
const RATE: f64 = 48_000.0;

fn source(frames: usize) -> Vec<f32> {
    (0..frames).map(|i| (i as f32 * 0.1).sin() * 0.5).collect()
}

/// Both reach the same quality: better than 110 dB to 15 kHz (tests/engine/dsp_reader.rs for ours,
/// tests/engine/support/comparison_crates.rs for the other).
fn reading(c: &mut Criterion) {
    Reader::prepare();
    let [left, right] = [source(FRAMES * 5), source(FRAMES * 5)];
    let (mut l, mut r) = (vec![0.0; FRAMES], vec![0.0; FRAMES]);
    let mut group = c.benchmark_group("reading one semitone up");
    group.throughput(Throughput::Elements(FRAMES as u64));
    let other = Rubato::new();
    let ratio = st_to_ratio(1.0f64);
    let read_other = |source: &[f32], out: &mut [f32]| other.read(source, 1000.3, ratio, out);
    let step = Step::from_ratio(ratio);
    group.bench_function("rubato, mono", |b| b.iter(|| read_other(black_box(&left), &mut l)));
    group.bench_function("own, mono", |b| {
        b.iter(|| Reader::new(1000.3).read_mono(black_box(&left), step, &mut l));
    });
    group.bench_function("rubato, stereo", |b| {
        b.iter(|| {
            read_other(black_box(&left), &mut l);
            read_other(black_box(&right), &mut r);
        });
    });
    group.bench_function("own, stereo", |b| {
        b.iter(|| Reader::new(1000.3).read_stereo([black_box(&left), &right], step, [&mut l, &mut r]));
    });
    group.finish();
    let mut group = c.benchmark_group("reading, mono, by semitones");
    group.throughput(Throughput::Elements(FRAMES as u64));
    for st in [-12.0, 0.5, 7.0, 12.0, 24.0f64] {
        let step = Step::from_ratio(st_to_ratio(st));
        group.bench_with_input(BenchmarkId::from_parameter(st), &step, |b, &step| {
            b.iter(|| Reader::new(1000.3).read_mono(black_box(&left), step, &mut l));
        });
    }
}

fn filters(c: &mut Criterion) {
    let mut group = c.benchmark_group("second-order filter, stereo");
    group.throughput(Throughput::Elements(FRAMES as u64));
    let (mut l, mut r) = (source(FRAMES), source(FRAMES));
    let coefficients = biquad::Coefficients::<f64>::from_params(
        biquad::Type::PeakingEQ(3.0),
        biquad::Hertz::from_hz(RATE).unwrap(),
        biquad::Hertz::from_hz(1000.0).unwrap(),
        1.0,
    )
    .unwrap();
    let mut others = [biquad::DirectForm2Transposed::new(coefficients); 2];
    group.bench_function("biquad crate, double precision", |b| {
        b.iter(|| {
            for (l, r) in l.iter_mut().zip(&mut r) {
                *l = others[0].run(f64::from(*l)) as f32;
                *r = others[1].run(f64::from(*r)) as f32;
            }
            black_box((&l, &r));
        });
    });
    let mut own = Filter::new(EqSection::bell(1000.0, 3.0, 1.0, RATE));
    group.bench_function("own", |b| {
        b.iter(|| {
            own.process(&mut l, &mut r);
            black_box((&l, &r));
        });
    });
    let mut svf = Svf::new(Pass::Low, Steepness::Twelve, RATE);
    group.bench_function("own, state-variable", |b| {
        b.iter(|| {
            svf.process(&mut l, &mut r);
            black_box((&l, &r));
        });
    });
}

fn whole_stages(c: &mut Criterion) {
    let mut group = c.benchmark_group("stages, stereo");
    group.throughput(Throughput::Elements(FRAMES as u64));
    let x = source(FRAMES);
    let (mut l, mut r) = (x.clone(), x.clone());
    for &character in Character::ALL {
        let mut saturation = Saturation::new(RATE);
        saturation.set(character, 12.0, 1.0);
        group.bench_function(format!("saturation, {}", character.word()), |b| {
            b.iter(|| {
                saturation.process(&mut l, &mut r);
                black_box((&l, &r));
            });
        });
    }
    for (what, level) in [("over its threshold", 3.0f32), ("below its threshold", 0.4)] {
        let mut ceiling = Ceiling::new(-1.0, RATE);
        group.bench_function(format!("ceiling, {what}"), |b| {
            b.iter(|| {
                for ((l, r), x) in l.iter_mut().zip(&mut r).zip(&x) {
                    (*l, *r) = (x * level, x * level);
                }
                ceiling.process(&mut l, &mut r);
                black_box((&l, &r));
            });
        });
    }
    let band = |hz, gain_db| Band { on: true, hz, gain_db, q: 1.0 };
    let tone = Tone {
        low_cut: Cut { on: true, hz: 40.0, ..Cut::default() },
        limiter: Limiter { on: true, ..Limiter::default() },
        saturation: SaturationSettings { on: true, ..SaturationSettings::default() },
        bands: [band(120.0, 4.0), band(900.0, -6.0), band(6000.0, 5.0)],
        punch: Compressor { on: true, ..Compressor::default() },
        low_band: Compressor { on: true, ..Compressor::default() },
        colour: Limiter { on: true, ..Limiter::default() },
        ..Tone::default()
    };
    for (what, tone) in [("every stage on", &tone), ("every stage off", &Tone::default())] {
        let mut chain = ToneChain::new(RATE);
        chain.set_now(tone, &PadTrims::default(), None);
        group.bench_function(format!("tone chain, {what}"), |b| {
            b.iter(|| {
                l.copy_from_slice(&x);
                r.copy_from_slice(&x);
                for (l, r) in l.chunks_mut(64).zip(r.chunks_mut(64)) {
                    chain.process(l, r, [&[], &[]]);
                }
                black_box((&l, &r));
            });
        });
    }
}

criterion_group!(benches, reading, filters, whole_stages);
criterion_main!(benches);
