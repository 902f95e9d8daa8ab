//! Tables of low-pass kernels, one per two semitones of pitching up.
//!
//! A slice played at a ratio above 1 must not contain anything above `1 / ratio` of the Nyquist frequency. Each
//! [`TableBand`] holds a low pass whose stop band starts there for the highest ratio it serves, so nothing aliases.
//! The kernel is stretched with the ratio, so the transition band stays the same in octaves. A higher ratio
//! plays a hit in fewer frames: the cost of a whole hit hardly depends on its pitch.
//!
//! The shape is one sum of cosines (`SHAPE`), fitted to pass 15 kHz of 44.1 kHz a semitone up. In a
//! windowed sinc the ripple of the pass band equals that of the stop band, which takes more taps: 64 for 117 dB
//! with a Kaiser window, against 48 for 120 dB here, with a pass-band ripple of 0.01 dB at 15 kHz.

use super::fixed::ONE;
use std::sync::OnceLock;

/// Taps of the first band: the length of the kernel in frames.
pub const BASE_TAPS: usize = 48;
/// Taps of the first band of the drafts, and where its low pass is 6 dB down, in cycles per frame of the source.
const DRAFT_TAPS: usize = 16;
const DRAFT_CUTOFF: f64 = 0.43;
/// Phases of the first band: equal parts of a frame, each with a cubic through the kernel's values at its
/// four Chebyshev nodes. The error, at most (w / P)^4 / 3072 for a frequency of w radians per frame (the
/// Chebyshev remainder), is -115 dB at 15 kHz of 44.1 kHz; and the table (6 KB) fits the first-level
/// cache, unlike linear interpolation between 512 phases (98 KB).
const BASE_PHASES: f64 = 8.0;
/// Highest ratio of the first band: one semitone and a cent up.
const BASE_RATIO: f64 = 1.0601;
/// Bands per octave.
const BANDS_PER_OCTAVE: usize = 6;
/// Bands in all: up to `BASE_RATIO` * 16, four octaves and a semitone up.
pub const BANDS: usize = 1 + 4 * BANDS_PER_OCTAVE;
/// Most taps of any band.
pub const MAX_TAPS: usize = BASE_TAPS * 16;
/// Sums run in this many lanes; tap counts are multiples of it.
pub const LANES: usize = 16;

/// Sixteen neighbouring taps as cubics in the position within the phase: coefficients of the third to
/// the zeroth power.
#[derive(Debug, Clone, Copy)]
#[repr(align(64))]
pub struct TapBlock(pub [[f32; LANES]; 4]);

/// The kernels for ratios up to `max_ratio`.
#[derive(Debug)]
pub struct TableBand {
    /// One row of `taps / LANES` blocks per phase.
    pub rows: Vec<TapBlock>,
    /// Taps of one row.
    pub taps: usize,
    /// Phases are `1 << phase_bits`.
    pub phase_bits: u32,
    /// Highest ratio without aliases, source frames per output frame.
    pub max_ratio: f64,
    /// Same in 32.32 fixed point.
    pub max_step: i64,
}

/// All bands, lowest ratio first. The first call builds them (a few milliseconds, 200 KB): `Reader::prepare` makes
/// it, off the audio thread.
pub fn bands() -> &'static [TableBand; BANDS] {
    static TABLES: OnceLock<Box<[TableBand; BANDS]>> = OnceLock::new();
    TABLES.get_or_init(|| Box::new(std::array::from_fn(|i| TableBand::new(i, BASE_TAPS, kernel))))
}

/// The same with a third of the taps, for sounds that are measured and not heard: 16 kHz of 48 kHz lose 0.4 dB, and images
/// of what is below 20 kHz lie 57 dB down (computed from the kernel; a test measures both at 16 kHz).
pub fn draft_bands() -> &'static [TableBand; BANDS] {
    static TABLES: OnceLock<Box<[TableBand; BANDS]>> = OnceLock::new();
    TABLES.get_or_init(|| Box::new(std::array::from_fn(|i| TableBand::new(i, DRAFT_TAPS, draft_kernel))))
}

impl TableBand {
    fn new(index: usize, base_taps: usize, kernel: fn(f64) -> f64) -> Self {
        let octaves = index as f64 / BANDS_PER_OCTAVE as f64;
        let max_ratio = BASE_RATIO * libm::exp2(octaves);
        let length = base_taps as f64 * libm::exp2(octaves);
        let taps = (length / LANES as f64).ceil() as usize * LANES;
        let phase_bits = (libm::log2(BASE_PHASES).round() as u32).saturating_sub(octaves.floor() as u32);
        let phases = 1usize << phase_bits;
        let mut rows = Vec::with_capacity(phases * taps / LANES);
        for phase in 0..phases {
            let nodes = NODES.map(|u| {
                let fraction = (phase as f64 + 0.5 + u) / phases as f64;
                let row: Vec<f64> = (0..taps)
                    .map(|j| kernel((j as f64 - (taps / 2 - 1) as f64 - fraction) * 2.0 / length))
                    .collect();
                // Gain 1 at 0 Hz for each position.
                let sum: f64 = row.iter().sum();
                row.into_iter().map(|h| h / sum).collect::<Vec<f64>>()
            });
            for block in 0..taps / LANES {
                let cubics: [[f64; 4]; LANES] =
                    std::array::from_fn(|l| cubic(std::array::from_fn(|n| nodes[n][block * LANES + l])));
                let power = |p: usize| std::array::from_fn(|l| cubics[l][p] as f32);
                rows.push(TapBlock(std::array::from_fn(power)));
            }
        }
        Self { rows, taps, phase_bits, max_ratio, max_step: (max_ratio * ONE) as i64 }
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

/// The kernel at `x`, -1 to 1 over its length: Clenshaw's scheme for a sum of cosines (C. W. Clenshaw 1955).
fn kernel(x: f64) -> f64 {
    if x.abs() >= 1.0 {
        return 0.0;
    }
    let cosine = libm::cos(std::f64::consts::PI * x);
    let (mut b1, mut b2) = (0.0, 0.0);
    for c in SHAPE[1..].iter().rev() {
        (b1, b2) = (c + 2.0 * cosine * b1 - b2, b1);
    }
    SHAPE[0] + cosine * b1 - b2
}

/// Kernel of the drafts at `x`, -1 to 1 over its length: a sinc with a Blackman window (Harris, "On the use of windows for
/// harmonic analysis", Proceedings of the IEEE 66(1), 1978).
fn draft_kernel(x: f64) -> f64 {
    if x.abs() >= 1.0 {
        return 0.0;
    }
    let turn = std::f64::consts::PI * x;
    let window = 0.42 + 0.5 * libm::cos(turn) + 0.08 * libm::cos(2.0 * turn);
    let angle = turn * DRAFT_CUTOFF * DRAFT_TAPS as f64;
    window * if angle.abs() < 1e-9 { 1.0 } else { libm::sin(angle) / angle }
}

/// Coefficients of the cosines of 0, 1, 2, ... half periods over half of the kernel's length, made by
/// `tests/reference/reader_kernel.py`.
const SHAPE: [f64; 27] = [
    0.020833300923695543,
    0.041666731500627746,
    0.04166660220515596,
    0.0416667303910305,
    0.04166660425709551,
    0.04166672679308374,
    0.04166661049950855,
    0.041666715895814575,
    0.04166662983380792,
    0.04166668062430981,
    0.04166670085213753,
    0.04166649670977354,
    0.041667162296216705,
    0.04166524881781907,
    0.04167080804385667,
    0.04165460348357928,
    0.04169996265902392,
    0.040555324606160105,
    0.033148215818197435,
    0.018538175653314486,
    0.005826603277743418,
    0.0007878994287765741,
    2.2109158208599034e-05,
    2.9283540732957837e-08,
    6.979407424287263e-09,
    -3.7196618862700274e-08,
    4.0179951377864396e-08,
];

#[cfg(test)]
mod tests {
    use crate::engine::dsp::reader::{Reader, Step};
    use std::f64::consts::TAU;

    /// Level of a sine of 16 kHz (at 48 kHz) that is read at three quarters of its speed, and of all that is not that
    /// sine, dB of its own level.
    fn read_sine(reader: Reader) -> [f64; 2] {
        let source: Vec<f32> = (0..8000).map(|i| (TAU * f64::from(i) / 3.0).sin() as f32).collect();
        let mut out = vec![0.0; 4000];
        let mut reader = reader;
        reader.read_mono(&source, Step::from_ratio(0.75), &mut out);
        let part = |phase: f64| -> f64 {
            let at = |i: usize| (TAU * 0.25 * i as f64 + phase).sin();
            out.iter().enumerate().map(|(i, x)| f64::from(*x) * at(i)).sum::<f64>() * 2.0 / out.len() as f64
        };
        let power = part(0.0).powi(2) + part(TAU / 4.0).powi(2);
        let all = 2.0 * out.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / out.len() as f64;
        [10.0 * power.log10(), 10.0 * ((all - power).max(1e-12) / power).log10()]
    }

    #[test]
    fn drafts_lose_little_below_16_khz_and_their_images_are_soft() {
        let [level_db, rest_db] = read_sine(Reader::new(1000.3).draft());
        assert!((-0.6..0.05).contains(&level_db), "16 kHz at {level_db:.2} dB");
        assert!(rest_db < -55.0, "images at {rest_db:.1} dB");
        let [level_db, rest_db] = read_sine(Reader::new(1000.3));
        assert!(level_db.abs() < 0.05 && rest_db < -80.0, "{level_db:.2} dB, images {rest_db:.1} dB");
    }
}
