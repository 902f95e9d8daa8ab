//! Tables of windowed-sinc kernels, one per two semitones of pitching up.
//!
//! A slice read `ratio` times faster than it was recorded must not hold anything above `1 / ratio` of
//! the Nyquist frequency. Each [`Band`] holds a low pass whose stop band begins exactly there for the
//! fastest reading it serves, so nothing folds back; the number of taps grows with the ratio and keeps
//! the width of the transition the same to the ear. A faster reading is over sooner: the cost of a
//! whole hit hardly depends on its pitch.
//!
//! Design: ideal low pass times a Kaiser window (J. F. Kaiser, "Nonrecursive digital filter design
//! using the I0-sinh window function", 1974; formulas as in Oppenheim and Schafer, "Discrete-Time
//! Signal Processing", 7.5.3), [`ATTENUATION_DB`] deep.

use std::sync::OnceLock;

/// Depth of the stop band, dB.
pub const ATTENUATION_DB: f64 = 117.0;
/// Taps of the first band.
const BASE_TAPS: f64 = 64.0;
/// Phases of the first band: stretches of a frame, each with a cubic through the kernel's values at its
/// four Chebyshev nodes. The error, at most (w / P)^4 / 3072 for a frequency of w radians per frame (the
/// Chebyshev remainder), is -115 dB at 15 kHz of 44.1 kHz; and the table (8 KB) stays in the innermost
/// cache, which straight lines between 512 phases (131 KB) would not.
const BASE_PHASES: f64 = 8.0;
/// Highest ratio of the first band: one semitone and a cent up.
const BASE_RATIO: f64 = 1.0601;
/// Bands per octave.
const BANDS_PER_OCTAVE: usize = 6;
/// Bands in all: up to `BASE_RATIO` * 16, four octaves and a semitone up.
pub const BANDS: usize = 1 + 4 * BANDS_PER_OCTAVE;
/// Most taps of any band.
pub const MAX_TAPS: usize = 1088;
/// Sums run in this many lanes; tap counts are multiples of it.
pub const LANES: usize = 16;

/// Sixteen neighbouring taps as cubics in the position within the phase: coefficients of the third to
/// the zeroth power.
#[derive(Debug, Clone, Copy)]
#[repr(align(64))]
pub struct Block(pub [[f32; LANES]; 4]);

/// The kernels for readings up to `max_ratio`.
#[derive(Debug)]
pub struct Band {
    /// One row of `taps / LANES` blocks per phase.
    pub rows: Vec<Block>,
    /// Taps of one row.
    pub taps: usize,
    /// Phases are `1 << phase_bits`.
    pub phase_bits: u32,
    /// Fastest reading that it keeps free of aliases, in frames per output frame.
    pub max_ratio: f64,
    /// Same in 32.32 fixed point.
    pub max_step: i64,
}

/// Every band, slowest first. The first call builds them (a few milliseconds, 200 KB): make it off the audio
/// thread; [`super::Reader::prepare`] does.
pub fn bands() -> &'static [Band; BANDS] {
    static TABLES: OnceLock<Box<[Band; BANDS]>> = OnceLock::new();
    TABLES.get_or_init(|| Box::new(std::array::from_fn(Band::new)))
}

impl Band {
    fn new(index: usize) -> Self {
        let octaves = index as f64 / BANDS_PER_OCTAVE as f64;
        let max_ratio = BASE_RATIO * libm::exp2(octaves);
        let taps = ((BASE_TAPS * libm::exp2(octaves) / LANES as f64).ceil() as usize) * LANES;
        let phase_bits = (libm::log2(BASE_PHASES).round() as u32).saturating_sub(octaves.floor() as u32);
        let width = (ATTENUATION_DB - 8.0) / (2.285 * std::f64::consts::TAU * taps as f64);
        let stop = 0.5 / max_ratio;
        let cutoff = stop - width / 2.0;
        let phases = 1usize << phase_bits;
        let mut rows = Vec::with_capacity(phases * taps / LANES);
        for phase in 0..phases {
            let nodes = NODES.map(|u| {
                let fraction = (phase as f64 + 0.5 + u) / phases as f64;
                let row: Vec<f64> = (0..taps)
                    .map(|j| kernel(j as f64 - (taps / 2 - 1) as f64 - fraction, cutoff, taps))
                    .collect();
                // A steady level passes unchanged everywhere.
                let sum: f64 = row.iter().sum();
                row.into_iter().map(|h| h / sum).collect::<Vec<f64>>()
            });
            for block in 0..taps / LANES {
                let cubics: [[f64; 4]; LANES] =
                    std::array::from_fn(|l| cubic(std::array::from_fn(|n| nodes[n][block * LANES + l])));
                let power = |p: usize| std::array::from_fn(|l| cubics[l][p] as f32);
                rows.push(Block(std::array::from_fn(power)));
            }
        }
        Self { rows, taps, phase_bits, max_ratio, max_step: (max_ratio * super::ONE) as i64 }
    }
}

/// Chebyshev nodes of the interval ±1/2: cos((2k + 1) pi / 8) / 2.
const NODES: [f64; 4] =
    [-0.461_939_766_255_643_4, -0.191_341_716_182_544_9, 0.191_341_716_182_544_9, 0.461_939_766_255_643_4];

/// The cubic through `values` at [`NODES`]: coefficients of the third to the zeroth power (Newton's
/// divided differences, expanded).
fn cubic(values: [f64; 4]) -> [f64; 4] {
    let mut d = values;
    for order in 1..4 {
        for i in (order..4).rev() {
            d[i] = (d[i] - d[i - 1]) / (NODES[i] - NODES[i - order]);
        }
    }
    // Horner's scheme on polynomials, zeroth power first.
    let mut c = [d[3], 0.0, 0.0, 0.0];
    for i in (0..3).rev() {
        for p in (1..4).rev() {
            c[p] = c[p - 1] - NODES[i] * c[p];
        }
        c[0] = d[i] - NODES[i] * c[0];
    }
    [c[3], c[2], c[1], c[0]]
}

/// Low pass at `cutoff` (of the sample rate) times the Kaiser window, at `x` frames from its middle.
fn kernel(x: f64, cutoff: f64, taps: usize) -> f64 {
    const BETA: f64 = 0.1102 * (ATTENUATION_DB - 8.7);
    let edge = 2.0 * x / taps as f64;
    if edge.abs() >= 1.0 {
        return 0.0;
    }
    let angle = std::f64::consts::TAU * cutoff * x;
    let sinc = if angle == 0.0 { 1.0 } else { libm::sin(angle) / angle };
    sinc * bessel_i0(BETA * (1.0 - edge * edge).sqrt())
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let q = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-17 {
        term *= q / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}
