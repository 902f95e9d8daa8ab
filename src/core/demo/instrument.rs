//! The synthesised cello, and what all instruments are made of: resonances that are struck, plucked and rubbed.
//!
//! Modal synthesis: a force drives a bank of damped resonances. Frequencies and decay times are plausible values, no
//! source. Sines and powers come from `libm`, which gives the same bits on every machine; the system's do not.

use libm::{cos, exp, log2, pow, sin};
use rand_pcg::{Pcg32, rand_core::Rng};
use std::f64::consts::{PI, TAU};

/// Sample rate of the demo take, Hz.
pub(super) const DEMO_RATE: f64 = 48_000.0;

/// Open strings C2, G2, D3 and A3, Hz.
const STRINGS: [f64; 4] = [65.406, 97.999, 146.832, 220.0];

/// A random number, uniform from `low` to `high`.
pub(super) fn draw(rng: &mut Pcg32, low: f64, high: f64) -> f64 {
    low + (high - low) * f64::from(rng.next_u32()) / 4_294_967_296.0
}

/// White noise, uniform within ±1.
pub(super) fn noise(rng: &mut Pcg32) -> f64 {
    draw(rng, -1.0, 1.0)
}

/// One damped resonance; its impulse response is `gain * 10^(-3 t / t60) * sin(2 pi hz t)`.
#[derive(Clone, Copy, Default)]
pub(super) struct Mode {
    pub(super) hz: f64,
    pub(super) t60: f64,
    pub(super) gain: f64,
}

impl Mode {
    pub(super) fn new(hz: f64, t60: f64, gain: f64) -> Self {
        Self { hz, t60, gain }
    }
}

/// Where the body is struck, which decides the gains of its modes.
#[derive(Clone, Copy)]
pub(super) enum StrikePoint {
    LowerBout,
    UpperBout,
    Rib,
    Fingerboard,
}

/// The instrument: the modes of its body in order of frequency.
pub(super) struct Cello {
    body: Vec<Mode>,
}

impl Cello {
    pub(super) fn new(rng: &mut Pcg32) -> Self {
        // The air mode and the first modes of the plates, then denser ones with a maximum near 2.1 kHz.
        let first = [(98.0, 0.30, 1.0), (141.0, 0.16, 0.35), (176.0, 0.22, 0.85), (199.0, 0.20, 0.75)];
        let mut body: Vec<Mode> = first.iter().map(|&(hz, t60, gain)| Mode::new(hz, t60, gain)).collect();
        let mut hz = 240.0;
        while hz < 6500.0 {
            let q = draw(rng, 18.0, 42.0);
            let maximum = exp(-(log2(hz / 2100.0) / 0.8).powi(2));
            let gain = draw(rng, 0.35, 1.0) * (pow(240.0 / hz, 0.3) * 0.55 + 0.6 * maximum);
            body.push(Mode::new(hz, 2.2 * q / hz, gain));
            hz *= 1.0 + draw(rng, 0.035, 0.085);
        }
        Self { body }
    }

    /// The modes of the body, weighted by where it is struck.
    fn body_at(&self, point: StrikePoint) -> Vec<Mode> {
        let (seed, low, high, damping) = match point {
            StrikePoint::LowerBout => (1, 1.0, 0.6, 1.0),
            StrikePoint::UpperBout => (2, 0.45, 0.9, 0.9),
            StrikePoint::Rib => (3, 0.15, 1.0, 0.7),
            StrikePoint::Fingerboard => (4, 0.08, 1.0, 0.45),
        };
        let mut rng = Pcg32::new(seed, 0xb0d1);
        self.body
            .iter()
            .map(|m| {
                let share = 1.0 / (1.0 + (m.hz / 260.0).powi(2));
                let reach = (low * share + high * (1.0 - share)) * draw(&mut rng, -1.0, 1.0);
                Mode::new(m.hz * draw(&mut rng, 0.99, 1.01), m.t60 * damping, m.gain * reach)
            })
            .collect()
    }

    /// Gain of the body from the bridge to the air at a frequency.
    fn radiation(&self, hz: f64) -> f64 {
        let direct = 0.04;
        let at = |m: &Mode| {
            let damping = 6.91 / m.t60 / TAU;
            let (x, y) = ((m.hz * m.hz - hz * hz) / hz, 2.0 * damping);
            (m.gain * y).powi(2) / (x * x + y * y)
        };
        direct + self.body.iter().map(at).sum::<f64>().sqrt()
    }

    /// The partials of a string through the body: fundamental `hz`, excited at `spot` of its length, reverberation time
    /// `t60` seconds of the fundamental, excitation falling by e for each `soft_hz`.
    fn string(&self, hz: f64, spot: f64, t60: f64, soft_hz: f64) -> Vec<Mode> {
        let mut modes = Vec::new();
        for n in 1..=48 {
            let n = f64::from(n);
            let partial = n * hz * (1.0 + 4e-5 * n * n).sqrt();
            if partial > 9000.0 {
                break;
            }
            let decay = t60 / (1.0 + (partial / 700.0).powi(2) * 0.9 + 0.12 * n);
            let gain = sin(n * PI * spot) / n * exp(-partial / soft_hz) * self.radiation(partial);
            // The two planes of vibration differ a little in decay and tuning.
            modes.push(Mode::new(partial, decay, 0.75 * gain));
            modes.push(Mode::new(partial * 1.0007, decay * 0.45, 0.6 * gain));
        }
        modes
    }

    /// A knock with a contact of `contact_ms` (knuckle 2 to 4, heel of the hand 8, nail 0.2).
    pub(super) fn knock(&self, rng: &mut Pcg32, point: StrikePoint, contact_ms: f64) -> Vec<f64> {
        let contact = contact_ms * draw(rng, 0.85, 1.2);
        let mut force = pulse(contact);
        for f in &mut force {
            *f *= 1.0 + 0.25 * noise(rng);
        }
        let mut modes = self.body_at(point);
        for m in &mut modes {
            m.gain *= draw(rng, 0.8, 1.2);
        }
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        add(&mut sound, &skin(rng, contact.max(0.8), 900.0 + 2600.0 / contact), 0.25 + 0.3 / contact);
        sound
    }

    /// A plucked string 0 to 3, `fret` semitones up, with a reverberation time of about `t60` seconds.
    pub(super) fn pluck(&self, rng: &mut Pcg32, string: usize, fret: f64, t60: f64) -> Vec<f64> {
        let hz = STRINGS[string] * pow(2.0, (fret + draw(rng, -0.03, 0.03)) / 12.0);
        let spot = draw(rng, 0.11, 0.2);
        let modes = self.string(hz, spot, t60 * draw(rng, 0.85, 1.15), draw(rng, 2500.0, 5000.0));
        let mut sound = ring(&modes, &pulse(0.5));
        scale_to(&mut sound, 1.0);
        let mut thump = ring(&self.body_at(StrikePoint::UpperBout), &pulse(draw(rng, 1.2, 2.4)));
        scale_to(&mut thump, draw(rng, 0.18, 0.3));
        add(&mut sound, &thump, 1.0);
        add(&mut sound, &skin(rng, 2.5, 2600.0), 0.10);
        sound
    }

    /// Four damped strings struck one after the other.
    pub(super) fn muted_strum(&self, rng: &mut Pcg32) -> Vec<f64> {
        let mut sound = Vec::new();
        let mut at = 0.0;
        for string in 0..4 {
            let (fret, t60) = (draw(rng, 4.5, 5.5), draw(rng, 0.10, 0.2));
            let one = self.pluck(rng, string, fret, t60);
            add_at(&mut sound, &one, (at * DEMO_RATE) as usize, draw(rng, 0.7, 1.0));
            at += draw(rng, 0.007, 0.014);
        }
        sound
    }

    /// The wood of the bow bounced on a damped string.
    pub(super) fn bow_stick(&self, rng: &mut Pcg32, string: usize) -> Vec<f64> {
        let force = pulse(draw(rng, 0.15, 0.3));
        let mut modes = self.string(STRINGS[string] * 1.5, draw(rng, 0.06, 0.14), 0.18, 9000.0);
        for (hz, t60) in [(840.0, 0.05), (1730.0, 0.04), (2950.0, 0.03), (4400.0, 0.022), (6200.0, 0.016)] {
            modes.push(Mode::new(hz * draw(rng, 0.97, 1.03), t60, draw(rng, 0.15, 0.4)));
        }
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        add(&mut sound, &skin(rng, 1.2, 9000.0), 0.5);
        sound
    }

    /// A tap on the tailpiece, which excites the fine tuners and the short ends of the strings.
    pub(super) fn tailpiece(&self, rng: &mut Pcg32) -> Vec<f64> {
        let mut modes = self.body_at(StrikePoint::Rib);
        for m in &mut modes {
            m.gain *= 0.25;
        }
        let metal =
            [(412.0, 0.09), (785.0, 0.08), (1340.0, 0.1), (2190.0, 0.07), (3380.0, 0.06), (5270.0, 0.05)];
        let ends = [(968.0, 0.35), (1187.0, 0.4), (1466.0, 0.38), (1902.0, 0.3)];
        for (hz, t60) in metal {
            modes.push(Mode::new(hz * draw(rng, 0.99, 1.01), t60, draw(rng, 0.2, 0.5)));
        }
        for (hz, t60) in ends {
            modes.push(Mode::new(hz, t60, draw(rng, 0.01, 0.06)));
        }
        let mut sound = ring(&modes, &pulse(draw(rng, 0.12, 0.32)));
        scale_to(&mut sound, 1.0);
        add(&mut sound, &skin(rng, 1.0, 9000.0), 0.4);
        sound
    }

    /// A chop: the bow hair strikes the strings and stops.
    pub(super) fn chop(&self, rng: &mut Pcg32) -> Vec<f64> {
        let length = draw(rng, 0.05, 0.085);
        let force = rub(rng, length, 0.003, STRINGS[2], 0.75, 7000.0);
        let mut modes = self.string(STRINGS[2] * 1.26, 0.08, 0.12, 9000.0);
        modes.extend(self.body_at(StrikePoint::UpperBout));
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        let mut knock = ring(&self.body_at(StrikePoint::LowerBout), &pulse(2.0));
        scale_to(&mut knock, 0.5);
        add(&mut sound, &knock, 1.0);
        add(&mut sound, &force, 0.5);
        sound
    }

    /// The bow dragged over a string with too much pressure: a noisy tone with a slow onset.
    pub(super) fn bow_scrape(&self, rng: &mut Pcg32, string: usize) -> Vec<f64> {
        let length = draw(rng, 0.35, 0.75);
        let rise = draw(rng, 0.04, 0.12);
        let force = rub(rng, length, rise, STRINGS[string], 0.45, 5000.0);
        let mut modes = self.string(STRINGS[string], 0.07, 0.25, 12_000.0);
        modes.extend(self.body_at(StrikePoint::UpperBout));
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        add(&mut sound, &force, 0.18);
        sound
    }

    /// The bow drawn over the edge of the bridge: noise without a pitch.
    pub(super) fn bow_breath(&self, rng: &mut Pcg32) -> Vec<f64> {
        let length = draw(rng, 0.09, 0.2);
        let rise = draw(rng, 0.015, 0.04);
        let force = rub(rng, length, rise, 300.0, 1.0, 15_000.0);
        let modes = [(1650.0, 0.004), (2900.0, 0.004), (4700.0, 0.003), (7300.0, 0.002), (9800.0, 0.002)]
            .map(|(hz, t60)| Mode::new(hz * draw(rng, 0.95, 1.05), t60, draw(rng, 0.5, 1.0)));
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        add(&mut sound, &force, 0.2);
        sound
    }

    /// A nail drawn along a wound string: one impulse per winding, at a rising rate.
    pub(super) fn string_scratch(&self, rng: &mut Pcg32, string: usize) -> Vec<f64> {
        let length = draw(rng, 0.15, 0.45);
        let frames = (length * DEMO_RATE) as usize;
        let (slow, fast) = (draw(rng, 350.0, 600.0), draw(rng, 900.0, 2200.0));
        let mut force = vec![0.0; frames];
        let mut phase = 0.0;
        for (i, f) in force.iter_mut().enumerate() {
            let t = i as f64 / frames as f64;
            phase += (slow + (fast - slow) * t * t) / DEMO_RATE;
            if phase >= 1.0 {
                phase -= draw(rng, 0.85, 1.15);
                *f = draw(rng, 0.4, 1.0);
                *f *= if i % 2 == 0 { 1.0 } else { -1.0 };
            }
            let shape = (t / 0.08).min(1.0) * ((1.0 - t) / 0.25).min(1.0);
            *f = (*f + 0.05 * noise(rng)) * shape;
        }
        let mut modes = self.string(STRINGS[string] * 1.12, 0.05, 0.1, 20_000.0);
        for hz in [2350.0, 3600.0, 5200.0, 7400.0] {
            modes.push(Mode::new(hz * draw(rng, 0.94, 1.06), 0.006, draw(rng, 0.1, 0.3)));
        }
        let mut sound = ring(&modes, &force);
        scale_to(&mut sound, 1.0);
        low_pass(&mut force, 9000.0);
        scale_to(&mut force, 0.5);
        add(&mut sound, &force, 1.0);
        sound
    }
}

/// A force pulse of `ms` milliseconds (squared sine) with an area of about 1.
pub(super) fn pulse(ms: f64) -> Vec<f64> {
    let frames = (ms / 1000.0 * DEMO_RATE).max(2.0) as usize;
    (1..=frames).map(|i| sin(PI * i as f64 / (frames + 1) as f64).powi(2) * 2.0 / frames as f64).collect()
}

/// The noise of the contact: below `high_hz`, decaying within five contact times; peak 0.25.
pub(super) fn skin(rng: &mut Pcg32, contact_ms: f64, high_hz: f64) -> Vec<f64> {
    let frames = (contact_ms / 1000.0 * DEMO_RATE * 5.0) as usize;
    let mut sound: Vec<f64> = (0..frames)
        .map(|i| noise(rng) * exp(-6.0 * i as f64 / frames as f64) * (i as f64 / 12.0).min(1.0))
        .collect();
    low_pass(&mut sound, high_hz);
    low_pass(&mut sound, high_hz);
    scale_to(&mut sound, 0.25);
    sound
}

/// The force of rubbing for `seconds`, rising within `rise` seconds: stick-slip about `hz` times a second, a share
/// `rough` of it noise (0 to 1), with a low pass at `high_hz`; peak 1.
pub(super) fn rub(rng: &mut Pcg32, seconds: f64, rise: f64, hz: f64, rough: f64, high_hz: f64) -> Vec<f64> {
    let frames = (seconds * DEMO_RATE) as usize;
    let fall = (seconds * 0.45).max(0.02);
    let (mut phase, mut press) = (0.0, 1.0);
    let mut force: Vec<f64> = (0..frames)
        .map(|i| {
            let t = i as f64 / DEMO_RATE;
            phase += hz / DEMO_RATE;
            let mut slip = 0.0;
            if phase >= 1.0 {
                phase -= draw(rng, 0.7, 1.3);
                slip = draw(rng, 2.0, 6.0);
            }
            // The pressure of the hand varies.
            press += (1.0 + 0.6 * noise(rng) - press) * 0.004;
            let shape = (t / rise).min(1.0).powi(2) * ((seconds - t) / fall).min(1.0).powi(2);
            ((1.0 - rough) * slip + rough * noise(rng)) * press * shape
        })
        .collect();
    low_pass(&mut force, high_hz);
    scale_to(&mut force, 1.0);
    force
}

/// Response of a bank of resonances to a force, until it has decayed by 70 dB.
pub(super) fn ring(modes: &[Mode], force: &[f64]) -> Vec<f64> {
    const MODE_LANES: usize = 8;
    let longest = modes.iter().fold(0.0, |t: f64, m| t.max(m.t60));
    let mut sound = vec![0.0; force.len() + (longest * 70.0 / 60.0 * DEMO_RATE) as usize];
    for lanes in modes.chunks(MODE_LANES) {
        let [mut a1, mut a2, mut b, mut y1, mut y2] = [[0.0; MODE_LANES]; 5];
        for (k, m) in lanes.iter().enumerate() {
            let (w, r) = (TAU * m.hz / DEMO_RATE, pow(10.0, -3.0 / (m.t60 * DEMO_RATE)));
            (a1[k], a2[k], b[k]) = (2.0 * r * cos(w), -r * r, m.gain * sin(w));
        }
        let longest = lanes.iter().fold(0.0, |t: f64, m| t.max(m.t60));
        let frames = force.len() + (longest * 70.0 / 60.0 * DEMO_RATE) as usize;
        for (n, out) in sound[..frames].iter_mut().enumerate() {
            let x = force.get(n).copied().unwrap_or(0.0);
            for k in 0..MODE_LANES {
                let y = a1[k] * y1[k] + a2[k] * y2[k] + b[k] * x;
                (y2[k], y1[k]) = (y1[k], y);
                *out += y;
            }
        }
    }
    fade_end(&mut sound);
    sound
}

/// Ends a sound smoothly within its last 10 ms.
fn fade_end(sound: &mut [f64]) {
    let fade = 480.min(sound.len());
    for (i, s) in sound.iter_mut().rev().take(fade).enumerate() {
        *s *= i as f64 / fade as f64;
    }
}

/// One-pole low pass: -6 dB per octave above `hz`.
pub(super) fn low_pass(sound: &mut [f64], hz: f64) {
    let step = 1.0 - exp(-TAU * hz / DEMO_RATE);
    let mut y = 0.0;
    for s in sound {
        y += step * (*s - y);
        *s = y;
    }
}

/// One-pole high pass: -6 dB per octave below `hz`.
pub(super) fn high_pass(sound: &mut [f64], hz: f64) {
    let mut low = sound.to_vec();
    low_pass(&mut low, hz);
    sound.iter_mut().zip(low).for_each(|(s, l)| *s -= l);
}

/// Scales a sound to a peak.
pub(super) fn scale_to(sound: &mut [f64], peak: f64) {
    let now = sound.iter().fold(0.0, |p: f64, s| p.max(s.abs()));
    if now > 0.0 {
        sound.iter_mut().for_each(|s| *s *= peak / now);
    }
}

/// Mixes a sound into another from its start; the result has the longer length.
pub(super) fn add(to: &mut Vec<f64>, sound: &[f64], gain: f64) {
    add_at(to, sound, 0, gain);
}

/// Mixes a sound into another from frame `at`, which grows when needed.
pub(super) fn add_at(to: &mut Vec<f64>, sound: &[f64], at: usize, gain: f64) {
    if to.len() < at + sound.len() {
        to.resize(at + sound.len(), 0.0);
    }
    for (t, s) in to[at..].iter_mut().zip(sound) {
        *t += s * gain;
    }
}
