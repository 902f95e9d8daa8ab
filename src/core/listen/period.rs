//! The period of a sound, by the McLeod pitch method.
//!
//! P. McLeod and G. Wyvill, "A smarter way to find pitch", ICMC 2005: the normalised square difference
//! function, its key maxima, and the first of them that comes close to the highest.

use crate::spectrum::{InverseRealFft, Planner, RealFft, parabolic_peak};

/// Lowest and highest fundamental that is looked for, Hz: from A0 to the top key of a piano (27.5 and 4186 Hz).
const MIN_PITCH_HZ: f64 = 27.0;
const MAX_PITCH_HZ: f64 = 4200.0;
/// The first key maximum within this factor of the highest is the period (the paper's k).
const CLOSE: f32 = 0.9;

/// A period as a frequency, with the height of its maximum.
#[derive(Debug, Clone, Copy)]
pub(super) struct Period {
    /// Hz.
    pub hz: f64,
    /// Height of the maximum of the normalised square difference function, up to 1.
    pub clarity: f32,
}

/// The period of `x` at `rate` Hz; needs two periods.
pub(super) fn period(x: &[f32], rate: f64, planner: &mut Planner) -> Option<Period> {
    let longest = ((rate / MIN_PITCH_HZ) as usize).min(x.len() / 2);
    let shortest = ((rate / MAX_PITCH_HZ) as usize).max(2);
    if longest < shortest + 3 {
        return None;
    }
    let nsdf = nsdf(x, longest, planner)?;
    // Key maxima: the highest point between each upward and the next downward zero crossing.
    let mut keys: Vec<usize> = Vec::new();
    let mut i = nsdf.iter().position(|&v| v < 0.0)?;
    while i < longest {
        if nsdf[i] <= 0.0 {
            i += 1;
            continue;
        }
        let end = (i..longest).find(|&j| nsdf[j] <= 0.0).unwrap_or(longest);
        let top = (i..end).max_by(|&a, &b| nsdf[a].total_cmp(&nsdf[b]))?;
        if top >= shortest && top + 1 < longest {
            keys.push(top);
        }
        i = end;
    }
    let highest = keys.iter().map(|&k| nsdf[k]).reduce(f32::max)?;
    let key = keys.into_iter().find(|&k| nsdf[k] >= CLOSE * highest)?;
    let (a, b, c) = (f64::from(nsdf[key - 1]), f64::from(nsdf[key]), f64::from(nsdf[key + 1]));
    Some(Period { hz: rate / (key as f64 + parabolic_peak(a, b, c)), clarity: nsdf[key].min(1.0) })
}

/// Normalised square difference function for lags below `longest`; none in silence.
fn nsdf(x: &[f32], longest: usize, planner: &mut Planner) -> Option<Vec<f32>> {
    let size = (x.len() + longest).next_power_of_two();
    let mut forward = RealFft::planned(planner, size);
    let mut inverse = InverseRealFft::planned(planner, size);
    let input = &mut forward.input;
    let mean = x.iter().sum::<f32>() / x.len() as f32;
    for (y, v) in input.iter_mut().zip(x) {
        *y = v - mean;
    }
    let squares: Vec<f64> = input[..x.len()].iter().map(|&v| f64::from(v) * f64::from(v)).collect();
    let mut power: Vec<_> = forward.power().map(|p| (p / size as f32).into()).collect();
    let correlation = inverse.transform(&mut power);
    let mut m = 2.0 * squares.iter().sum::<f64>();
    if m <= 1e-12 {
        return None;
    }
    let n = squares.len();
    let values = (0..longest).map(|lag| {
        if lag > 0 {
            m -= squares[lag - 1] + squares[n - lag];
        }
        if m > 0.0 { (2.0 * f64::from(correlation[lag]) / m) as f32 } else { 0.0 }
    });
    Some(values.collect())
}
