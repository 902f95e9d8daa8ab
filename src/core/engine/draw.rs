//! Random draws: counter-based, from one named generator with fixed output.
//!
//! A draw depends on the kit's seed, the pad, its purpose and an index (or a grid step of the song) only,
//! never on how many draws came before it. The generator is PCG XSL RR 128/64 (MCG) of M. E. O'Neill,
//! "PCG: A Family of Simple Fast Space-Efficient Statistically Good Algorithms for Random Number
//! Generation" (2014); the mapping to numbers is done here, so no update of a library can change it.

use rand_pcg::{Pcg64Mcg, rand_core::Rng};

/// What a draw is for; each purpose has a stream of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DrawPurpose {
    /// Which slice of the pad sounds.
    Slice = 1,
    /// The variation of a trigger.
    Variation = 2,
    /// The grains of a cloud.
    Cloud = 3,
    /// The phases of a tail.
    Tail = 4,
}

/// Where the index of a draw comes from; each has numbers of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Index {
    /// Number of triggers of the pad before this one, since the engine's start or reset.
    Trigger(u64),
    /// A grid step of the song, and the number of triggers before this one at the same step.
    GridStep(i64, u32),
    /// A frozen draw.
    Frozen(u64),
    /// The first value of a pad's [`LowDiscrepancy`] sequence.
    Origin,
}

/// A stream of draws.
#[derive(Debug, Clone)]
pub struct Draws(Pcg64Mcg);

impl Draws {
    /// The stream for `purpose` at `index` on pad `pad` of a kit with this seed.
    pub fn new(seed: u64, pad: usize, index: Index, purpose: DrawPurpose) -> Self {
        let (kind, a, b) = match index {
            Index::Trigger(n) => (1, n, 0),
            Index::GridStep(step, n) => (2, step as u64, u64::from(n)),
            Index::Frozen(n) => (3, n, 0),
            Index::Origin => (4, 0, 0),
        };
        let mut h = mix(seed);
        for word in [pad as u64, kind, a, b, purpose as u64] {
            h = mix(h ^ word);
        }
        Self(Pcg64Mcg::new((u128::from(mix(h)) << 64) | u128::from(h)))
    }

    /// Uniform, 0 (inclusive) to 1 (exclusive), in steps of 2^-53.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform, -1 (inclusive) to 1 (exclusive).
    pub fn signed(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// Gaussian with mean 0 and standard deviation 1 (G. E. P. Box, M. E. Muller 1958).
    pub fn gaussian(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        radius * libm::cos(std::f64::consts::TAU * self.unit())
    }

    /// Uniform whole number below `n`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
}

/// One value of a low-discrepancy sequence in 0 to 1: the additive recurrence with the golden ratio
/// (`origin + n / phi` modulo 1) plus a jitter of [`LowDiscrepancy::JITTER`]. Its values are as uniform as
/// independent draws; consecutive ones are at least [`LowDiscrepancy::MIN_DISTANCE`] apart modulo 1. The golden
/// ratio keeps the smallest gap widest for any number of values (V. T. Sos 1957 and S. Swierczkowski 1958, the
/// three-gap theorem).
#[derive(Debug, Clone, Copy)]
pub struct LowDiscrepancy(f64);

impl LowDiscrepancy {
    /// 1 / phi in units of 2^-64: whole numbers, so that every value is exact.
    const INVERSE_PHI: u64 = 0x9e37_79b9_7f4a_7c15;
    /// Largest deviation from the recurrence.
    pub const JITTER: f64 = 0.02;
    /// Smallest distance between consecutive values, modulo 1: 0.3819 less twice the jitter.
    #[cfg(test)]
    pub const MIN_DISTANCE: f64 = 0.3819 - 2.0 * Self::JITTER;

    /// Value `n`: `origin` uniform in 0 to 1, `jitter` uniform in -1 to 1.
    pub fn new(n: u64, origin: f64, jitter: f64) -> Self {
        let turned = (n.wrapping_mul(Self::INVERSE_PHI) >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0);
        let sum = origin + turned + Self::JITTER * jitter;
        Self(sum - libm::floor(sum))
    }

    /// Uniform, -1 to 1.
    pub fn signed(self) -> f64 {
        2.0 * self.0 - 1.0
    }

    /// A value within the jitter of this one, reflected at 0 and 1, which keeps it uniform; `jitter` uniform in -1
    /// to 1.
    pub fn beside(self, jitter: f64) -> Self {
        let x = (self.0 + Self::JITTER * jitter).abs();
        Self(if x > 1.0 { 2.0 - x } else { x })
    }
}

/// SplitMix64's finaliser (G. L. Steele, D. Lea, C. H. Flood 2014, "Fast splittable pseudorandom
/// number generators").
fn mix(x: u64) -> u64 {
    let x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

#[cfg(test)]
pub(super) mod statistics {
    /// Largest distance between the empirical distribution of `sample` and `cdf`, over the distance that
    /// one in a thousand fair samples exceeds (A. N. Kolmogorov 1933, N. V. Smirnov 1948; 1.95 / sqrt n).
    pub fn kolmogorov_smirnov(mut sample: Vec<f64>, cdf: impl Fn(f64) -> f64) -> f64 {
        sample.sort_by(f64::total_cmp);
        let n = sample.len() as f64;
        let distance = |(i, &x): (usize, &f64)| {
            let f = cdf(x);
            (f - i as f64 / n).abs().max(((i + 1) as f64 / n - f).abs())
        };
        sample.iter().enumerate().map(distance).fold(0.0, f64::max) / (1.95 / n.sqrt())
    }

    /// Uniform between two ends.
    pub fn uniform(low: f64, high: f64) -> impl Fn(f64) -> f64 {
        move |x| ((x - low) / (high - low)).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_have_the_bits_of_the_published_generator() {
        // Computed independently, in Python from the papers' constants: kits must sound the same after any
        // update of a library.
        let mut d = Draws::new(1, 0, Index::Trigger(0), DrawPurpose::Cloud);
        let got: Vec<u64> = (0..3).map(|_| d.unit().to_bits()).collect();
        assert_eq!(got, FROZEN, "{got:#x?}");
    }

    const FROZEN: [u64; 3] = [0x3fee_9f4f_13c1_34cc, 0x3fb7_8cdb_4c81_1be0, 0x3fed_4aba_513d_522b];

    #[test]
    fn a_gaussian_has_its_mean_and_spread() {
        let mut d = Draws::new(7, 3, Index::Frozen(2), DrawPurpose::Cloud);
        let n = 100_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..n {
            let x = d.gaussian();
            sum += x;
            squares += x * x;
        }
        // Five standard errors.
        assert!((sum / f64::from(n)).abs() < 5.0 / f64::from(n).sqrt());
        assert!((squares / f64::from(n) - 1.0).abs() < 5.0 * (2.0 / f64::from(n)).sqrt());
    }
}
