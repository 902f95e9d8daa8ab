//! The reader's promises: what it may add, lose and fold.
//!
//! Figures are those of the project's sound targets; no outside source.

use kitwright::engine::dsp::reader::{Reader, Step};
use std::f64::consts::TAU;

const RATE: f64 = 44_100.0;

fn sine(hz: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|i| (TAU * hz / RATE * i as f64).sin() as f32).collect()
}

fn semitones(st: f64) -> f64 {
    (st / 12.0).exp2()
}

/// Reads a sine at `ratio`; the middle of the result, away from the ends of the source.
fn read_sine(hz: f64, ratio: f64) -> Vec<f32> {
    let frames = 8192;
    let source = sine(hz, (frames as f64 * ratio) as usize + 6000);
    let mut reader = Reader::new(3000.0 + 0.123_456_789);
    let mut out = vec![0.0; frames];
    reader.read_mono(&source, Step::from_ratio(ratio), &mut out);
    out
}

/// Least-squares fit of a sine of known frequency: its amplitude, and the power of what is left over
/// relative to it, both in dB.
fn fit(out: &[f32], hz: f64) -> (f64, f64) {
    let w = TAU * hz / RATE;
    let (mut cc, mut ss, mut cs, mut xc, mut xs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, &x) in out.iter().enumerate() {
        let (s, c) = (w * i as f64).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        xc += f64::from(x) * c;
        xs += f64::from(x) * s;
    }
    let det = cc * ss - cs * cs;
    let (a, b) = ((xc * ss - xs * cs) / det, (xs * cc - xc * cs) / det);
    let mut rest = 0.0;
    for (i, &x) in out.iter().enumerate() {
        let (s, c) = (w * i as f64).sin_cos();
        rest += (f64::from(x) - a * c - b * s).powi(2);
    }
    let power = (a * a + b * b) / 2.0;
    (10.0 * (2.0 * power).log10(), 10.0 * (power / (rest / out.len() as f64)).log10())
}

#[test]
fn one_semitone_up_keeps_110_db_and_a_tenth_of_a_db_to_15_khz() {
    let ratio = semitones(1.0);
    let mut worst = (f64::INFINITY, 0.0f64);
    for hz in [50.0, 440.0, 1000.0, 3000.0, 5000.0, 7500.0, 10_000.0, 12_500.0, 14_000.0, 15_000.0] {
        let (level, snr) = fit(&read_sine(hz, ratio), hz * ratio);
        worst = (worst.0.min(snr), worst.1.max(level.abs()));
        assert!(snr >= 110.0, "{hz} Hz: {snr:.1} dB signal to noise");
        assert!(level.abs() <= 0.1, "{hz} Hz: {level:.3} dB");
    }
    println!("+1 st: at least {:.1} dB, at most {:.4} dB loss", worst.0, worst.1);
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
fn pitching_up_folds_nothing_back() {
    let mut worst = f64::INFINITY;
    for st in [1.0, 2.0, 4.0, 5.0, 7.0, 9.0, 12.0, 15.0, 17.0, 19.0, 22.0, 24.0] {
        let ratio = semitones(st);
        // Everything from the new half rate up to the old one must vanish.
        let lowest = RATE / 2.0 / ratio * 1.0001;
        for step in 0..24 {
            let hz = lowest + (RATE / 2.0 - lowest) * f64::from(step) / 24.0;
            let out = read_sine(hz, ratio);
            let power: f64 = out.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / out.len() as f64;
            let rejection = -10.0 * (2.0 * power).log10();
            worst = worst.min(rejection);
            assert!(rejection >= 100.0, "{st} st, {hz:.0} Hz: {rejection:.1} dB");
        }
    }
    println!("alias rejection to +24 st: at least {worst:.1} dB");
}

#[test]
fn down_pitched_images_vanish() {
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
fn ratio_one_passes_bit_for_bit_forwards_and_backwards() {
    let source = sine(997.0, 500);
    let mut out = vec![0.0; 500];
    Reader::new(0.0).read_mono(&source, Step::from_ratio(1.0), &mut out);
    assert_eq!(out, source);
    Reader::new(499.0).read_mono(&source, Step::from_ratio(-1.0), &mut out);
    assert!(out.iter().eq(source.iter().rev()));
    let (mut l, mut r) = (vec![0.0; 600], vec![0.0; 600]);
    let other = sine(200.0, 500);
    Reader::new(-50.0).read_stereo([&source, &other], Step::from_ratio(1.0), [&mut l, &mut r]);
    assert!(l[..50].iter().chain(&l[550..]).all(|&x| x == 0.0));
    assert_eq!((&l[50..550], &r[50..550]), (&source[..], &other[..]));
}

#[test]
fn backwards_is_the_mirror_of_forwards() {
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
fn chunks_do_not_change_a_bit() {
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
fn stereo_reads_the_same_bits_as_two_times_mono() {
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
fn gliding_makes_no_zipper_noise() {
    // A glide over an octave and a half through many tables: the output's phase is the sum of the
    // steps, known exactly, so everything else is noise. 1 kHz lies in every table's pass band.
    let hz = 1000.0;
    let source = sine(hz, 60_000);
    let n = 16_384;
    let ratios: Vec<f64> = (0..n).map(|i| semitones(18.0 * (1.0 - i as f64 / n as f64))).collect();
    let steps: Vec<Step> = ratios.iter().map(|&r| Step::from_ratio(r)).collect();
    let mut out = vec![0.0; n];
    let mut reader = Reader::new(2000.0);
    reader.glide_mono(&source, &steps, &mut out);
    let (mut position, mut noise) = (2000.0, 0.0f64);
    for (y, step) in out.iter().zip(&steps) {
        noise = noise.max((f64::from(*y) - (TAU * hz / RATE * position).sin()).abs());
        position += step.ratio();
    }
    assert!(20.0 * noise.log10() < -105.0, "{:.1} dB", 20.0 * noise.log10());
}

#[test]
fn half_an_hour_is_exact() {
    // 30 minutes at 384 kHz: stepping there by thirds of a frame or jumping there is the same place.
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
