//! The sums of the reader, for each kind of processor.
//!
//! One order of additions serves all: each tap's cubic is worked out by Horner's scheme, sixteen lanes
//! each add their own taps in order, and the lanes are folded in halves. Every multiplication and
//! its addition are fused (rounded once). Vector units of any width do the same in the same order, and
//! processors without fused operations (before 2013) emulate them exactly, if slowly; so the bits agree
//! everywhere. A test compares them.

use super::{
    super::math::fused,
    table::{Band, Block, LANES, MAX_TAPS},
};

/// Most frames read at once.
pub const RUN: usize = 64;

/// Reads `N` channels at up to [`RUN`] `positions` (32.32 fixed point) with the same coefficients; zero
/// outside of `source`.
pub fn read<const N: usize>(band: &Band, source: [&[f32]; N], positions: &[i64], out: [&mut [f32]; N]) {
    #[cfg(target_arch = "x86_64")]
    {
        let fma = std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma");
        if fma && std::arch::is_x86_feature_detected!("avx512f") {
            // SAFETY: the processor has AVX-512F, AVX2 and FMA, checked above.
            return unsafe { x86::read_avx512(band, source, positions, out) };
        }
        if fma {
            // SAFETY: the processor has AVX2 and FMA, checked above.
            return unsafe { x86::read_avx2(band, source, positions, out) };
        }
    }
    read_portable(band, source, positions, out);
}

/// [`read`] without vector instructions of its own: what the others must agree with.
pub fn read_portable<const N: usize>(
    band: &Band,
    source: [&[f32]; N],
    positions: &[i64],
    mut out: [&mut [f32]; N],
) {
    for (i, &position) in positions.iter().enumerate() {
        let spot = Spot::new(band, position);
        for (source, out) in source.iter().zip(&mut out) {
            out[i] = read_one(band, &spot, source);
        }
    }
}

/// Where a position falls in table and source.
#[derive(Clone, Copy, Default)]
struct Spot {
    /// Source frame under the first tap.
    first: i64,
    /// Phase: row of the table.
    row: u32,
    /// Place within the phase, -1/2 to 1/2.
    within: f32,
}

impl Spot {
    #[inline(always)]
    fn new(band: &Band, position: i64) -> Self {
        let fraction = position as u32;
        Self {
            first: (position >> 32) - (band.taps / 2 - 1) as i64,
            row: (u64::from(fraction) >> (32 - band.phase_bits)) as u32,
            within: ((fraction << band.phase_bits) >> 8) as f32 * (1.0 / 16_777_216.0) - 0.5,
        }
    }

    /// Whether all taps lie within a source of this length.
    #[inline(always)]
    fn inside(&self, taps: usize, length: usize) -> bool {
        self.first >= 0 && (self.first as u64) + taps as u64 <= length as u64
    }
}

fn read_one(band: &Band, spot: &Spot, source: &[f32]) -> f32 {
    if spot.inside(band.taps, source.len()) {
        dot(band, spot, &source[spot.first as usize..][..band.taps])
    } else {
        at_edge(band, spot, source)
    }
}

/// The sum over `x`, which holds one value per tap.
fn dot(band: &Band, spot: &Spot, x: &[f32]) -> f32 {
    let blocks = band.taps / LANES;
    let row = &band.rows[spot.row as usize * blocks..][..blocks];
    let u = spot.within;
    let mut s = [0.0f32; LANES];
    for (Block([c3, c2, c1, c0]), x) in row.iter().zip(x.as_chunks::<LANES>().0) {
        for l in 0..LANES {
            let h = fused(fused(fused(c3[l], u, c2[l]), u, c1[l]), u, c0[l]);
            s[l] = fused(h, x[l], s[l]);
        }
    }
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
    let to = spot.first.saturating_add(band.taps as i64).clamp(0, length);
    if from >= to {
        return 0.0;
    }
    let at = (from - spot.first) as usize;
    let inside = &source[from as usize..to as usize];
    padded[at..at + inside.len()].copy_from_slice(inside);
    dot(band, spot, &padded[..band.taps])
}

#[cfg(target_arch = "x86_64")]
mod x86 {
    use super::{Band, LANES, RUN, Spot, read_portable};
    use std::arch::x86_64::*;

    /// Frames summed up side by side: their chains of additions overlap, and their lanes are folded
    /// together.
    const QUAD: usize = 4;

    macro_rules! reader {
        ($name:ident, $feature:literal, $quad:ident) => {
            #[target_feature(enable = $feature)]
            pub fn $name<const N: usize>(
                band: &Band,
                source: [&[f32]; N],
                positions: &[i64],
                mut out: [&mut [f32]; N],
            ) {
                let length = source.iter().fold(usize::MAX, |n, s| n.min(s.len()));
                let mut spots = [Spot::default(); RUN];
                let spots = &mut spots[..positions.len()];
                for (spot, &position) in spots.iter_mut().zip(positions) {
                    *spot = Spot::new(band, position);
                }
                let (quads, rest) = spots.as_chunks::<QUAD>();
                for (i, spots) in quads.iter().enumerate() {
                    let at = i * QUAD;
                    let inside = |s: &Spot| s.inside(band.taps, length);
                    if !(spots.iter().all(inside) && out.iter().all(|o| o.len() >= at + QUAD)) {
                        let out = out.each_mut().map(|o| &mut o[at..at + QUAD]);
                        read_portable(band, source, &positions[at..at + QUAD], out);
                        continue;
                    }
                    // SAFETY: the taps of all four spots lie inside every source, and the targets have
                    // room for four values, both checked above.
                    unsafe { $quad(band, spots, &source, out.each_mut().map(|o| o.as_mut_ptr().add(at))) };
                }
                let at = positions.len() - rest.len();
                let out = out.each_mut().map(|o| &mut o[at..positions.len()]);
                read_portable(band, source, &positions[at..], out);
            }
        };
    }
    reader!(read_avx512, "avx512f,avx2,fma", quad_avx512);
    reader!(read_avx2, "avx2,fma", quad_avx2);

    /// Four frames of each channel.
    ///
    /// # Safety
    /// Each source must hold `band.taps` values from each spot's first frame on, and each target must
    /// have room for four.
    #[inline]
    #[target_feature(enable = "avx512f,avx2,fma")]
    unsafe fn quad_avx512<const N: usize>(
        band: &Band,
        spots: &[Spot; QUAD],
        source: &[&[f32]; N],
        out: [*mut f32; N],
    ) {
        let blocks = band.taps / LANES;
        let rows = band.rows.as_ptr();
        let mut sum = [[_mm512_setzero_ps(); QUAD]; N];
        for block in 0..blocks {
            for (q, spot) in spots.iter().enumerate() {
                // SAFETY: the row is one of the band's phases, its blocks are aligned; the caller
                // vouches for the sources.
                unsafe {
                    let c = (*rows.add(spot.row as usize * blocks + block)).0.as_ptr().cast::<f32>();
                    let u = _mm512_set1_ps(spot.within);
                    let mut h = _mm512_load_ps(c);
                    for power in 1..4 {
                        h = _mm512_fmadd_ps(h, u, _mm512_load_ps(c.add(power * LANES)));
                    }
                    for (sum, x) in sum.iter_mut().zip(source) {
                        let x = _mm512_loadu_ps(x.as_ptr().add(spot.first as usize + block * LANES));
                        sum[q] = _mm512_fmadd_ps(h, x, sum[q]);
                    }
                }
            }
        }
        for (sum, out) in sum.iter().zip(out) {
            let mut folded = [_mm_setzero_ps(); QUAD];
            for (folded, s) in folded.iter_mut().zip(sum) {
                let high = _mm256_castpd_ps(_mm512_extractf64x4_pd::<1>(_mm512_castps_pd(*s)));
                let s = _mm256_add_ps(_mm512_castps512_ps256(*s), high);
                *folded = _mm_add_ps(_mm256_castps256_ps128(s), _mm256_extractf128_ps::<1>(s));
            }
            // SAFETY: the caller vouches for the targets.
            unsafe { _mm_storeu_ps(out, finish(folded)) };
        }
    }

    /// The same with registers of half the width.
    ///
    /// # Safety
    /// As for [`quad_avx512`].
    #[inline]
    #[target_feature(enable = "avx2,fma")]
    unsafe fn quad_avx2<const N: usize>(
        band: &Band,
        spots: &[Spot; QUAD],
        source: &[&[f32]; N],
        out: [*mut f32; N],
    ) {
        let blocks = band.taps / LANES;
        let rows = band.rows.as_ptr();
        let mut folded = [[_mm_setzero_ps(); QUAD]; N];
        for (q, spot) in spots.iter().enumerate() {
            // Low and high half of the lanes.
            let mut sum = [[_mm256_setzero_ps(); 2]; N];
            for block in 0..blocks {
                for half in 0..2 {
                    // SAFETY: the row is one of the band's phases, its blocks are aligned; the caller
                    // vouches for the sources.
                    unsafe {
                        let c = (*rows.add(spot.row as usize * blocks + block)).0.as_ptr().cast::<f32>();
                        let c = c.add(8 * half);
                        let u = _mm256_set1_ps(spot.within);
                        let mut h = _mm256_load_ps(c);
                        for power in 1..4 {
                            h = _mm256_fmadd_ps(h, u, _mm256_load_ps(c.add(power * LANES)));
                        }
                        for (sum, x) in sum.iter_mut().zip(source) {
                            let at = spot.first as usize + block * LANES + 8 * half;
                            let x = _mm256_loadu_ps(x.as_ptr().add(at));
                            sum[half] = _mm256_fmadd_ps(h, x, sum[half]);
                        }
                    }
                }
            }
            for (folded, [low, high]) in folded.iter_mut().zip(sum) {
                let s = _mm256_add_ps(low, high);
                folded[q] = _mm_add_ps(_mm256_castps256_ps128(s), _mm256_extractf128_ps::<1>(s));
            }
        }
        for (folded, out) in folded.into_iter().zip(out) {
            // SAFETY: the caller vouches for the targets.
            unsafe { _mm_storeu_ps(out, finish(folded)) };
        }
    }

    /// Four times four lanes to four sums.
    #[inline]
    #[target_feature(enable = "avx2")]
    fn finish(v: [__m128; QUAD]) -> __m128 {
        let first = _mm_add_ps(_mm_unpacklo_ps(v[0], v[1]), _mm_unpackhi_ps(v[0], v[1]));
        let second = _mm_add_ps(_mm_unpacklo_ps(v[2], v[3]), _mm_unpackhi_ps(v[2], v[3]));
        _mm_add_ps(_mm_movelh_ps(first, second), _mm_movehl_ps(second, first))
    }
}

#[cfg(test)]
mod tests {
    use super::{super::table::bands, *};

    #[test]
    fn vector_code_gives_the_bits_of_the_portable_code() {
        let mut seed = 1u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            seed as f32 / u32::MAX as f32 - 0.5
        };
        let [a, b]: [Vec<f32>; 2] = std::array::from_fn(|_| (0..5000).map(|_| noise()).collect());
        for band in bands() {
            // Steps of any size, over both ends of the source.
            let positions: Vec<i64> = (0..1001).map(|i| -(1 << 36) + i * 24_234_567_891).collect();
            let n = positions.len();
            let (mut l, mut r) = (vec![0.0; n], vec![0.0; n]);
            read_portable(band, [&a, &b], &positions, [&mut l, &mut r]);
            let same = |what: &str, x: &[f32], y: &[f32]| {
                assert!(x.iter().zip(&l).all(|(a, b)| a.to_bits() == b.to_bits()), "{what}, left");
                assert!(y.iter().zip(&r).all(|(a, b)| a.to_bits() == b.to_bits()), "{what}, right");
            };
            let (mut x, mut y) = (vec![9.0; n], vec![9.0; n]);
            for (i, p) in positions.chunks(RUN).enumerate() {
                let at = i * RUN..i * RUN + p.len();
                read(band, [&a, &b], p, [&mut x[at.clone()], &mut y[at]]);
            }
            same("chosen", &x, &y);
            for (i, p) in positions.chunks(RUN).enumerate() {
                let at = i * RUN..i * RUN + p.len();
                read(band, [&a], p, [&mut x[at.clone()]]);
                read(band, [&b], p, [&mut y[at]]);
            }
            same("mono", &x, &y);
            #[cfg(target_arch = "x86_64")]
            if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
                for (i, p) in positions.chunks(RUN).enumerate() {
                    let at = i * RUN..i * RUN + p.len();
                    // SAFETY: the processor has AVX2 and FMA, checked above.
                    unsafe { x86::read_avx2(band, [&a, &b], p, [&mut x[at.clone()], &mut y[at]]) };
                }
                same("AVX2", &x, &y);
            } else {
                eprintln!("skipped: AVX2 with FMA, which this processor lacks");
            }
        }
    }
}
