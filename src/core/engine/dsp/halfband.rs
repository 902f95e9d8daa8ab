//! Doubling and halving of the sample rate with recursive half-band filters, with little delay.
//!
//! Two chains of first-order all-passes whose sum is an elliptic half-band filter: R. A. Valenzuela,
//! A. G. Constantinides, "Digital signal processing schemes for efficient interpolation and
//! decimation", IEE Proceedings 130(6), 1983; the series for the coefficients are those of elliptic
//! functions (textbook formulas, no single source; a test measures the resulting pass and stop bands).
//!
//! Doubling and halving through all stages delays low frequencies by up to 0.13 ms (a test measures it). This is
//! phase response, not a latency to be reported: it applies to the whole signal of the stage.

use super::{denormal::flush, pair::Pair};

/// Two channels at one instant.
pub type Frame = [f64; 2];

/// Most all-passes in a chain.
const MAX_LINKS: usize = 6;
/// Values of the even and of the odd chain, of two channels each.
type BothChains = [Pair; 2];

/// Coefficients of both all-pass chains and their length.
#[derive(Debug, Clone, Copy)]
struct Chains {
    links: usize,
    /// `[link]`, even and odd; both chains have the same number of links.
    c: [[f64; 2]; MAX_LINKS],
}

/// One doubling, or one halving, of two channels.
#[derive(Debug, Clone, Copy)]
pub struct HalfBand {
    chains: Chains,
    /// Last input and output of each link.
    x: [BothChains; MAX_LINKS],
    y: [BothChains; MAX_LINKS],
}

impl HalfBand {
    /// A filter whose pass band ends at `edge` times the lower sample rate (below 0.5) and whose mirrored stop band
    /// is attenuated by at least `attenuation_db`.
    pub fn new(edge: f64, attenuation_db: f64) -> Self {
        let transition = (0.5 - edge).clamp(0.01, 0.45);
        let mut count = 2;
        while count < 2 * MAX_LINKS && attenuation(count, transition) < attenuation_db {
            count += 2;
        }
        let all = coefficients(count, transition);
        let mut c = [[0.0; 2]; MAX_LINKS];
        for (link, both) in c.iter_mut().enumerate().take(count / 2) {
            *both = [all[2 * link], all[2 * link + 1]];
        }
        Self { chains: Chains { links: count / 2, c }, x: no_states(), y: no_states() }
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        (self.x, self.y) = (no_states(), no_states());
    }

    /// Two frames at the double rate for each one in.
    #[inline(always)]
    pub fn double(&mut self, input: &[Frame], output: &mut [Frame]) {
        match self.chains.links {
            1 => self.double_with::<1>(input, output),
            2 => self.double_with::<2>(input, output),
            3 => self.double_with::<3>(input, output),
            4 => self.double_with::<4>(input, output),
            5 => self.double_with::<5>(input, output),
            _ => self.double_with::<MAX_LINKS>(input, output),
        }
    }

    /// One frame for each two at the double rate.
    #[inline(always)]
    pub fn halve(&mut self, input: &[Frame], output: &mut [Frame]) {
        match self.chains.links {
            1 => self.halve_with::<1>(input, output),
            2 => self.halve_with::<2>(input, output),
            3 => self.halve_with::<3>(input, output),
            4 => self.halve_with::<4>(input, output),
            5 => self.halve_with::<5>(input, output),
            _ => self.halve_with::<MAX_LINKS>(input, output),
        }
    }

    #[inline(always)]
    fn double_with<const LINKS: usize>(&mut self, input: &[Frame], output: &mut [Frame]) {
        let mut work = self.work::<LINKS>();
        for (x, y) in input.iter().zip(output.as_chunks_mut::<2>().0) {
            *y = work.pass([Pair::new(*x); 2]).map(Pair::get);
        }
        self.keep(work);
    }

    #[inline(always)]
    fn halve_with<const LINKS: usize>(&mut self, input: &[Frame], output: &mut [Frame]) {
        let mut work = self.work::<LINKS>();
        for ([first, second], y) in input.as_chunks::<2>().0.iter().zip(output) {
            let [even, odd] = work.pass([Pair::new(*second), Pair::new(*first)]);
            *y = ((even + odd) * 0.5).get();
        }
        self.keep(work);
    }

    #[inline(always)]
    fn work<const LINKS: usize>(&self) -> Work<LINKS> {
        let part = |all: &[BothChains; MAX_LINKS]| std::array::from_fn(|i| all[i]);
        Work { c: std::array::from_fn(|i| self.chains.c[i]), x: part(&self.x), y: part(&self.y) }
    }

    #[inline(always)]
    fn keep<const LINKS: usize>(&mut self, work: Work<LINKS>) {
        self.x[..LINKS].copy_from_slice(&work.x);
        self.y[..LINKS].copy_from_slice(&work.y);
    }

    /// Flushes states before they reach the denormal range: call it at least every 128 frames of the higher rate
    /// (within them the smallest coefficient, 0.03, takes a state no lower than 1e-210), always after the same
    /// number of frames.
    pub fn flush(&mut self) {
        let used = ..self.chains.links;
        for states in self.x[used].iter_mut().chain(&mut self.y[used]) {
            *states = states.map(|pair| Pair::new(pair.get().map(flush)));
        }
    }
}

/// The links of both chains with their state, small enough for registers.
struct Work<const LINKS: usize> {
    c: [[f64; 2]; LINKS],
    x: [BothChains; LINKS],
    y: [BothChains; LINKS],
}

impl<const LINKS: usize> Work<LINKS> {
    #[inline(always)]
    fn pass(&mut self, mut v: BothChains) -> BothChains {
        for link in 0..LINKS {
            let ([even, odd], x, y) = (self.c[link], self.x[link], self.y[link]);
            let out = [(v[0] - y[0]) * even + x[0], (v[1] - y[1]) * odd + x[1]];
            self.x[link] = v;
            self.y[link] = out;
            v = out;
        }
        v
    }
}

fn no_states() -> [BothChains; MAX_LINKS] {
    [[Pair::new([0.0; 2]); 2]; MAX_LINKS]
}

/// Selectivity `k` and nome `q` of the elliptic filter with this transition (of the higher rate).
fn parameters(transition: f64) -> (f64, f64) {
    let t = libm::tan((1.0 - 2.0 * transition) * std::f64::consts::FRAC_PI_4);
    let k = t * t;
    let root = (1.0 - k * k).sqrt().sqrt();
    let e = 0.5 * (1.0 - root) / (1.0 + root);
    let e4 = (e * e) * (e * e);
    (k, e * (1.0 + e4 * (2.0 + e4 * (15.0 + 150.0 * e4))))
}

/// Depth of the stop band with `count` coefficients, dB: the ripple of the elliptic filter of order
/// `2 count + 1` is `2 q^(order / 4)`.
fn attenuation(count: usize, transition: f64) -> f64 {
    let (_, q) = parameters(transition);
    let order = (2 * count + 1) as f64;
    -20.0 * libm::log10(2.0 * libm::exp(0.25 * order * libm::log(q)))
}

fn coefficients(count: usize, transition: f64) -> [f64; 2 * MAX_LINKS] {
    let (k, q) = parameters(transition);
    let order = (2 * count + 1) as f64;
    let power = |n: f64| libm::exp(n * libm::log(q));
    std::array::from_fn(|index| {
        let angle = (index + 1) as f64 * std::f64::consts::PI / order;
        let (mut above, mut below, mut sign) = (0.0, 0.5, 1.0);
        for i in 0..8 {
            let i = f64::from(i);
            above += sign * power(i * (i + 1.0)) * libm::sin((2.0 * i + 1.0) * angle);
            sign = -sign;
            below += sign * power((i + 1.0) * (i + 1.0)) * libm::cos(2.0 * (i + 1.0) * angle);
        }
        let w = above * q.sqrt().sqrt() / below;
        let w2 = w * w;
        let x = ((1.0 - w2 * k) * (1.0 - w2 / k)).max(0.0).sqrt() / (1.0 + w2);
        (1.0 - x) / (1.0 + x)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Magnitude of the doubling at `f` of the higher rate, dB, from its impulse response.
    fn magnitude(edge: f64, f: f64) -> f64 {
        let mut up = HalfBand::new(edge, 100.0);
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..4000 {
            let x = if n == 0 { 1.0 } else { 0.0 };
            let mut out = [[0.0; 2]; 2];
            up.double(&[[x, x]], &mut out);
            for (i, y) in out.iter().enumerate() {
                let angle = std::f64::consts::TAU * f * (2 * n + i) as f64;
                re += 0.5 * y[0] * angle.cos();
                im += 0.5 * y[0] * angle.sin();
            }
        }
        10.0 * (re * re + im * im).log10()
    }

    #[test]
    fn pass_band_is_flat_and_stop_band_is_100_db_deep() {
        for edge in [0.4535, 0.3, 0.15] {
            for i in 0..=50 {
                let f = edge / 2.0 * f64::from(i) / 50.0;
                let (pass, stop) = (magnitude(edge, f), magnitude(edge, 0.5 - f));
                assert!(pass.abs() < 0.001, "pass band {pass} dB at {f}, edge {edge}");
                assert!(stop < -100.0, "stop band {stop} dB at {f}, edge {edge}");
            }
        }
    }
}
