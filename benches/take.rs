//! Time to read a three-minute stereo take at 48 kHz, and to pack it as FLAC.

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use kitwright_core::{progress::Quiet, take::Take};
use std::{hint::black_box, path::Path, time::Duration};

const RATE: u32 = 48_000;
const SECONDS: usize = 180;

/// Plucks over a noise floor, different left and right, as in a real take.
fn plucks() -> Vec<Vec<f32>> {
    let mut random = 1_u32;
    let mut noise = move || {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        random as i32 as f32 / 2_147_483_648.0
    };
    let mut channel = |detune: f32| {
        (0..RATE as usize * SECONDS)
            .map(|i| {
                let t = (i % 21_000) as f32 / RATE as f32;
                let pitch = (110.0 + 11.0 * (i / 21_000 % 9) as f32) * detune;
                let tone = (std::f32::consts::TAU * pitch * t).sin()
                    + 0.3 * (std::f32::consts::TAU * 5.1 * pitch * t).sin();
                0.5 * (-6.0 * t).exp() * (tone + 0.2 * noise()) + 0.0003 * noise()
            })
            .collect()
    };
    vec![channel(1.0), channel(1.003)]
}

fn write_wav(path: &Path, channels: &[Vec<f32>]) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).expect("a writable temporary folder");
    for i in 0..channels[0].len() {
        for channel in channels {
            out.write_sample((channel[i] * 8_388_607.0) as i32).expect("room for a take");
        }
    }
    out.finalize().expect("room for a take");
}

fn reading(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let wav = folder.path().join("take.wav");
    let samples = plucks();
    write_wav(&wav, &samples);
    let take = Take::read(&wav, &Quiet).expect("the take just written");
    let flac_bytes = take.flac().expect("packing the take");
    let flac = folder.path().join("take.flac");
    std::fs::write(&flac, &*flac_bytes).expect("room for a take");

    let mut group = c.benchmark_group("three minutes of stereo at 48 kHz");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    group.bench_function("read WAV, 24 bit", |b| b.iter(|| Take::read(black_box(&wav), &Quiet)));
    group.bench_function("read FLAC, 24 bit", |b| b.iter(|| Take::read(black_box(&flac), &Quiet)));
    group.bench_function("pack as FLAC", |b| {
        b.iter_batched(
            || Take::from_samples("take", RATE, take.channels.clone()),
            |fresh| fresh.flac(),
            BatchSize::PerIteration,
        );
    });
    group.finish();
}

criterion_group!(benches, reading);
criterion_main!(benches);
