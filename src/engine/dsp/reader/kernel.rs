//! The sums of the reader, compiled for each kind of processor.
//!
//! One body serves all: sixteen lanes each add their own taps in order, the two neighbouring phases
//! are blended lane by lane, and the lanes are folded in halves. Vector units of any width do the same
//! additions in the same order, so the bits agree.

use super::table::{Band, LANES, MAX_TAPS};

/// Reads one channel at `positions` (32.32 fixed point); zero outside of `source`.
pub fn mono(band: &Band, source: &[f32], positions: &[i64], out: &mut [f32]) {
    #[cfg(target_arch = "x86_64")]
    {
        if std::arch::is_x86_feature_detected!("avx2") {
            // SAFETY: the processor has AVX2, checked on the line above.
            return unsafe { mono_avx2(band, source, positions, out) };
        }
    }
    mono_body(band, source, positions, out);
}

/// Reads two channels at the same `positions` with the same coefficients.
pub fn stereo(band: &Band, source: [&[f32]; 2], positions: &[i64], out: [&mut [f32]; 2]) {
    #[cfg(target_arch = "x86_64")]
    {
        if std::arch::is_x86_feature_detected!("avx2") {
            // SAFETY: the processor has AVX2, checked on the line above.
            return unsafe { stereo_avx2(band, source, positions, out) };
        }
    }
    stereo_body(band, source, positions, out);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn mono_avx2(band: &Band, source: &[f32], positions: &[i64], out: &mut [f32]) {
    mono_body(band, source, positions, out);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn stereo_avx2(band: &Band, source: [&[f32]; 2], positions: &[i64], out: [&mut [f32]; 2]) {
    stereo_body(band, source, positions, out);
}

/// The portable code, for comparison with what [`mono`] chose.
#[inline(always)]
pub fn mono_body(band: &Band, source: &[f32], positions: &[i64], out: &mut [f32]) {
    for (&position, y) in positions.iter().zip(out) {
        let spot = Spot::new(band, position);
        *y = match spot.inside(source, band.taps) {
            Some(x) => dot(band, &spot, x),
            None => at_edge(band, &spot, source),
        };
    }
}

/// The portable code, for comparison with what [`stereo`] chose.
#[inline(always)]
pub fn stereo_body(band: &Band, source: [&[f32]; 2], positions: &[i64], out: [&mut [f32]; 2]) {
    let [left, right] = out;
    for ((&position, l), r) in positions.iter().zip(left).zip(right) {
        let spot = Spot::new(band, position);
        match (spot.inside(source[0], band.taps), spot.inside(source[1], band.taps)) {
            (Some(a), Some(b)) => {
                *l = dot(band, &spot, a);
                *r = dot(band, &spot, b);
            }
            _ => {
                *l = at_edge(band, &spot, source[0]);
                *r = at_edge(band, &spot, source[1]);
            }
        }
    }
}

/// Where a position falls in table and source.
struct Spot {
    /// Source frame under the first tap.
    first: i64,
    /// Phase: row of the table.
    row: usize,
    /// Way from this row to the next, 0 to 1.
    blend: f32,
}

impl Spot {
    #[inline(always)]
    fn new(band: &Band, position: i64) -> Self {
        let fraction = position as u32;
        Self {
            first: (position >> 32) - (band.taps / 2 - 1) as i64,
            row: (fraction >> (32 - band.phase_bits)) as usize,
            blend: ((fraction << band.phase_bits) >> 8) as f32 * (1.0 / 16_777_216.0),
        }
    }

    /// The taps' stretch of `source` when it lies wholly inside.
    #[inline(always)]
    fn inside<'a>(&self, source: &'a [f32], taps: usize) -> Option<&'a [f32]> {
        source.get(self.first as usize..)?.get(..taps)
    }
}

/// The blended sum over `x`, which holds one value per tap.
#[inline(always)]
fn dot(band: &Band, spot: &Spot, x: &[f32]) -> f32 {
    let blocks = band.taps / LANES;
    let rows = &band.rows[spot.row * blocks..(spot.row + 2) * blocks];
    let (this, next) = rows.split_at(blocks);
    let mut a = [0.0f32; LANES];
    let mut b = [0.0f32; LANES];
    for ((h, g), x) in this.iter().zip(next).zip(x.chunks_exact(LANES)) {
        for l in 0..LANES {
            a[l] += h.0[l] * x[l];
            b[l] += g.0[l] * x[l];
        }
    }
    let mut s: [f32; LANES] = std::array::from_fn(|l| a[l] + spot.blend * (b[l] - a[l]));
    let mut width = LANES / 2;
    while width > 0 {
        for l in 0..width {
            s[l] += s[l + width];
        }
        width /= 2;
    }
    s[0]
}

/// A reading whose taps reach over an end of `source`.
#[cold]
#[inline(never)]
fn at_edge(band: &Band, spot: &Spot, source: &[f32]) -> f32 {
    let mut padded = [0.0f32; MAX_TAPS];
    let length = source.len() as i64;
    let from = spot.first.clamp(0, length);
    let to = (spot.first + band.taps as i64).clamp(0, length);
    if from >= to {
        return 0.0;
    }
    let at = (from - spot.first) as usize;
    let inside = &source[from as usize..to as usize];
    padded[at..at + inside.len()].copy_from_slice(inside);
    dot(band, spot, &padded[..band.taps])
}
