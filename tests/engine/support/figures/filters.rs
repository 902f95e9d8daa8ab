//! Errors of filters against their prototypes.

use kitwright_core::{
    engine::dsp::{crossover::Crossover, eq::EqSection},
    units::power_to_db,
};
use std::f64::consts::TAU;

/// Output of `tests/reference/eq_reference.py` (scipy.signal).
#[derive(serde::Deserialize)]
pub struct Reference {
    pub hz: Vec<f64>,
    pub cases: Vec<Case>,
}

#[derive(serde::Deserialize)]
pub struct Case {
    pub kind: String,
    pub hz: f64,
    pub gain_db: f64,
    pub q: f64,
    pub magnitude_db: Vec<f64>,
}

pub fn reference() -> Reference {
    serde_json::from_str(include_str!("../../../reference/eq_reference.json")).unwrap()
}

pub fn sections(case: &Case, rate: f64) -> Vec<EqSection> {
    let Case { hz, gain_db, q, .. } = *case;
    match case.kind.as_str() {
        "bell" => vec![EqSection::bell(hz, gain_db, q, rate)],
        "low shelf" => vec![EqSection::low_shelf(hz, gain_db, q, rate)],
        "high shelf" => vec![EqSection::high_shelf(hz, gain_db, q, rate)],
        "tilt" => vec![EqSection::tilt(gain_db, rate)],
        "low cut 12" => EqSection::low_cut(hz, false, rate).to_vec(),
        "low cut 24" => EqSection::low_cut(hz, true, rate).to_vec(),
        "high cut 12" => EqSection::high_cut(hz, false, rate).to_vec(),
        "high cut 24" => EqSection::high_cut(hz, true, rate).to_vec(),
        other => panic!("{other}"),
    }
}

fn magnitude(sections: &[EqSection], hz: f64, rate: f64) -> f64 {
    sections.iter().map(|s| s.magnitude_db(hz, rate)).sum()
}

/// Greatest distance from the prototype up to 20 kHz, where the prototype lies within `range` dB.
pub fn error(case: &Case, hz: &[f64], rate: f64, range: std::ops::Range<f64>) -> f64 {
    let made = sections(case, rate);
    hz.iter()
        .zip(&case.magnitude_db)
        .filter(|(_, db)| range.contains(db))
        .map(|(&hz, db)| (magnitude(&made, hz, rate) - db).abs())
        .fold(0.0, f64::max)
}

/// Levels that are compared, dB.
pub const ALL: std::ops::Range<f64> = -60.0..100.0;

/// Level at `hz` after a filter working on a sine, dB.
pub fn measured(hz: f64, rate: f64, mut work: impl FnMut(&mut [f32], &mut [f32])) -> f64 {
    let n = (rate * 0.5) as usize;
    let mut l: Vec<f32> = (0..n).map(|i| (TAU * hz * i as f64 / rate).sin() as f32).collect();
    let mut r = l.clone();
    work(&mut l, &mut r);
    assert_eq!(l, r);
    let power = |x: &[f32]| x.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / x.len() as f64;
    power_to_db(2.0 * power(&l[n / 2..]))
}

/// Greatest distance from the prototype to 20 kHz of the bell at 10 kHz, Q 1, at 48 kHz, dB.
pub fn ten_khz_bell(gain_db: f64) -> f64 {
    let reference = reference();
    let wanted = |c: &&Case| c.kind == "bell" && c.hz == 10_000.0 && c.gain_db == gain_db && c.q == 1.0;
    let case = reference.cases.iter().find(wanted).expect("a case in the reference");
    error(case, &reference.hz, 48_000.0, ALL)
}

/// Greatest distance from 0 dB of the sum of a split's bands, over rates, splits and frequencies.
pub fn crossover_sum() -> f64 {
    let mut worst = 0.0_f64;
    for rate in [44_100.0, 48_000.0, 192_000.0] {
        for split in [60.0f32, 250.0, 2000.0] {
            for hz in [20.0, 60.0, 120.0, 250.0, 500.0, 2000.0, 10_000.0, 20_000.0] {
                let mut crossover = Crossover::new(split, rate);
                let level = measured(hz, rate, |l, r| {
                    let (mut a, mut b) = (vec![0.0; l.len()], vec![0.0; l.len()]);
                    crossover.split(l, r, [&mut a, &mut b]);
                    l.iter_mut().zip(&a).for_each(|(x, a)| *x += a);
                    r.iter_mut().zip(&b).for_each(|(x, b)| *x += b);
                });
                worst = worst.max(level.abs());
            }
        }
    }
    worst
}
