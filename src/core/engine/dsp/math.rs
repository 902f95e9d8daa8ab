//! Smoothing coefficients and exponentials with the same bits on every machine: approximations fast enough for
//! one call per sample, and an exact fused multiply-add.

/// Feedback coefficient of a one-pole smoother that reaches 63 % of a step after `ms`; 0 for 0 ms.
pub fn one_pole(ms: f64, sample_rate: f64) -> f64 {
    if ms <= 0.0 { 0.0 } else { libm::exp(-1000.0 / (ms * sample_rate)) }
}

/// Base-2 logarithm of a positive normal number, absolute error below 4e-6 (2.4e-5 dB as a level).
///
/// Exponent from the bits, mantissa by a polynomial in `z = (m - 1) / (m + 1)` (the series of the
/// inverse hyperbolic tangent) with `m` in `[sqrt 1/2, sqrt 2)`.
#[inline(always)]
pub fn log2_fast(x: f32) -> f32 {
    const SQRT_HALF: u32 = 0x3f35_04f3;
    let bits = x.to_bits();
    let shifted = bits.wrapping_sub(SQRT_HALF);
    let exponent = (shifted as i32) >> 23;
    let m = f32::from_bits(bits.wrapping_sub((exponent as u32) << 23));
    let z = (m - 1.0) / (m + 1.0);
    let z2 = z * z;
    // 2 / ln 2 * (1, 1/3, 1/5, 1/7)
    let p = 2.885_39 + z2 * (0.961_796_7 + z2 * (0.577_078 + z2 * 0.412_198_6));
    exponent as f32 + z * p
}

/// 2 to the power `x` for `x` in -126..=126 (clamped), relative error below 3e-7.
///
/// Whole part into the exponent bits, the rest (within ±1/2) by its Taylor polynomial of degree 6.
#[inline(always)]
pub fn exp2_fast(x: f32) -> f32 {
    let x = x.clamp(-126.0, 126.0);
    // Adding 1.5 * 2^23 rounds to the nearest whole number on every machine.
    const ROUND: f32 = 12_582_912.0;
    let whole = (x + ROUND) - ROUND;
    let f = x - whole;
    use std::f32::consts::LN_2;
    let p = 1.0
        + f * (LN_2
            + f * (0.240_226_5
                + f * (0.055_504_11 + f * (0.009_618_129 + f * (0.001_333_355_8 + f * 0.000_154_035_3)))));
    f32::from_bits(((p.to_bits() as i32) + ((whole as i32) << 23)) as u32)
}

/// `a * b + c`, rounded once: the same bits with and without a fused multiply-add in hardware.
///
/// Without: the product is exact in double precision, the sum is rounded to odd there, and rounding
/// that once more is exact (S. Boldo, G. Melquiond, "Emulation of FMA and correctly rounded sums: proved
/// algorithms using rounding to odd", IEEE Transactions on Computers 57(4), 2008). Results below the
/// normal range, which sound never reaches, may differ in their last bit.
#[inline(always)]
pub fn fused(a: f32, b: f32, c: f32) -> f32 {
    if cfg!(any(target_feature = "fma", target_arch = "aarch64")) {
        a.mul_add(b, c)
    } else {
        emulate_fused(a, b, c)
    }
}

#[inline(always)]
fn emulate_fused(a: f32, b: f32, c: f32) -> f32 {
    let (product, c) = (f64::from(a) * f64::from(b), f64::from(c));
    let sum = product + c;
    // Rounding error of the sum (D. E. Knuth's two-sum).
    let part = sum - product;
    let lost = (product - (sum - part)) + (c - part);
    if lost == 0.0 || !sum.is_finite() || sum.to_bits() & 1 == 1 {
        return sum as f32;
    }
    // Round to odd: away from zero when the error has the sum's sign, else towards zero.
    let away = (lost > 0.0) == (sum > 0.0);
    let bits = if away { sum.to_bits() + 1 } else { sum.to_bits() - 1 };
    f64::from_bits(bits) as f32
}

/// Largest magnitude of all samples; not finite when one of them is not. (Bits of numbers from 0 up are in the order of the
/// numbers, and whole numbers are compared side by side.)
pub fn peak(channels: [&[f32]; 2]) -> f32 {
    let mut peak = 0;
    for channel in channels {
        for x in channel {
            peak = peak.max((x.to_bits() & 0x7fff_ffff) as i32);
        }
    }
    f32::from_bits(peak as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_logarithm_and_power_stay_within_their_stated_errors() {
        let mut x = 1e-30_f64;
        while x < 1e30 {
            let v = x as f32;
            assert!((f64::from(log2_fast(v)) - f64::from(v).log2()).abs() < 4e-6 + 1e-7 * x.log2().abs());
            x *= 1.013;
        }
        for i in -120_000..120_000 {
            let v = i as f32 * 1e-3;
            let exact = f64::from(v).exp2();
            assert!((f64::from(exp2_fast(v)) / exact - 1.0).abs() < 3e-7, "{v}");
        }
    }

    #[test]
    fn emulated_fused_multiply_add_equals_the_hardware() {
        let mut seed = 1u32;
        let mut next = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            // Any sign and mantissa, exponents that make sums of every alignment.
            let exponent = 100 + ((seed >> 7) & 31);
            f32::from_bits((seed & 0x8000_0000) | (exponent << 23) | (seed.rotate_left(9) & 0x007f_ffff))
        };
        for _ in 0..300_000 {
            let (a, b, c) = (next(), next(), next());
            // Sums that nearly cancel are the hardest cases.
            for c in [c, -(a * b), -(a * b) * 1.000_000_1] {
                assert_eq!(emulate_fused(a, b, c).to_bits(), a.mul_add(b, c).to_bits(), "{a:e} {b:e} {c:e}");
            }
        }
    }
}
