//! The inner loops of the reader, for each kind of processor.
//!
//! All use one order of operations: each tap's cubic is evaluated by Horner's scheme, sixteen lanes each add their
//! own taps in order, and the lanes are added in halves. Each multiplication and its addition are fused (rounded
//! once). Vector units of any width keep this order, and processors without fused operations (before 2013)
//! emulate them exactly, if slowly, so the bits are the same everywhere. A test compares them.

use super::{
    super::math::fused,
    table::{LANES, MAX_TAPS, TableBand, TapBlock},
};

/// Most frames read at once.
pub const READ_BLOCK: usize = 64;
/// Frames of a source that are copied between zeros where a block crosses one of its ends: enough for ratios up to
/// three, and enough for every table.
const SHORT: usize = 256;
const LONG: usize = 2304;

/// Positions of up to [`READ_BLOCK`] frames (32.32 fixed point) and their bounds.
pub struct Positions {
    list: [i64; READ_BLOCK],
    frames: usize,
    low: i64,
    high: i64,
}

impl Positions {
    /// `frames` positions at a constant `step` from `position` on, which is advanced.
    pub fn steady(position: &mut i64, step: i64, frames: usize) -> Self {
        let mut list = [0; READ_BLOCK];
        for p in &mut list[..frames] {
            *p = *position;
            *position = position.saturating_add(step);
        }
        // They are monotonic.
        let (first, last) = (list[0], list[frames.max(1) - 1]);
        Self { list, frames, low: first.min(last), high: first.max(last) }
    }

    /// The same with a step of its own after each frame.
    pub fn gliding(position: &mut i64, steps: impl Iterator<Item = i64>) -> Self {
        let mut new = Self { list: [0; READ_BLOCK], frames: 0, low: i64::MAX, high: i64::MIN };
        for (p, step) in new.list.iter_mut().zip(steps) {
            *p = *position;
            new.frames += 1;
            (new.low, new.high) = (new.low.min(*p), new.high.max(*p));
            *position = position.saturating_add(step);
        }
        new
    }
}

/// Reads `N` channels at `positions` with the same coefficients; zero outside of `source`.
pub fn read<const N: usize>(
    band: &TableBand,
    source: [&[f32]; N],
    positions: &Positions,
    out: [&mut [f32]; N],
) {
    let Positions { low, high, .. } = *positions;
    let positions = &positions.list[..positions.frames];
    if positions.is_empty() {
        return;
    }
    let length = source.iter().fold(usize::MAX, |n, s| n.min(s.len()));
    let reach = (band.taps / 2 - 1) as i64;
    let from = (low >> 32) - reach;
    let to = (high >> 32) - reach + band.taps as i64;
    if from >= 0 && to as u64 <= length as u64 {
        return read_inside(band, source, positions, out);
    }
    let span = (to - from) as usize;
    if span <= SHORT {
        read_padded::<N, SHORT>(band, source, from, positions, out);
    } else if span <= LONG {
        read_padded::<N, LONG>(band, source, from, positions, out);
    } else {
        // Faster than any table is for.
        read_portable(band, source, positions, out);
    }
}

/// [`read`] over an end of the source: what lies around it is zero.
#[cold]
#[inline(never)]
fn read_padded<const N: usize, const SPAN: usize>(
    band: &TableBand,
    source: [&[f32]; N],
    from: i64,
    positions: &[i64],
    out: [&mut [f32]; N],
) {
    let padded = source.map(|source| {
        let mut padded = [0.0f32; SPAN];
        let length = source.len() as i64;
        let (first, last) = (from.clamp(0, length), (from + SPAN as i64).clamp(0, length));
        if first < last {
            let at = (first - from) as usize;
            let inside = &source[first as usize..last as usize];
            padded[at..at + inside.len()].copy_from_slice(inside);
        }
        padded
    });
    let mut moved = [0; READ_BLOCK];
    let moved = &mut moved[..positions.len()];
    for (moved, position) in moved.iter_mut().zip(positions) {
        *moved = position - (from << 32);
    }
    read_inside(band, padded.each_ref().map(|p| &p[..]), moved, out);
}

/// [`read`] where every tap lies within the source.
fn read_inside<const N: usize>(
    band: &TableBand,
    source: [&[f32]; N],
    positions: &[i64],
    out: [&mut [f32]; N],
) {
    #[cfg(target_arch = "x86_64")]
    match simd_level() {
        // SAFETY: the processor has AVX-512F, AVX2 and FMA, checked by `simd_level`; the taps of every position
        // lie within the sources, which the caller has checked.
        SimdLevel::Avx512 => return unsafe { x86::read_avx512(band, source, positions, out) },
        // SAFETY: the same with AVX2 and FMA.
        SimdLevel::Avx2 => return unsafe { x86::read_avx2(band, source, positions, out) },
        SimdLevel::Portable => (),
    }
    read_portable(band, source, positions, out);
}

/// The vector instructions that are used.
#[cfg(target_arch = "x86_64")]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum SimdLevel {
    Avx512,
    Avx2,
    Portable,
}

#[cfg(target_arch = "x86_64")]
#[inline]
fn simd_level() -> SimdLevel {
    if !(std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma")) {
        SimdLevel::Portable
    } else if std::arch::is_x86_feature_detected!("avx512f") {
        SimdLevel::Avx512
    } else {
        SimdLevel::Avx2
    }
}

/// [`read`] without explicit vector instructions: the reference for the others.
pub fn read_portable<const N: usize>(
    band: &TableBand,
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

/// The table row and source frame of a position.
#[derive(Clone, Copy)]
struct Spot {
    /// Source frame under the first tap.
    first: i64,
    /// Phase: row of the table.
    row: u32,
    /// Position within the phase, -1/2 to 1/2.
    within: f32,
}

impl Spot {
    #[inline(always)]
    fn new(band: &TableBand, position: i64) -> Self {
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

fn read_one(band: &TableBand, spot: &Spot, source: &[f32]) -> f32 {
    if spot.inside(band.taps, source.len()) {
        dot(band, spot, &source[spot.first as usize..][..band.taps])
    } else {
        at_edge(band, spot, source)
    }
}

/// The sum over `x`, which holds one value per tap.
fn dot(band: &TableBand, spot: &Spot, x: &[f32]) -> f32 {
    let blocks = band.taps / LANES;
    let row = &band.rows[spot.row as usize * blocks..][..blocks];
    let u = spot.within;
    let mut s = [0.0f32; LANES];
    for (TapBlock([c3, c2, c1, c0]), x) in row.iter().zip(x.as_chunks::<LANES>().0) {
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

/// The sum where the taps reach over an end of `source`.
#[cold]
#[inline(never)]
fn at_edge(band: &TableBand, spot: &Spot, source: &[f32]) -> f32 {
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

// Loops over numbers: the tests' own profile would call an iterator's functions for every tap.
#[cfg(target_arch = "x86_64")]
#[allow(clippy::needless_range_loop, reason = "see above")]
mod x86 {
    use super::{LANES, Spot, TableBand};
    use std::arch::x86_64::*;

    /// Frames summed side by side: their dependency chains overlap, and their lanes are added together.
    const QUAD: usize = 4;

    /// Lanes that may begin at any sample. (An intrinsic that loads them copies them through memory in the tests' own
    /// profile.)
    #[derive(Clone, Copy)]
    #[repr(C, packed)]
    struct Unaligned<T>(T);

    macro_rules! reader {
        ($name:ident, $feature:literal, $quads:ident) => {
            /// # Safety
            /// The taps of every position must lie within every source.
            #[target_feature(enable = $feature)]
            pub unsafe fn $name<const N: usize>(
                band: &TableBand,
                source: [&[f32]; N],
                positions: &[i64],
                mut out: [&mut [f32]; N],
            ) {
                for out in &mut out {
                    assert!(out.len() >= positions.len());
                }
                let (quads, rest) = positions.as_chunks::<QUAD>();
                // SAFETY: the caller vouches for the sources; the targets have room for all frames, checked above.
                unsafe { $quads(band, quads, &source, out.each_mut().map(|o| o.as_mut_ptr())) };
                if let Some(last) = rest.last() {
                    // The rest as four frames, the last one repeated.
                    let at = positions.len() - rest.len();
                    let quad = std::array::from_fn(|i| *rest.get(i).unwrap_or(last));
                    let mut four = [[0.0; QUAD]; N];
                    // SAFETY: the caller vouches for the sources; the targets hold four values.
                    unsafe { $quads(band, &[quad], &source, four.each_mut().map(|f| f.as_mut_ptr())) };
                    for (out, four) in out.iter_mut().zip(&four) {
                        out[at..positions.len()].copy_from_slice(&four[..rest.len()]);
                    }
                }
            }
        };
    }
    reader!(read_avx512, "avx512f,avx2,fma", quads_avx512);
    reader!(read_avx2, "avx2,fma", quads_avx2);

    /// All `quads` of positions, of each channel.
    ///
    /// # Safety
    /// Each source must hold `band.taps` values from each spot's first frame on, and each target must
    /// have room for four values for each quad.
    #[inline]
    #[target_feature(enable = "avx512f,avx2,fma")]
    unsafe fn quads_avx512<const N: usize>(
        band: &TableBand,
        quads: &[[i64; QUAD]],
        source: &[&[f32]; N],
        out: [*mut f32; N],
    ) {
        let blocks = band.taps / LANES;
        for i in 0..quads.len() {
            let mut sum = [[_mm512_setzero_ps(); QUAD]; N];
            for q in 0..QUAD {
                let spot = Spot::new(band, quads[i][q]);
                let u = _mm512_set1_ps(spot.within);
                let mut c = row_of(band, &spot);
                let mut at = spot.first as usize;
                let mut one = [_mm512_setzero_ps(); N];
                for _ in 0..blocks {
                    // SAFETY: the row is one of the band's phases, its blocks are aligned; the caller
                    // vouches for the sources.
                    unsafe {
                        let h = _mm512_load_ps(c);
                        let h = _mm512_fmadd_ps(h, u, _mm512_load_ps(c.wrapping_add(LANES)));
                        let h = _mm512_fmadd_ps(h, u, _mm512_load_ps(c.wrapping_add(2 * LANES)));
                        let h = _mm512_fmadd_ps(h, u, _mm512_load_ps(c.wrapping_add(3 * LANES)));
                        for n in 0..N {
                            let x = source[n].as_ptr().wrapping_add(at).cast::<Unaligned<__m512>>();
                            one[n] = _mm512_fmadd_ps(h, (*x).0, one[n]);
                        }
                    }
                    c = c.wrapping_add(4 * LANES);
                    at = at.wrapping_add(LANES);
                }
                for n in 0..N {
                    sum[n][q] = one[n];
                }
            }
            for n in 0..N {
                // SAFETY: the caller vouches for the targets.
                unsafe { _mm_storeu_ps(out[n].add(i * QUAD), fold_avx512(sum[n])) };
            }
        }
    }

    /// The coefficients of a spot's phase. (Pointers that wrap are free of checks in the tests' own profile.)
    #[inline(always)]
    fn row_of(band: &TableBand, spot: &Spot) -> *const f32 {
        let at = (spot.row as usize).wrapping_mul(band.taps / LANES);
        band.rows.as_ptr().wrapping_add(at).cast()
    }

    /// Four times sixteen lanes to four sums, in halves.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn fold_avx512([a, b, c, d]: [__m512; QUAD]) -> __m128 {
        // Quarters 0 and 1 onto 2 and 3, of two sums at once; then 0 onto 1, of all four.
        let halves = |a, b| {
            let low = _mm512_shuffle_f32x4::<0b01_00_01_00>(a, b);
            _mm512_add_ps(low, _mm512_shuffle_f32x4::<0b11_10_11_10>(a, b))
        };
        let (ab, cd) = (halves(a, b), halves(c, d));
        let even = _mm512_shuffle_f32x4::<0b10_00_10_00>(ab, cd);
        let s = _mm512_add_ps(even, _mm512_shuffle_f32x4::<0b11_01_11_01>(ab, cd));
        let s = _mm512_add_ps(s, _mm512_permute_ps::<0b01_00_11_10>(s));
        let s = _mm512_add_ps(s, _mm512_permute_ps::<0b10_11_00_01>(s));
        let firsts = _mm512_setr_epi32(0, 4, 8, 12, 0, 4, 8, 12, 0, 4, 8, 12, 0, 4, 8, 12);
        _mm512_castps512_ps128(_mm512_permutexvar_ps(firsts, s))
    }

    /// The same with registers of half the width.
    ///
    /// # Safety
    /// As for [`quads_avx512`].
    #[inline]
    #[target_feature(enable = "avx2,fma")]
    unsafe fn quads_avx2<const N: usize>(
        band: &TableBand,
        quads: &[[i64; QUAD]],
        source: &[&[f32]; N],
        out: [*mut f32; N],
    ) {
        let blocks = band.taps / LANES;
        for i in 0..quads.len() {
            let mut folded = [[_mm_setzero_ps(); QUAD]; N];
            for q in 0..QUAD {
                let spot = Spot::new(band, quads[i][q]);
                let u = _mm256_set1_ps(spot.within);
                let mut row = row_of(band, &spot);
                let mut first = spot.first as usize;
                // Low and high half of the lanes.
                let mut sum = [[_mm256_setzero_ps(); 2]; N];
                for _ in 0..blocks {
                    for half in 0..2 {
                        let c = row.wrapping_add(8 * half);
                        // SAFETY: the row is one of the band's phases, its blocks are aligned; the caller
                        // vouches for the sources.
                        unsafe {
                            let h = _mm256_load_ps(c);
                            let h = _mm256_fmadd_ps(h, u, _mm256_load_ps(c.wrapping_add(LANES)));
                            let h = _mm256_fmadd_ps(h, u, _mm256_load_ps(c.wrapping_add(2 * LANES)));
                            let h = _mm256_fmadd_ps(h, u, _mm256_load_ps(c.wrapping_add(3 * LANES)));
                            for n in 0..N {
                                let x = source[n].as_ptr().wrapping_add(first).wrapping_add(8 * half);
                                let x = (*x.cast::<Unaligned<__m256>>()).0;
                                sum[n][half] = _mm256_fmadd_ps(h, x, sum[n][half]);
                            }
                        }
                    }
                    row = row.wrapping_add(4 * LANES);
                    first = first.wrapping_add(LANES);
                }
                for n in 0..N {
                    let [low, high] = sum[n];
                    let s = _mm256_add_ps(low, high);
                    folded[n][q] = _mm_add_ps(_mm256_castps256_ps128(s), _mm256_extractf128_ps::<1>(s));
                }
            }
            for n in 0..N {
                // SAFETY: the caller vouches for the targets.
                unsafe { _mm_storeu_ps(out[n].add(i * QUAD), finish(folded[n])) };
            }
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
    use super::{
        super::table::{bands, draft_bands},
        *,
    };

    fn placed(list: &[i64]) -> Positions {
        let mut first = list[0];
        let steps = list.windows(2).map(|w| w[1] - w[0]).chain([0]);
        Positions::gliding(&mut first, steps)
    }

    #[test]
    fn vector_code_gives_the_bits_of_the_portable_code() {
        let mut seed = 1u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            seed as f32 / u32::MAX as f32 - 0.5
        };
        let [a, b]: [Vec<f32>; 2] = std::array::from_fn(|_| (0..5000).map(|_| noise()).collect());
        for band in bands().iter().chain(draft_bands()) {
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
            for (i, p) in positions.chunks(READ_BLOCK).enumerate() {
                let at = i * READ_BLOCK..i * READ_BLOCK + p.len();
                read(band, [&a, &b], &placed(p), [&mut x[at.clone()], &mut y[at]]);
            }
            same("chosen", &x, &y);
            for (i, p) in positions.chunks(READ_BLOCK).enumerate() {
                let at = i * READ_BLOCK..i * READ_BLOCK + p.len();
                read(band, [&a], &placed(p), [&mut x[at.clone()]]);
                read(band, [&b], &placed(p), [&mut y[at]]);
            }
            same("mono", &x, &y);
            #[cfg(target_arch = "x86_64")]
            if simd_level() != SimdLevel::Portable {
                let inside: Vec<i64> = (0..1001).map(|i| (600 << 32) + i * 12_234_567_891).collect();
                read_portable(band, [&a, &b], &inside, [&mut l, &mut r]);
                for (i, p) in inside.chunks(READ_BLOCK - 1).enumerate() {
                    let at = i * (READ_BLOCK - 1)..i * (READ_BLOCK - 1) + p.len();
                    // SAFETY: the processor has AVX2 and FMA, checked above; no position comes nearer to an
                    // end than half of the most taps.
                    unsafe { x86::read_avx2(band, [&a, &b], p, [&mut x[at.clone()], &mut y[at]]) };
                }
                assert!(x.iter().zip(&l).all(|(a, b)| a.to_bits() == b.to_bits()), "AVX2, left");
                assert!(y.iter().zip(&r).all(|(a, b)| a.to_bits() == b.to_bits()), "AVX2, right");
            } else {
                eprintln!("skipped: AVX2 with FMA, which this processor lacks");
            }
        }
    }
}
