//! Bells, shelves, tilt and cuts that follow their analogue prototypes up to 20 kHz.
//!
//! The bilinear transform warps frequencies near half the sample rate; these filters match the prototype's
//! magnitude instead: M. Vicanek, "Matched Second Order Digital Filters" (2016). Poles are the
//! prototype's, mapped by impulse invariance; zeros are chosen so that the magnitude agrees at three
//! frequencies. The prototypes of bells and shelves are those of R. Bristow-Johnson's "Cookbook
//! formulae for audio EQ biquad filter coefficients".

use super::{
    denormal::FlushTimer,
    pair::{Pair, flush_if_tiny},
    svf::BUTTERWORTH_4,
};
use crate::units::{db_to_gain, power_to_db};
use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Cutoffs below which a low cut is off, and above which it has its full effect, Hz.
const LOW_CUT_OFF_HZ: f64 = 20.0;
const LOW_CUT_FULL_HZ: f64 = 25.0;

/// Coefficients of a second-order section, with `a0 = 1`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EqSection {
    /// Coefficients of the input and the two inputs before.
    pub b: [f64; 3],
    /// Coefficients of the two outputs before (subtracted).
    pub a: [f64; 2],
}

impl EqSection {
    /// No filtering.
    pub const UNITY: Self = Self { b: [1.0, 0.0, 0.0], a: [0.0; 2] };

    /// A bell of `gain_db` at `hz`; `q` as in the analogue prototype
    /// `(s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)`, `A = 10^(gain/40)`.
    pub fn bell(hz: f64, gain_db: f64, q: f64, sample_rate: f64) -> Self {
        // A boost's poles lie closer to the prototype's than a cut's; a cut is the inverse of its boost.
        if gain_db < 0.0 {
            return Self::bell(hz, -gain_db, q, sample_rate).inverse();
        }
        let a = db_to_gain(gain_db / 2.0);
        let w = omega(hz, sample_rate);
        let gain2 = (a * a) * (a * a);
        let poles = Poles::new(w, 1.0 / (2.0 * a * q));
        // Vicanek 2016, "Peaking": gain 1 at 0 Hz; `gain` and a horizontal tangent at the centre.
        let [f0, f1, _] = poles.phi(w);
        let [a0, a1, a2] = poles.big;
        let r1 = poles.power(w) * gain2;
        let r2 = (a1 - a0 + 4.0 * (f0 - f1) * a2) * gain2;
        let b0 = a0;
        let b2 = (r1 - r2 * f1 - b0) / (4.0 * f1 * f1);
        let b1 = r2 + b0 + 4.0 * (f1 - f0) * b2;
        poles.with_zeros([b0, b1, b2])
    }

    /// A shelf of `gain_db` below `hz`; half of it, in dB, at `hz`.
    pub fn low_shelf(hz: f64, gain_db: f64, q: f64, sample_rate: f64) -> Self {
        // A boost has its poles at lower frequencies, where the mapping is more accurate; a cut is its inverse.
        let boost = Self::shelf(hz, gain_db.abs(), q, sample_rate, |s2, a, q| {
            // A (A - w^2 + j w sqrt(A)/Q) / (1 - A w^2 + j w sqrt(A)/Q)
            let middle = s2 * a / (q * q);
            let above = (a - s2) * (a - s2) + middle;
            let below = (1.0 - a * s2) * (1.0 - a * s2) + middle;
            a * a * above / below
        });
        if gain_db < 0.0 { boost.inverse() } else { boost }
    }

    /// A shelf of `gain_db` above `hz`; half of it, in dB, at `hz`.
    pub fn high_shelf(hz: f64, gain_db: f64, q: f64, sample_rate: f64) -> Self {
        let cut = Self::shelf(hz, gain_db.abs(), q, sample_rate, |s2, a, q| {
            // The cut: the inverse of the prototype, with poles at w0 / sqrt(A).
            let middle = s2 * a / (q * q);
            let above = (a - s2) * (a - s2) + middle;
            let below = (1.0 - a * s2) * (1.0 - a * s2) + middle;
            above / below / (a * a)
        });
        if gain_db < 0.0 { cut } else { cut.inverse() }
    }

    /// Both shelves share poles at `w0 / sqrt(A)`; `power` is the prototype's squared magnitude for
    /// (frequency / middle)^2, `A` and Q.
    fn shelf(hz: f64, gain_db: f64, q: f64, sample_rate: f64, power: impl Fn(f64, f64, f64) -> f64) -> Self {
        let a = db_to_gain(gain_db / 2.0);
        let w = omega(hz, sample_rate);
        let poles = Poles::new(w / a.sqrt(), 1.0 / (2.0 * q));
        let square = |x: f64| x * x;
        let big0 = poles.big[0] * power(0.0, a, q);
        let big1 = poles.big[1] * power(square(PI / w), a, q);
        let [f0, f1, f2] = poles.phi(w);
        let wanted = poles.power(w) * power(1.0, a, q);
        poles.with_zeros([big0, big1, (wanted - big0 * f0 - big1 * f1) / f2])
    }

    /// A tilt around 1 kHz: `gain_db` at high and `-gain_db` at low frequencies; first order, prototype
    /// `(g s + 1) / (s + g)`, matched at 0 Hz and at half the sample rate.
    pub fn tilt(gain_db: f64, sample_rate: f64) -> Self {
        let g = db_to_gain(gain_db);
        let w = omega(1000.0, sample_rate);
        let pole = libm::exp(-w * g);
        let top = PI / w;
        let at_top = ((g * g * top * top + 1.0) / (top * top + g * g)).sqrt();
        let (at_0, at_pi) = ((1.0 - pole) / g, (1.0 + pole) * at_top);
        Self { b: [(at_0 + at_pi) / 2.0, (at_0 - at_pi) / 2.0, 0.0], a: [-pole, 0.0] }
    }

    /// Second-order low pass, 3 dB down at `hz` for Q 0.707.
    pub fn low_pass(hz: f64, q: f64, sample_rate: f64) -> Self {
        let w = omega(hz, sample_rate);
        let poles = Poles::new(w, 1.0 / (2.0 * q));
        let [f0, f1, _] = poles.phi(w);
        let b0 = poles.big[0];
        let b1 = ((poles.power(w) * q * q - b0 * f0) / f1).max(0.0);
        poles.with_zeros([b0, b1, 0.0])
    }

    /// Second-order high pass, 3 dB down at `hz` for Q 0.707.
    pub fn high_pass(hz: f64, q: f64, sample_rate: f64) -> Self {
        let w = omega(hz, sample_rate);
        let poles = Poles::new(w, 1.0 / (2.0 * q));
        let [_, f1, _] = poles.phi(w);
        let b = poles.power(w).sqrt() * q / (4.0 * f1);
        Self { b: [b, -2.0 * b, b], a: poles.a }
    }

    /// Butterworth high cut of second order, or of fourth order if `fourth`; cutoff `hz`.
    pub fn high_cut(hz: f64, fourth: bool, sample_rate: f64) -> [Self; 2] {
        Self::butterworth(fourth, |q| Self::low_pass(hz, q, sample_rate))
    }

    /// Butterworth low cut of second order, or of fourth order if `fourth`; cutoff `hz`. At 20 Hz, the end of the
    /// setting's range, it is off; up to 25 Hz it is mixed in, so that nothing jumps.
    pub fn low_cut(hz: f64, fourth: bool, sample_rate: f64) -> [Self; 2] {
        let share = (hz - LOW_CUT_OFF_HZ) / (LOW_CUT_FULL_HZ - LOW_CUT_OFF_HZ);
        Self::butterworth(fourth, |q| Self::high_pass(hz, q, sample_rate).mixed(share.clamp(0.0, 1.0)))
    }

    /// This filter mixed with the unfiltered signal: `share` of it, 0 to 1.
    fn mixed(self, share: f64) -> Self {
        let dry = [1.0, self.a[0], self.a[1]];
        Self { b: std::array::from_fn(|i| dry[i] + (self.b[i] - dry[i]) * share), a: self.a }
    }

    fn butterworth(fourth: bool, half: impl Fn(f64) -> Self) -> [Self; 2] {
        if fourth { BUTTERWORTH_4.map(half) } else { [half(FRAC_1_SQRT_2), Self::UNITY] }
    }

    /// The inverse filter; this one's zeros must lie inside the unit circle.
    fn inverse(self) -> Self {
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        Self { b: [1.0 / b0, a1 / b0, a2 / b0], a: [b1 / b0, b2 / b0] }
    }

    /// Magnitude at `hz` for a sample rate in Hz, dB.
    pub fn magnitude_db(&self, hz: f64, sample_rate: f64) -> f64 {
        let w = std::f64::consts::TAU * hz / sample_rate;
        let norm = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        power_to_db(norm(self.b) / norm([1.0, self.a[0], self.a[1]]))
    }
}

fn omega(hz: f64, sample_rate: f64) -> f64 {
    std::f64::consts::TAU * hz.clamp(1.0, sample_rate * 0.49) / sample_rate
}

/// Poles mapped by impulse invariance, with the squared magnitude of their polynomial in the paper's
/// form `A0 phi0 + A1 phi1 + A2 phi2`.
struct Poles {
    a: [f64; 2],
    big: [f64; 3],
}

impl Poles {
    /// `w` in radians per frame, `damping` 1 / (2 Q).
    fn new(w: f64, damping: f64) -> Self {
        let decay = libm::exp(-damping * w);
        let swing = if damping <= 1.0 {
            libm::cos((1.0 - damping * damping).sqrt() * w) * 2.0 * decay
        } else {
            // Two real poles; cosh written as exponentials that cannot overflow together with `decay`.
            let root = (damping * damping - 1.0).sqrt() * w;
            libm::exp(root - damping * w) + libm::exp(-root - damping * w)
        };
        let [a1, a2] = [-swing, decay * decay];
        let square = |x: f64| x * x;
        Self { a: [a1, a2], big: [square(1.0 + a1 + a2), square(1.0 - a1 + a2), -4.0 * a2] }
    }

    fn phi(&self, w: f64) -> [f64; 3] {
        let half = libm::sin(w / 2.0);
        let f1 = half * half;
        let f0 = 1.0 - f1;
        [f0, f1, 4.0 * f0 * f1]
    }

    fn power(&self, w: f64) -> f64 {
        let f = self.phi(w);
        self.big[0] * f[0] + self.big[1] * f[1] + self.big[2] * f[2]
    }

    /// The section whose zeros have this squared magnitude.
    fn with_zeros(self, big: [f64; 3]) -> EqSection {
        let (r0, r1) = (big[0].max(0.0).sqrt(), big[1].max(0.0).sqrt());
        let w = (r0 + r1) / 2.0;
        let b0 = (w + (w * w + big[2]).max(0.0).sqrt()) / 2.0;
        let b2 = if b0 > 0.0 { -big[2] / (4.0 * b0) } else { 0.0 };
        EqSection { b: [b0, (r0 - r1) / 2.0, b2], a: self.a }
    }
}

/// A section that filters two channels: direct form 1 in double precision, whose state is the signal itself, so
/// that coefficients may change without a step in the output.
#[derive(Debug, Clone, Copy)]
pub struct Filter {
    section: EqSection,
    /// The last two frames in and out, `[age][channel]`.
    x: [[f64; 2]; 2],
    y: [[f64; 2]; 2],
    flush_timer: FlushTimer,
}

impl Filter {
    /// Without state.
    pub fn new(section: EqSection) -> Self {
        Self { section, x: [[0.0; 2]; 2], y: [[0.0; 2]; 2], flush_timer: FlushTimer::default() }
    }

    /// Takes new coefficients; the state is kept.
    pub fn set(&mut self, section: EqSection) {
        self.section = section;
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        *self = Self::new(self.section);
    }

    /// Filters two channels in place.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        let mut timer = self.flush_timer;
        process_together(&mut timer, [self], left, right);
        self.flush_timer = timer;
    }

    /// Filters two channels in place by this filter and then by `next`: the same samples as from one after the other, in
    /// less time.
    pub fn process_with(&mut self, next: &mut Self, left: &mut [f32], right: &mut [f32]) {
        if self.flush_timer == next.flush_timer {
            let mut timer = self.flush_timer;
            process_together(&mut timer, [self, next], left, right);
            (self.flush_timer, next.flush_timer) = (timer, timer);
        } else {
            self.process(left, right);
            next.process(left, right);
        }
    }
}

/// Filters two channels in place by each filter in turn. A filter's frames wait for each other; in one loop the next filter
/// works in the meantime.
#[inline(always)]
fn process_together<const N: usize>(
    flush_timer: &mut FlushTimer,
    filters: [&mut Filter; N],
    left: &mut [f32],
    right: &mut [f32],
) {
    let mut states: [FilterState; N] = std::array::from_fn(|i| FilterState::of(filters[i]));
    let frames = left.len().min(right.len());
    let mut from = 0;
    while from < frames {
        let (n, look) = flush_timer.next(frames - from);
        for (l, r) in left[from..from + n].iter_mut().zip(&mut right[from..from + n]) {
            for state in &mut states {
                (*l, *r) = state.tick(Pair::from_samples(*l, *r)).to_samples();
            }
        }
        if look {
            for state in &mut states {
                state.y = flush_if_tiny(state.y[0], state.y[1]).into();
            }
        }
        from += n;
    }
    for (filter, state) in filters.into_iter().zip(states) {
        (filter.x, filter.y) = (state.x.map(Pair::get), state.y.map(Pair::get));
    }
}

/// A filter at work.
struct FilterState {
    section: EqSection,
    x: [Pair; 2],
    y: [Pair; 2],
}

impl FilterState {
    #[inline(always)]
    fn of(filter: &Filter) -> Self {
        Self { section: filter.section, x: filter.x.map(Pair::new), y: filter.y.map(Pair::new) }
    }

    #[inline(always)]
    fn tick(&mut self, x: Pair) -> Pair {
        let (EqSection { b, a }, [x1, x2], [y1, y2]) = (self.section, self.x, self.y);
        // The newest output is added last: the dependency chain between frames is one product and one difference.
        let y = x * b[0] + x1 * b[1] + x2 * b[2] - y2 * a[1] - y1 * a[0];
        (self.x, self.y) = ([x, x1], [y, y1]);
        y
    }
}

/// Filters two channels in place by each filter in turn.
pub fn process_in_turn<'a>(
    filters: impl IntoIterator<Item = &'a mut Filter>,
    left: &mut [f32],
    right: &mut [f32],
) {
    let mut filters = filters.into_iter();
    while let Some(filter) = filters.next() {
        match filters.next() {
            Some(next) => filter.process_with(next, left, right),
            None => filter.process(left, right),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_filters_at_once_give_the_bits_of_one_after_the_other() {
        let noise = |i: u32| i.wrapping_mul(2_654_435_761) as f32 / 2_147_483_648.0 - 1.0;
        let [left, right] = [0, 7].map(|seed| (0..1000).map(|i| noise(i + seed)).collect::<Vec<f32>>());
        // the first of them is also flushed elsewhere than the second one where it has run before
        for before in [0, 5] {
            let mut first = Filter::new(EqSection::bell(900.0, 6.0, 2.0, 48_000.0));
            let mut next = Filter::new(EqSection::low_pass(4000.0, 0.7, 48_000.0));
            first.process(&mut left[..before].to_vec(), &mut right[..before].to_vec());
            let (mut one, mut other) = (first, next);
            let [[mut l, mut r], [mut a, mut b]] =
                [[left.clone(), right.clone()], [left.clone(), right.clone()]];
            for (from, to) in [(0, 3), (3, 500), (500, 1000)] {
                first.process_with(&mut next, &mut l[from..to], &mut r[from..to]);
                one.process(&mut a[from..to], &mut b[from..to]);
                other.process(&mut a[from..to], &mut b[from..to]);
            }
            assert!(l == a && r == b, "run before: {before} frames");
        }
    }
}
