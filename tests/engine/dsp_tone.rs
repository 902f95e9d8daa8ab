//! The tone chain: order, bypass at equal loudness, no clicks, no dependence on chunks.

use crate::support::figures::tone::*;
use kitwright_core::{
    kit::{Band, Compressor, Cut, Limiter, Saturation, Slope, Tone, ToneStage},
    settings::PadTrims,
    units::{db_to_gain, gain_to_db},
};
use std::f64::consts::TAU;

#[test]
fn output_does_not_depend_on_chunks_with_and_without_lookahead() {
    let n = 40_000;
    let mut x = hits(n + 2000, 0.8);
    // A long pause, so that the chain becomes idle and starts again.
    x[20_000..30_500].fill(0.0);
    let quieter: Vec<f32> = x.iter().map(|x| -0.7 * x).collect();
    let changed = Tone { tilt_db: -4.0, ..full() };
    let switched = Tone { saturation: Saturation::default(), ..full() };
    for ahead in [false, true] {
        let run = |chunk: usize| {
            let mut chain = chain(&full());
            let (mut l, mut r) = (x.clone(), quieter.clone());
            let mut from = 0;
            for until in [3000, 9001, 13_333, n] {
                while from < until {
                    let to = (from + chunk).min(until);
                    let far = if ahead { chain.lookahead() } else { 0 };
                    let future = [&x[to..to + far], &quieter[to..to + far]];
                    chain.process(&mut l[from..to], &mut r[from..to], future);
                    from = to;
                }
                match until {
                    3000 => chain.set(&changed, &PadTrims::default(), Some(98.0)),
                    9001 => chain.set(&switched, &PadTrims::default(), Some(98.0)),
                    13_333 => chain.set(&full(), &PadTrims::default(), Some(110.0)),
                    _ => {}
                }
            }
            l.truncate(n);
            l
        };
        let whole = run(n);
        for chunk in [1, 13, 64, 100, 256] {
            let other = run(chunk);
            let first = whole.iter().zip(&other).position(|(a, b)| a.to_bits() != b.to_bits());
            assert_eq!(first, None, "chunks of {chunk}, ahead {ahead}");
        }
    }
}

#[test]
fn a_chain_with_all_stages_off_changes_nothing() {
    let x = hits(5000, 0.5);
    assert_eq!(process(&mut chain(&Tone::default()), &x), x);
}

/// Within 1 LU: about the smallest audible difference. Common practice, no source.
#[test]
fn bypass_matches_the_loudness_of_every_stage_and_of_the_chain() {
    for (what, apart) in bypass() {
        println!("{what}: bypassed {apart:+.2} LU louder");
        assert!(apart.abs() < if what == "whole chain" { 1.0 } else { 0.7 }, "{what}: {apart:.2} LU");
    }
}

/// The loudness of the chain is followed while its last stage is bypassed, after settings that made it another one.
#[test]
fn the_chain_is_bypassed_at_its_loudness_also_while_its_last_stage_is() {
    let lifted = |gain_db| {
        let mut tone = Tone { colour: full().colour, ..Tone::default() };
        tone.bands[0] = Band { on: true, hz: 120.0, gain_db, q: 0.5 };
        tone
    };
    // eight times as long as the loudness is averaged
    let x = hits(48_000 * 24, 0.1);
    let (mut working, mut off) = (chain(&lifted(6.0)), chain(&lifted(6.0)));
    for chain in [&mut working, &mut off] {
        process(chain, &x);
        chain.bypass(ToneStage::Colour, true);
        chain.set(&lifted(-6.0), &PadTrims::default(), Some(98.0));
        process(chain, &x);
    }
    off.set(&lifted(-6.0), &PadTrims { tone: false, ..PadTrims::default() }, Some(98.0));
    // before what is measured during the bypass counts
    let soon = &x[..48_000];
    let apart = loudness(&process(&mut off, soon)) - loudness(&process(&mut working, soon));
    println!("bypassed {apart:+.2} LU louder");
    assert!(apart.abs() < 1.0, "{apart:.2} LU");
}

/// Energy above 15 kHz around a change during a 200 Hz tone: a click would have some.
#[test]
fn no_change_clicks() {
    let x: Vec<f32> = (0..24_000).map(|i| (0.2 * (TAU * 200.0 / RATE * f64::from(i)).sin()) as f32).collect();
    let off = Tone::default();
    // No stage that makes harmonics.
    let linear = Tone {
        limiter: Limiter::default(),
        saturation: Saturation::default(),
        colour: Limiter::default(),
        punch: Compressor { attack_ms: 50.0, release_ms: 500.0, ..full().punch },
        low_band: Compressor { attack_ms: 50.0, release_ms: 500.0, ..full().low_band },
        ..full()
    };
    let moved = Tone {
        high_cut: Cut { hz: 600.0, ..linear.high_cut },
        bands: [Band { gain_db: -12.0, ..linear.bands[0] }, linear.bands[1], linear.bands[2]],
        tilt_db: -6.0,
        ..linear.clone()
    };
    let steeper = Tone { high_cut: Cut { slope: Slope::TwentyFour, ..linear.high_cut }, ..linear.clone() };
    let mut reordered = linear.clone();
    reordered.order.reverse();
    let quiet = PadTrims { tone: false, ..PadTrims::default() };
    let trims = PadTrims::default();
    for (what, a, b, trims) in [
        ("on", &off, &linear, &trims),
        ("off", &linear, &off, &trims),
        ("moved", &linear, &moved, &trims),
        ("steeper", &linear, &steeper, &trims),
        ("reordered", &linear, &reordered, &trims),
        ("bypassed", &linear, &linear, &quiet),
    ] {
        let mut chain = chain(a);
        let (mut l, mut r) = (x.clone(), x.clone());
        let (l1, l2) = l.split_at_mut(12_000);
        let (r1, r2) = r.split_at_mut(12_000);
        chain.process(l1, r1, [&[], &[]]);
        chain.set(b, trims, Some(98.0));
        chain.process(l2, r2, [&[], &[]]);
        // Fourth differences amplify half the sample rate 16 times and suppress 200 Hz.
        let high = |x: &[f32]| {
            x.windows(5)
                .map(|w| (w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4]).abs())
                .fold(0.0, f32::max)
        };
        let around = high(&l[11_900..14_000]);
        println!("{what}: {:.1} dB", gain_to_db(around));
        assert!(around < 2e-3, "{what}: {around}");
    }
}

#[test]
fn the_order_of_the_stages_is_kept() {
    let x = hits(20_000, 0.8);
    let mut other = full();
    other.order = [
        ToneStage::Colour,
        ToneStage::LowBand,
        ToneStage::Punch,
        ToneStage::Eq,
        ToneStage::Saturation,
        ToneStage::Limiter,
        ToneStage::Cuts,
    ];
    assert!(process(&mut chain(&full()), &x) != process(&mut chain(&other), &x));
    // With the colour limiter last nothing exceeds its threshold.
    let peak = |x: &[f32]| x.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    assert!(peak(&process(&mut chain(&full()), &x)) <= db_to_gain(-3.0_f32) * 1.000_01);
    let mut loud = full();
    loud.order = [
        ToneStage::Colour,
        ToneStage::Cuts,
        ToneStage::Limiter,
        ToneStage::Saturation,
        ToneStage::Eq,
        ToneStage::Punch,
        ToneStage::LowBand,
    ];
    loud.bands[2].gain_db = 18.0;
    assert!(peak(&process(&mut chain(&loud), &x)) > db_to_gain(-3.0_f32));
}

#[test]
fn the_chain_is_idle_after_its_tail() {
    let mut chain = chain(&full());
    assert!(chain.is_idle());
    process(&mut chain, &hits(6000, 0.8));
    assert!(!chain.is_idle());
    let mut last = 0.0f32;
    for _ in 0..200 {
        if chain.is_idle() {
            break;
        }
        let out = process(&mut chain, &[0.0; 480]);
        assert!(!out.iter().any(|x| x.is_subnormal()));
        last = *out.last().unwrap();
    }
    assert!(chain.is_idle() && last == 0.0);
    assert_eq!(process(&mut chain, &[0.0; 100]), [0.0; 100]);
}

#[test]
fn an_idle_chain_sounds_like_a_new_one() {
    let x = hits(6000, 0.8);
    let mut used = chain(&full());
    process(&mut used, &x);
    while !used.is_idle() {
        process(&mut used, &[0.0; 37]);
    }
    process(&mut used, &[0.0; 5]);
    assert_eq!(process(&mut used, &x), process(&mut chain(&full()), &x));
}

#[test]
fn meters_show_the_reductions() {
    let mut c = chain(&full());
    process(&mut c, &hits(2000, 0.9));
    let r = c.take_reductions();
    assert!(r.limiter_db > 0.1 && r.punch_db > 0.1 && r.low_band_db > 0.1, "{r:?}");
    assert_eq!(c.take_reductions(), Default::default(), "reading resets the meters");
    c.bypass(ToneStage::Limiter, true);
    process(&mut c, &hits(4000, 0.9));
    assert_eq!(c.take_reductions().limiter_db, 0.0, "a bypassed stage shows no reduction");
    let mut none = chain(&Tone::default());
    process(&mut none, &hits(2000, 0.9));
    assert_eq!(none.take_reductions(), Default::default());
}

#[test]
fn nan_does_not_stay_in_the_state() {
    let mut c = chain(&full());
    let mut x = hits(1000, 0.5);
    x[500] = f32::NAN;
    process(&mut c, &x);
    let out = process(&mut c, &hits(2000, 0.5));
    assert!(out.iter().all(|x| x.is_finite()) && out.iter().any(|x| x.abs() > 0.01));
}
