//! The typical spectrum of a role, from its profile, for the window to draw.

use super::{
    features::{BANDS, EDGES_HZ, STRETCHES},
    profiles as p,
    score::class_of,
};
use crate::{kit::Role, units::power_to_db};

/// A band of a role's typical spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TypicalBand {
    /// Middle of the band, Hz.
    pub hz: f32,
    /// Power density in the stretch of time where it is strongest, dB relative to an arbitrary reference.
    pub density_db: f32,
    /// Standard deviation over the recordings the profile was made from, dB.
    pub spread_db: f32,
}

/// The profile of `role`, of each band the stretch of time in which it is strongest. Power is divided by the
/// width of the (triangular) bands, so that spectra of other resolutions can be compared with it.
pub fn typical_bands(role: Role) -> [TypicalBand; BANDS] {
    let class = class_of(role);
    std::array::from_fn(|band| {
        let at = |stretch: usize| stretch * BANDS + band;
        let strongest = (0..STRETCHES)
            .max_by(|&a, &b| p::CENTRE[class][at(a)].total_cmp(&p::CENTRE[class][at(b)]))
            .unwrap_or(0);
        let width = (EDGES_HZ[band + 2] - EDGES_HZ[band]) / 2.0;
        TypicalBand {
            hz: EDGES_HZ[band + 1],
            density_db: p::CENTRE[class][at(strongest)] - power_to_db(width),
            spread_db: p::WIDTH[class][at(strongest)],
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strongest_hz(role: Role) -> f32 {
        let bands = typical_bands(role);
        let best = bands.iter().max_by(|a, b| a.density_db.total_cmp(&b.density_db));
        best.map_or(0.0, |b| b.hz)
    }

    /// Common knowledge of the instruments, no source: a kick is low, a tom above it, hats are high.
    #[test]
    fn kicks_and_toms_are_low_and_hats_are_high() {
        assert!(strongest_hz(Role::Kick) < 120.0, "{}", strongest_hz(Role::Kick));
        assert!(strongest_hz(Role::LowTom) < 400.0, "{}", strongest_hz(Role::LowTom));
        assert!(strongest_hz(Role::ClosedHat) > 3000.0, "{}", strongest_hz(Role::ClosedHat));
        for role in Role::ALL {
            assert!(typical_bands(role).iter().all(|b| b.density_db.is_finite() && b.spread_db > 0.0));
        }
    }
}
