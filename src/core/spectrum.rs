//! Windows, transforms and peaks of spectra: the one home of what every analysis of sound needs.

use realfft::{ComplexToReal, FftNum, RealFftPlanner, RealToComplex, num_complex::Complex};
use std::sync::Arc;

/// Point `i` of a Hann window of `len` points that is symmetric about its middle and nowhere 0:
/// sin²(π (i + ½) / len), in single precision (R. B. Blackman and J. W. Tukey, "The Measurement of Power
/// Spectra", 1958; sampled between the points of the usual form).
pub fn hann(i: usize, len: usize) -> f32 {
    (std::f32::consts::PI * (i as f32 + 0.5) / len as f32).sin().powi(2)
}

/// As [`hann`], in double precision.
pub fn hann_f64(i: usize, len: usize) -> f64 {
    (std::f64::consts::PI * (i as f64 + 0.5) / len as f64).sin().powi(2)
}

/// Point `i` of a periodic Hann window of `len` points, ½ − ½ cos(2π i / len): copies of its square, a whole
/// part of `len` (of at least three) apart, add up to a constant, as overlapping frames need it.
pub fn hann_periodic(i: usize, len: usize) -> f64 {
    0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / len as f64).cos()
}

/// How far the top of the parabola through three neighbouring values lies from the middle one, -0.5 to 0.5
/// steps; 0 where the middle one is no maximum. Take levels (logarithms) of a spectrum, not powers (J. O. Smith,
/// "Spectral Audio Signal Processing", 2011, "Quadratic Interpolation of Spectral Peaks").
pub fn parabolic_peak(before: f64, middle: f64, after: f64) -> f64 {
    let curvature = before - 2.0 * middle + after;
    if curvature < 0.0 { (0.5 * (before - after) / curvature).clamp(-0.5, 0.5) } else { 0.0 }
}

/// What the buffers below are made by; a transform fails only for other lengths.
const PLANNED: &str = "buffers have the length that was planned";

/// The spectrum of real samples, with buffers of its own. A clone shares the plan.
#[derive(Clone)]
pub struct RealFft<T: FftNum> {
    plan: Arc<dyn RealToComplex<T>>,
    /// The samples of the next spectrum, `len` of them. [`RealFft::transform`] leaves anything in it.
    pub input: Vec<T>,
    output: Vec<Complex<T>>,
    scratch: Vec<Complex<T>>,
}

impl<T: FftNum> RealFft<T> {
    /// For `len` samples.
    pub fn new(len: usize) -> Self {
        Self::planned(&mut RealFftPlanner::new(), len)
    }

    /// For `len` samples, by a planner that remembers the tables of earlier lengths.
    pub fn planned(planner: &mut RealFftPlanner<T>, len: usize) -> Self {
        let plan = planner.plan_fft_forward(len);
        let (input, output, scratch) =
            (plan.make_input_vec(), plan.make_output_vec(), plan.make_scratch_vec());
        Self { plan, input, output, scratch }
    }

    /// Bins of the spectrum: `len / 2 + 1`, from 0 Hz to half the sample rate.
    pub fn bins(&self) -> usize {
        self.output.len()
    }

    /// The spectrum of [`RealFft::input`], not scaled: a sine of amplitude 1 in the middle of a bin gives `len / 2`.
    pub fn transform(&mut self) -> &[Complex<T>] {
        self.plan.process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch).expect(PLANNED);
        &self.output
    }

    /// As [`RealFft::transform`], into a spectrum of [`RealFft::bins`] bins.
    pub fn transform_into(&mut self, spectrum: &mut [Complex<T>]) {
        self.plan.process_with_scratch(&mut self.input, spectrum, &mut self.scratch).expect(PLANNED);
    }

    /// The power of each bin of [`RealFft::transform`].
    pub fn power(&mut self) -> impl Iterator<Item = T> {
        self.transform().iter().map(Complex::norm_sqr)
    }
}

/// Real samples of a spectrum: the way back of [`RealFft`].
#[derive(Clone)]
pub struct InverseRealFft<T: FftNum> {
    plan: Arc<dyn ComplexToReal<T>>,
    output: Vec<T>,
    scratch: Vec<Complex<T>>,
}

impl<T: FftNum> InverseRealFft<T> {
    /// For `len` samples.
    pub fn new(len: usize) -> Self {
        Self::planned(&mut RealFftPlanner::new(), len)
    }

    /// For `len` samples, by a planner that remembers the tables of earlier lengths.
    pub fn planned(planner: &mut RealFftPlanner<T>, len: usize) -> Self {
        let plan = planner.plan_fft_inverse(len);
        let (output, scratch) = (plan.make_output_vec(), plan.make_scratch_vec());
        Self { plan, output, scratch }
    }

    /// `len` times the samples whose spectrum is `spectrum`, of `len / 2 + 1` bins; anything is left in it. The
    /// imaginary parts of the bins at 0 Hz and at half the sample rate do not count.
    pub fn transform(&mut self, spectrum: &mut [Complex<T>]) -> &[T] {
        spectrum[0].im = T::zero();
        if self.output.len().is_multiple_of(2) {
            spectrum[self.output.len() / 2].im = T::zero();
        }
        self.plan.process_with_scratch(spectrum, &mut self.output, &mut self.scratch).expect(PLANNED);
        &self.output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_are_symmetric_and_overlapping_ones_add_up() {
        for i in 0..384 {
            assert!((hann(i, 384) - hann(383 - i, 384)).abs() < 1e-6);
            assert!((f64::from(hann(i, 384)) - hann_f64(i, 384)).abs() < 1e-6);
        }
        for i in 0..128 {
            let sum: f64 = (0..8).map(|k| hann_periodic(i + 128 * k, 1024).powi(2)).sum();
            assert!((sum - 8.0 * 0.375).abs() < 1e-12, "{sum}");
        }
    }

    #[test]
    fn the_top_of_a_parabola_is_found_and_a_dip_has_none() {
        let y = |x: f64| -3.0 * (x - 0.2).powi(2);
        assert!((parabolic_peak(y(-1.0), y(0.0), y(1.0)) - 0.2).abs() < 1e-12);
        assert_eq!(parabolic_peak(1.0, 0.0, 1.0), 0.0);
        assert_eq!(parabolic_peak(0.0, 0.0, 0.0), 0.0);
        assert_eq!(parabolic_peak(0.0, 1.0, 9.0), 0.0);
    }

    #[test]
    fn a_sine_has_its_power_in_one_bin_and_comes_back() {
        let mut fft = RealFft::<f64>::new(64);
        let sine: Vec<f64> =
            (0..64).map(|i| (std::f64::consts::TAU * 5.0 * f64::from(i) / 64.0).sin()).collect();
        fft.input.copy_from_slice(&sine);
        let power: Vec<f64> = fft.power().collect();
        assert_eq!(power.len(), fft.bins());
        assert!((power[5] - 32.0 * 32.0).abs() < 1e-9 && power.iter().sum::<f64>() - power[5] < 1e-9);
        fft.input.copy_from_slice(&sine);
        let mut spectrum = fft.transform().to_vec();
        let mut back = InverseRealFft::new(64);
        let samples = back.transform(&mut spectrum);
        assert!(samples.iter().zip(&sine).all(|(a, b)| (a / 64.0 - b).abs() < 1e-12));
    }
}
