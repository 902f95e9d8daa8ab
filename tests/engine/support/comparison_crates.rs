//! General-purpose crates for the same work, measured beside ours.

use super::{
    cpu_load::now,
    figures::resampling::{RATE, fit, semitones, sine},
};
use biquad::Biquad;
use kitwright_core::engine::dsp::{
    eq::{EqSection, Filter},
    reader::{Reader, Step},
    svf::{Pass, Steepness, Svf},
};
use rubato::{
    WindowFunction,
    interpolation::get_nearest_times_2,
    sinc_interpolator::{AnyInterpolator, SincInterpolator, make_interpolator},
};
use std::hint::black_box;

/// Frames of one measurement.
pub const FRAMES: usize = 4096;

/// Reads one channel from a position at a ratio by rubato's interpolator: 64 taps, Blackman-Harris squared, 1024
/// phases with straight lines between them.
pub struct Rubato(AnyInterpolator<f32>);

impl Rubato {
    const TAPS: usize = 64;
    const PHASES: usize = 1024;

    /// With its tables.
    pub fn new() -> Self {
        Self(make_interpolator(Self::TAPS, 1.0, None, Self::PHASES, WindowFunction::BlackmanHarris2))
    }

    /// Fills `out`.
    pub fn read(&self, source: &[f32], mut position: f64, ratio: f64, out: &mut [f32]) {
        let phases = Self::PHASES;
        for y in out {
            let t = position - Self::TAPS as f64 / 2.0 + 1.0 - 1.0 / phases as f64;
            let mut near = [(0isize, 0isize); 2];
            get_nearest_times_2(t, phases as isize, &mut near);
            let [a, b] = near.map(|(i, p)| self.0.get_sinc_interpolated(source, i as usize, p as usize));
            *y = a + (b - a) * (t * phases as f64).fract() as f32;
            position += ratio;
        }
    }
}

/// Signal-to-noise ratio and loss of rubato, dB, measured as ours: sines to 15 kHz, +1 st.
pub fn quality() -> (f64, f64) {
    let (other, ratio) = (Rubato::new(), semitones(1.0));
    let mut worst = (f64::INFINITY, 0.0f64);
    for hz in [50.0, 440.0, 1000.0, 3000.0, 5000.0, 7500.0, 10_000.0, 12_500.0, 14_000.0, 15_000.0] {
        let mut out = vec![0.0; 8192];
        other.read(&sine(hz, 16_000), 3000.0 + 0.123_456_789, ratio, &mut out);
        let (level, snr) = fit(&out, hz * ratio);
        worst = (worst.0.min(snr), worst.1.max(level.abs()));
    }
    worst
}

/// Frames a second, the best of many runs.
fn rate(mut work: impl FnMut()) -> f64 {
    let once = |work: &mut dyn FnMut()| {
        let start = now();
        (0..4).for_each(|_| work());
        4.0 * FRAMES as f64 / (now() - start)
    };
    (0..300).map(|_| once(&mut work)).fold(0.0, f64::max)
}

/// Frames a second of ours and of rubato, reading one or two channels one semitone up.
pub fn reading(channels: usize) -> [f64; 2] {
    let source = [sine(700.0, FRAMES * 2), sine(1100.0, FRAMES * 2)];
    let (mut l, mut r) = (vec![0.0; FRAMES], vec![0.0; FRAMES]);
    let (other, ratio) = (Rubato::new(), semitones(1.0));
    let step = Step::from_ratio(ratio);
    let other_rate = rate(|| {
        other.read(black_box(&source[0]), 1000.3, ratio, &mut l);
        if channels == 2 {
            other.read(black_box(&source[1]), 1000.3, ratio, &mut r);
        }
    });
    let own = rate(|| {
        let mut reader = Reader::new(1000.3);
        if channels == 2 {
            reader.read_stereo([black_box(&source[0]), black_box(&source[1])], step, [&mut l, &mut r]);
        } else {
            reader.read_mono(black_box(&source[0]), step, &mut l);
        }
    });
    black_box((&l, &r));
    [own, other_rate]
}

/// Stereo frames a second of our bell, of our state-variable filter and of the biquad crate's bell, all in double
/// precision.
pub fn filtering() -> [f64; 3] {
    let coefficients = biquad::Coefficients::<f64>::from_params(
        biquad::Type::PeakingEQ(3.0),
        biquad::Hertz::from_hz(RATE).expect("a frequency"),
        biquad::Hertz::from_hz(1000.0).expect("a frequency"),
        1.0,
    )
    .expect("a filter");
    let (mut l, mut r) = (sine(700.0, FRAMES), sine(1100.0, FRAMES));
    let mut others = [biquad::DirectForm2Transposed::new(coefficients); 2];
    let other_rate = rate(|| {
        for (l, r) in l.iter_mut().zip(&mut r) {
            *l = others[0].run(f64::from(*l)) as f32;
            *r = others[1].run(f64::from(*r)) as f32;
        }
        black_box((&l, &r));
    });
    let (mut l, mut r) = (sine(700.0, FRAMES), sine(1100.0, FRAMES));
    let mut own = Filter::new(EqSection::bell(1000.0, 3.0, 1.0, RATE));
    let bell = rate(|| {
        own.process(&mut l, &mut r);
        black_box((&l, &r));
    });
    let (mut l, mut r) = (sine(700.0, FRAMES), sine(1100.0, FRAMES));
    let mut swept = Svf::new(Pass::Low, Steepness::Twelve, RATE);
    let variable = rate(|| {
        swept.process(&mut l, &mut r);
        black_box((&l, &r));
    });
    [bell, variable, other_rate]
}
