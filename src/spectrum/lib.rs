//! Windows, transforms and peaks of spectra: the one home of what every analysis of sound needs.
//!
//! A crate of its own because the transforms are generic code: planned anywhere else, they would be compiled once more
//! in each crate and test program, which was more code than all of Kitwright's. In single precision only, for the same
//! reason: its rounding lies at least 140 dB below a sine (`tests/core/spectrum.rs`).

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::{Arc, Mutex, PoisonError};

pub use realfft::num_complex::Complex;

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

/// Point `i` of a periodic Hann window of `len` points, ½ − ½ cos(2π i / len). Squared windows at a hop of `len / n`, n a
/// whole number of at least 3, add up to 3 n / 8, as weighted overlap-add needs.
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

/// Remembers the tables of the lengths that were planned.
pub struct Planner(RealFftPlanner<f32>);

impl Planner {
    /// Without tables.
    pub fn new() -> Self {
        Self(RealFftPlanner::new())
    }
}

impl Default for Planner {
    fn default() -> Self {
        Self::new()
    }
}

/// Shared planner that caches its tables; callers block while another plans.
static PLANNER: Mutex<Option<Planner>> = Mutex::new(None);

/// Panic message: the buffers have the planned length, so a transform cannot fail.
const PLANNED: &str = "buffers have the length that was planned";

/// The spectrum of real samples, with buffers of its own. A clone shares the plan.
#[derive(Clone)]
pub struct RealFft {
    plan: Arc<dyn RealToComplex<f32>>,
    /// The samples of the next spectrum, `len` of them: another length panics. [`RealFft::transform`] leaves anything in it.
    pub input: Vec<f32>,
    output: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl RealFft {
    /// For `len` samples.
    pub fn new(len: usize) -> Self {
        Self::planned(&mut Planner::new(), len)
    }

    /// For `len` samples, by a planner that remembers the tables of earlier lengths.
    pub fn planned(planner: &mut Planner, len: usize) -> Self {
        let plan = planner.0.plan_fft_forward(len);
        let (input, output, scratch) =
            (plan.make_input_vec(), plan.make_output_vec(), plan.make_scratch_vec());
        Self { plan, input, output, scratch }
    }

    /// For `len` samples, with the tables that the program has made before: for work that asks for the same few
    /// lengths again and again, in threads that come and go. Not for the audio thread, which must not wait.
    pub fn remembered(len: usize) -> Self {
        let mut planner = PLANNER.lock().unwrap_or_else(PoisonError::into_inner);
        Self::planned(planner.get_or_insert_default(), len)
    }

    /// Bins of the spectrum: `len / 2 + 1`, from 0 Hz to half the sample rate.
    pub fn bins(&self) -> usize {
        self.output.len()
    }

    /// The spectrum of [`RealFft::input`], not scaled: a sine of amplitude 1 in the middle of a bin gives `len / 2`.
    ///
    /// # Panics
    /// When `input` has another length than the planned one.
    pub fn transform(&mut self) -> &[Complex<f32>] {
        self.plan.process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch).expect(PLANNED);
        &self.output
    }

    /// As [`RealFft::transform`], into a spectrum of [`RealFft::bins`] bins.
    ///
    /// # Panics
    /// When `input` or `spectrum` has another length than the planned one.
    pub fn transform_into(&mut self, spectrum: &mut [Complex<f32>]) {
        self.plan.process_with_scratch(&mut self.input, spectrum, &mut self.scratch).expect(PLANNED);
    }

    /// The power of each bin of [`RealFft::transform`].
    ///
    /// # Panics
    /// When `input` has another length than the planned one.
    pub fn power(&mut self) -> impl Iterator<Item = f32> {
        self.transform().iter().map(Complex::norm_sqr)
    }
}

/// Real samples of a spectrum: the way back of [`RealFft`].
#[derive(Clone)]
pub struct InverseRealFft {
    plan: Arc<dyn ComplexToReal<f32>>,
    output: Vec<f32>,
    scratch: Vec<Complex<f32>>,
}

impl InverseRealFft {
    /// For `len` samples.
    pub fn new(len: usize) -> Self {
        Self::planned(&mut Planner::new(), len)
    }

    /// For `len` samples, by a planner that remembers the tables of earlier lengths.
    pub fn planned(planner: &mut Planner, len: usize) -> Self {
        let plan = planner.0.plan_fft_inverse(len);
        let (output, scratch) = (plan.make_output_vec(), plan.make_scratch_vec());
        Self { plan, output, scratch }
    }

    /// For `len` samples, with the tables that the program has made before, as [`RealFft::remembered`].
    pub fn remembered(len: usize) -> Self {
        let mut planner = PLANNER.lock().unwrap_or_else(PoisonError::into_inner);
        Self::planned(planner.get_or_insert_default(), len)
    }

    /// `len` times the samples whose spectrum is `spectrum`, of `len / 2 + 1` bins; anything is left in it. The
    /// imaginary parts of the bins at 0 Hz and at half the sample rate do not count.
    ///
    /// # Panics
    /// When `spectrum` has another length than the planned one.
    pub fn transform(&mut self, spectrum: &mut [Complex<f32>]) -> &[f32] {
        spectrum[0].im = 0.0;
        if self.output.len().is_multiple_of(2) {
            spectrum[self.output.len() / 2].im = 0.0;
        }
        self.plan.process_with_scratch(spectrum, &mut self.output, &mut self.scratch).expect(PLANNED);
        &self.output
    }
}
