//! The reader: noise, loss and aliases.
//!
//! The targets are the project's own.

use crate::support::figures::resampling::*;
use kitwright_core::engine::dsp::reader::{Reader, Step};

#[test]
fn one_semitone_up_keeps_110_db_and_a_tenth_of_a_db_to_15_khz() {
    let (snr, loss) = noise_and_loss(1.0);
    println!("+1 st: at least {snr:.1} dB, at most {loss:.4} dB loss");
    assert!(snr >= 110.0, "{snr:.1} dB signal to noise");
    assert!(loss <= 0.1, "{loss:.3} dB");
}

#[test]
fn pitching_up_makes_no_aliases() {
    for st in PITCHED_UP {
        let rejection = alias_rejection(st);
        println!("{st:+} st: {rejection:.1} dB");
        assert!(rejection >= 100.0, "{st} st: {rejection:.1} dB");
    }
}

#[test]
fn gliding_makes_no_zipper_noise() {
    let noise = glide_noise();
    assert!(noise < -105.0, "{noise:.1} dB");
}

#[test]
fn pitching_down_keeps_110_db_to_15_khz() {
    for st in [-0.5, -3.0, -7.0, -12.0, -24.0, -36.0] {
        let ratio = semitones(st);
        for hz in [100.0, 1000.0, 6000.0, 10_000.0, 15_000.0] {
            let (level, snr) = fit(&read_sine(hz, ratio), hz * ratio);
            assert!(snr >= 110.0, "{st} st, {hz} Hz: {snr:.1} dB");
            assert!(level.abs() <= 0.1, "{st} st, {hz} Hz: {level:.3} dB");
        }
    }
}

#[test]
fn pitching_down_makes_no_images() {
    // A sine near the top of the source leaves an image just above half its rate.
    for st in [-5.0, -12.0] {
        let ratio = semitones(st);
        let hz = 19_000.0;
        let (_, rest) = fit(&read_sine(hz, ratio), hz * ratio);
        let (level, _) = fit(&read_sine(hz, ratio), hz * ratio);
        // Against full scale, since the sine itself lies in the falling edge.
        assert!(rest - level >= 100.0, "{st} st: image {:.1} dB down", rest - level);
    }
}

#[test]
fn at_ratio_1_samples_are_unchanged_in_both_directions() {
    let source = sine(997.0, 500);
    assert_eq!(changed_at_ratio_one(), 0);
    let (mut l, mut r) = (vec![0.0; 600], vec![0.0; 600]);
    let other = sine(200.0, 500);
    Reader::new(-50.0).read_stereo([&source, &other], Step::from_ratio(1.0), [&mut l, &mut r]);
    assert!(l[..50].iter().chain(&l[550..]).all(|&x| x == 0.0));
    assert_eq!((&l[50..550], &r[50..550]), (&source[..], &other[..]));
}

#[test]
fn reading_backwards_mirrors_reading_forwards() {
    let source = sine(3000.0, 4000);
    let mirrored: Vec<f32> = source.iter().rev().copied().collect();
    let step = Step::from_ratio(0.75);
    let back = Step::from_ratio(-0.75);
    let (mut a, mut b) = (vec![0.0; 2000], vec![0.0; 2000]);
    // Positions on quarter frames fall on rows of the table both ways.
    Reader::new(500.25).read_mono(&source, step, &mut a);
    Reader::new(3999.0 - 500.25).read_mono(&mirrored, back, &mut b);
    let apart = a.iter().zip(&b).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    assert!(apart < 1e-6, "{apart}");
}

#[test]
fn reading_does_not_depend_on_chunks() {
    let source = sine(5000.0, 9000);
    let other = sine(170.0, 9000);
    // Glides over several tables.
    let steps: Vec<Step> =
        (0..3000).map(|i| Step::from_ratio(semitones(18.0 * (-f64::from(i) / 300.0).exp()))).collect();
    let read = |chunk: usize| {
        let mut reader = Reader::new(10.3);
        let (mut l, mut r) = (vec![0.0; 3000], vec![0.0; 3000]);
        for ((s, l), r) in steps.chunks(chunk).zip(l.chunks_mut(chunk)).zip(r.chunks_mut(chunk)) {
            reader.glide_stereo([&source, &other], s, [l, r]);
        }
        (l, r)
    };
    let whole = read(3000);
    for chunk in [1, 7, 64, 100, 256] {
        assert!(read(chunk) == whole, "chunks of {chunk}");
    }
    let constant = |chunk: usize| {
        let mut reader = Reader::new(10.3);
        let mut out = vec![0.0; 3000];
        out.chunks_mut(chunk).for_each(|o| reader.read_mono(&source, Step::from_ratio(1.37), o));
        out
    };
    assert!(constant(1) == constant(3000) && constant(77) == constant(3000));
}

#[test]
fn stereo_gives_the_same_bits_as_two_mono_reads() {
    let (a, b) = (sine(1234.0, 3000), sine(321.0, 3000));
    for ratio in [0.3, 1.01, 1.7, 3.9, -2.2] {
        let step = Step::from_ratio(ratio);
        let start = if ratio < 0.0 { 2500.5 } else { 11.7 };
        let (mut l, mut r, mut m) = (vec![0.0; 600], vec![0.0; 600], vec![0.0; 600]);
        Reader::new(start).read_stereo([&a, &b], step, [&mut l, &mut r]);
        Reader::new(start).read_mono(&a, step, &mut m);
        assert_eq!(l, m);
        Reader::new(start).read_mono(&b, step, &mut m);
        assert_eq!(r, m);
    }
}

#[test]
fn positions_are_exact_after_half_an_hour() {
    // 30 minutes at 384 kHz: stepping by thirds of a frame and jumping give the same position.
    let mut reader = Reader::new(0.0);
    let step = Step::from_ratio(1.0 / 3.0);
    let frames = 30 * 60 * 384_000u64;
    reader.jump(frames as f64 - 1000.0);
    let mut out = [0.0; 30];
    for _ in 0..100 {
        reader.read_mono(&[], step, &mut out);
    }
    let exact = frames as f64 - 1000.0 + 3000.0 * step.ratio();
    assert_eq!(reader.position(), exact);
    assert!((reader.position() - frames as f64).abs() < 1e-5);
}
