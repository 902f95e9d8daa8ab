//! Two channels side by side in double precision, in one vector register where available.
//!
//! Each operation acts on both channels separately and rounds like the scalar one, so the bits are the same with
//! and without vectors.

use super::denormal::{TINY, flush_pair};
use std::ops::{Add, Mul, Sub};

/// Left and right. SSE2 is part of every 64-bit x86 processor: nothing needs to be detected.
#[cfg(target_arch = "x86_64")]
#[derive(Debug, Clone, Copy)]
pub struct Pair(std::arch::x86_64::__m128d);

/// Left and right.
#[cfg(not(target_arch = "x86_64"))]
#[derive(Debug, Clone, Copy)]
pub struct Pair([f64; 2]);

#[cfg(target_arch = "x86_64")]
mod imp {
    use super::{Pair, TINY};
    use std::arch::x86_64::*;

    impl Pair {
        /// From left and right.
        #[inline(always)]
        pub fn new([left, right]: [f64; 2]) -> Self {
            // SAFETY: the processor has SSE2, as every one of this kind.
            Self(unsafe { _mm_set_pd(right, left) })
        }

        /// Left and right.
        #[inline(always)]
        pub fn get(self) -> [f64; 2] {
            // SAFETY: as above.
            unsafe { [_mm_cvtsd_f64(self.0), _mm_cvtsd_f64(_mm_unpackhi_pd(self.0, self.0))] }
        }

        /// Two samples.
        #[inline(always)]
        pub fn from_samples(left: f32, right: f32) -> Self {
            // SAFETY: as above.
            Self(unsafe { _mm_cvtps_pd(_mm_unpacklo_ps(_mm_set_ss(left), _mm_set_ss(right))) })
        }

        /// Two samples; what is smaller than [`TINY`] becomes zero, so that none is denormal.
        #[inline(always)]
        pub fn to_samples(self) -> (f32, f32) {
            // SAFETY: as above.
            unsafe {
                let magnitude = _mm_andnot_pd(_mm_set1_pd(-0.0), self.0);
                let heard = _mm_and_pd(self.0, _mm_cmpnlt_pd(magnitude, _mm_set1_pd(TINY)));
                let both = _mm_cvtpd_ps(heard);
                (_mm_cvtss_f32(both), _mm_cvtss_f32(_mm_shuffle_ps::<0b01>(both, both)))
            }
        }
    }

    macro_rules! operator {
        ($trait:ident, $name:ident, $intrinsic:ident) => {
            impl super::$trait for Pair {
                type Output = Self;
                #[inline(always)]
                fn $name(self, other: Self) -> Self {
                    // SAFETY: the processor has SSE2, as every one of this kind.
                    Self(unsafe { $intrinsic(self.0, other.0) })
                }
            }
        };
    }
    operator!(Add, add, _mm_add_pd);
    operator!(Sub, sub, _mm_sub_pd);

    impl super::Mul<f64> for Pair {
        type Output = Self;
        #[inline(always)]
        fn mul(self, by: f64) -> Self {
            // SAFETY: the processor has SSE2, as every one of this kind.
            Self(unsafe { _mm_mul_pd(self.0, _mm_set1_pd(by)) })
        }
    }
}

#[cfg(not(target_arch = "x86_64"))]
mod imp {
    use super::{Pair, TINY};

    impl Pair {
        /// From left and right.
        #[inline(always)]
        pub fn new(both: [f64; 2]) -> Self {
            Self(both)
        }

        /// Left and right.
        #[inline(always)]
        pub fn get(self) -> [f64; 2] {
            self.0
        }

        /// Two samples.
        #[inline(always)]
        pub fn from_samples(left: f32, right: f32) -> Self {
            Self([f64::from(left), f64::from(right)])
        }

        /// Two samples; what is smaller than [`TINY`] becomes zero, so that none is denormal.
        #[inline(always)]
        pub fn to_samples(self) -> (f32, f32) {
            let [left, right] = self.0.map(|x| if x.abs() < TINY { 0.0 } else { x as f32 });
            (left, right)
        }
    }

    macro_rules! operator {
        ($trait:ident, $name:ident, $op:tt) => {
            impl super::$trait for Pair {
                type Output = Self;
                #[inline(always)]
                fn $name(self, other: Self) -> Self {
                    Self([self.0[0] $op other.0[0], self.0[1] $op other.0[1]])
                }
            }
        };
    }
    operator!(Add, add, +);
    operator!(Sub, sub, -);

    impl super::Mul<f64> for Pair {
        type Output = Self;
        #[inline(always)]
        fn mul(self, by: f64) -> Self {
            Self(self.0.map(|x| x * by))
        }
    }
}

/// Both states of a filter; a channel's states become 0 when both are below [`TINY`].
#[inline(always)]
pub fn flush_if_tiny(s1: Pair, s2: Pair) -> (Pair, Pair) {
    let ([l1, r1], [l2, r2]) = (s1.get(), s2.get());
    let ((l1, l2), (r1, r2)) = (flush_pair(l1, l2), flush_pair(r1, r2));
    (Pair::new([l1, r1]), Pair::new([l2, r2]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn operations_on_a_pair_equal_scalar_ones_on_each_channel() {
        let (a, b) = ([0.1, -7.25e3], [3.7, 1.0 / 3.0]);
        let of = |f: fn(f64, f64) -> f64| [f(a[0], b[0]), f(a[1], b[1])];
        let (x, y) = (Pair::new(a), Pair::new(b));
        assert_eq!((x + y).get(), of(|a, b| a + b));
        assert_eq!((x - y).get(), of(|a, b| a - b));
        assert_eq!((x * 0.3).get(), of(|a, _| a * 0.3));
        assert_eq!(Pair::from_samples(0.1, -2.0).get(), [f64::from(0.1_f32), -2.0]);
        assert_eq!(x.to_samples(), (0.1_f32, -7.25e3_f32));
        assert_eq!(Pair::new([TINY * 0.9, -TINY * 0.9]).to_samples(), (0.0, 0.0));
        let (left, right) = Pair::new([f64::NAN, f64::INFINITY]).to_samples();
        assert!(left.is_nan() && right == f32::INFINITY);
    }
}
