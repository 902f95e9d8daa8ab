//! A first guess for a search: the EQ that brings a pad's spectrum nearest to what is wanted, computed instead of tried.

use super::{
    features::{BANDS, EDGES_HZ, Features, STRETCHES},
    objective::{Objective, WantedBands},
};
use crate::kit::{Band, Pad};

/// Gains are kept within this, dB: what lies further is left to the search.
const MAX_GAIN_DB: f32 = 12.0;
/// The same for the tilt.
const MAX_TILT_DB: f32 = 5.0;
/// Bands further below the strongest than this in both sounds are not compared, dB.
const HEARD_DB: f32 = -50.0;
/// Weight of a gain's square: small gains are preferred (found by trial).
const RIDGE: f32 = 0.02;
/// Sweeps over the unknowns; they converge within some tens.
const SWEEPS: usize = 60;
/// Low shelf, bell, high shelf, tilt, and the level, which does not count.
const UNKNOWNS: usize = 5;

/// The pad with the gains of its EQ bands that are on, and its tilt, moved so that the spectrum of its sound comes near
/// the objective's: weighted least squares over all bands and stretches of time, with the responses of the analogue
/// prototypes (R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients").
pub fn equalised(pad: &Pad, sound: &Features, objective: &Objective) -> Pad {
    let wanted = objective.wanted_bands(sound);
    let bands = &pad.tone.bands;
    let shape = |unknown: usize, hz: f32| match unknown {
        0 => on(&bands[0], low_shelf(&bands[0], hz)),
        1 => on(&bands[1], bell(&bands[1], hz)),
        2 => on(&bands[2], 1.0 - low_shelf(&bands[2], hz)),
        3 => 1.0 - 2.0 / (1.0 + (hz / 1000.0) * (hz / 1000.0)),
        _ => 1.0,
    };
    let responses: [[f32; BANDS]; UNKNOWNS] =
        std::array::from_fn(|u| std::array::from_fn(|b| shape(u, EDGES_HZ[b + 1])));
    let (target, weight) = difference(sound, &wanted);
    let gains = least_squares(&responses, &target, &weight, RIDGE);
    let mut pad = pad.clone();
    for (band, gain) in pad.tone.bands.iter_mut().zip(gains) {
        band.gain_db = (band.gain_db + gain.clamp(-MAX_GAIN_DB, MAX_GAIN_DB)).clamp(-18.0, 18.0);
    }
    pad.tone.tilt_db = (pad.tone.tilt_db + gains[3].clamp(-MAX_TILT_DB, MAX_TILT_DB)).clamp(-6.0, 6.0);
    pad
}

fn on(band: &Band, response: f32) -> f32 {
    if band.on { response } else { 0.0 }
}

/// Share of its gain that a low shelf has at `hz`.
fn low_shelf(band: &Band, hz: f32) -> f32 {
    1.0 / (1.0 + (hz / band.hz) * (hz / band.hz))
}

/// Share of its gain that a bell has at `hz`.
fn bell(band: &Band, hz: f32) -> f32 {
    let detune = band.q * (hz / band.hz - band.hz / hz);
    1.0 / (1.0 + detune * detune)
}

/// What the sound lacks in each band, dB, averaged over the stretches of time, and how much it counts.
fn difference(sound: &Features, wanted: &WantedBands) -> ([f32; BANDS], [f32; BANDS]) {
    let (mut sum, mut weight) = ([0.0f32; BANDS], [0.0f32; BANDS]);
    for s in 0..STRETCHES {
        for b in 0..BANDS {
            let (is, should, width) = (sound.bands_db[s][b], wanted.level_db[s][b], wanted.width_db[s][b]);
            if is.max(should) > HEARD_DB {
                let counts = 1.0 / (width * width);
                sum[b] += counts * (should - is);
                weight[b] += counts;
            }
        }
    }
    (std::array::from_fn(|b| if weight[b] > 0.0 { sum[b] / weight[b] } else { 0.0 }), weight)
}

/// The gains with the smallest weighted error, by Gauss and Seidel's method: the problem is convex.
fn least_squares(
    responses: &[[f32; BANDS]; UNKNOWNS],
    target: &[f32; BANDS],
    weight: &[f32; BANDS],
    ridge: f32,
) -> [f32; UNKNOWNS] {
    let mut gains = [0.0f32; UNKNOWNS];
    let total: f32 = weight.iter().sum();
    for _ in 0..SWEEPS {
        for u in 0..UNKNOWNS {
            let (mut lacks, mut power) = (0.0, 0.0);
            for b in 0..BANDS {
                let others: f32 = (0..UNKNOWNS).filter(|o| *o != u).map(|o| gains[o] * responses[o][b]).sum();
                lacks += weight[b] * responses[u][b] * (target[b] - others);
                power += weight[b] * responses[u][b] * responses[u][b];
            }
            // the level is free
            let ridge = if u == UNKNOWNS - 1 { 0.0 } else { ridge * total };
            gains[u] = if power + ridge > 0.0 { lacks / (power + ridge) } else { 0.0 };
        }
    }
    gains
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        cast::{auditioner::Auditioner, test_signal::plucked},
        kit::Role,
    };

    /// A sound whose bands lack what an EQ of known gains gives gets those gains.
    #[test]
    fn known_gains_are_found_again() {
        let responses: [[f32; BANDS]; UNKNOWNS] = std::array::from_fn(|u| {
            std::array::from_fn(|b| match u {
                0 => low_shelf(&Band { hz: 200.0, ..Band::default() }, EDGES_HZ[b + 1]),
                1 => bell(&Band { hz: 900.0, q: 0.8, ..Band::default() }, EDGES_HZ[b + 1]),
                2 => 1.0 - low_shelf(&Band { hz: 5000.0, ..Band::default() }, EDGES_HZ[b + 1]),
                3 => 0.0,
                _ => 1.0,
            })
        });
        let gains = [6.0, -5.0, 4.0, 0.0, 3.0];
        let target = std::array::from_fn(|b| (0..UNKNOWNS).map(|u| gains[u] * responses[u][b]).sum());
        let found = least_squares(&responses, &target, &[1.0; BANDS], 0.0);
        for (u, (found, gain)) in found.iter().zip(gains).enumerate().take(3) {
            assert!((found - gain).abs() < 0.3, "unknown {u}: {found} instead of {gain}");
        }
    }

    #[test]
    fn a_pad_comes_nearer_to_a_sound_that_only_an_eq_made_different() {
        let (kit, raw) = plucked(147.0, 6.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = Pad::empty(38, Role::Snare);
        pad.slices = vec![crate::cast::companions::slice_of(0, &kit.doc.takes[0].hits[0])];
        pad.tone.bands = [(200.0, 0.0), (900.0, 0.0), (5000.0, 0.0)].map(|(hz, gain_db)| Band {
            on: true,
            hz,
            gain_db,
            q: 0.8,
        });
        let mut other = pad.clone();
        for (band, gain_db) in other.tone.bands.iter_mut().zip([8.0, -6.0, 7.0]) {
            band.gain_db = gain_db;
        }
        let target = auditioner.try_out(&other).unwrap();
        let objective = Objective::Sound(Box::new(target.clone()));
        let before = auditioner.try_out(&pad).unwrap();
        let after = auditioner.try_out(&equalised(&pad, &before, &objective)).unwrap();
        let [before, after] = [before, after].map(|f| objective.loss(&f));
        assert!(after < 0.6 * before, "{before} before, {after} after; raw {}", objective.loss(&raw));
    }
}
