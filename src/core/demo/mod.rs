//! Synthesised takes of invented instruments: a cello that is knocked, plucked and scraped, and five more.
//!
//! They replace recordings, so that everything can be tried at once, and their hit starts are known to the sample.

mod bottle;
mod chair;
mod guitar;
mod instrument;
mod perform;
mod room;
mod thumb_piano;
mod voice;

use crate::take::Take;
use instrument::{Cello, StrikePoint};
use perform::perform;
use rand_pcg::Pcg32;

/// A playing technique.
#[derive(Clone, Copy)]
enum Stroke {
    /// The heel of the hand on the lower bout.
    Thump,
    /// A knuckle on the upper bout.
    Knuckle,
    /// A knuckle on the rib.
    Rib,
    /// A nail on the top.
    Nail,
    /// The palm on the fingerboard and the strings over it.
    Slap,
    /// A fingertip on the tailpiece.
    Tailpiece,
    /// An open string, left to ring.
    Pluck,
    /// A string damped by the other hand.
    DampedPluck,
    /// All four strings, damped.
    MutedStrum,
    /// The wood of the bow on a string.
    BowStick,
    /// The hair thrown at the strings.
    Chop,
    /// The bow dragged with too much weight.
    BowScrape,
    /// The bow over the edge of the bridge.
    BowBreath,
    /// A nail along a wound string.
    StringScratch,
}

/// The score: stroke, count, loudest and softest peak in dBFS, seconds from one to the next.
const SCORE: [(Stroke, usize, f64, f64, f64); 16] = [
    (Stroke::Thump, 6, -4.0, -19.0, 0.85),
    (Stroke::Knuckle, 6, -6.0, -24.0, 0.6),
    (Stroke::Rib, 4, -9.0, -22.0, 0.5),
    (Stroke::Tailpiece, 6, -11.0, -29.0, 0.55),
    (Stroke::Pluck, 8, -7.0, -18.0, 1.35),
    (Stroke::DampedPluck, 8, -8.0, -26.0, 0.5),
    (Stroke::Slap, 5, -5.0, -17.0, 0.6),
    (Stroke::MutedStrum, 6, -8.0, -21.0, 0.65),
    (Stroke::Chop, 6, -7.0, -20.0, 0.5),
    (Stroke::BowStick, 6, -10.0, -27.0, 0.5),
    (Stroke::BowScrape, 5, -12.0, -24.0, 1.3),
    (Stroke::BowBreath, 8, -17.0, -33.0, 0.42),
    (Stroke::StringScratch, 6, -14.0, -30.0, 0.8),
    (Stroke::Nail, 6, -20.0, -38.0, 0.38),
    (Stroke::Knuckle, 4, -16.0, -30.0, 0.24),
    (Stroke::Tailpiece, 4, -18.0, -36.0, 0.21),
];

/// The demo take and the true start of each hit in seconds, in order: the frame at which the hand, nail
/// or bow first touches. 48 kHz, mono, about 70 s, the same for the same `seed`.
pub fn borrowed_cello(seed: u64) -> (Take, Vec<f64>) {
    let mut rng = Pcg32::new(seed, 0xce110);
    let cello = Cello::new(&mut rng);
    perform("borrowed-cello.wav", &mut rng, &SCORE, |rng, stroke, i| play(&cello, rng, stroke, i))
}

/// An instrument that nobody has built: its takes are synthesised by this module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Instrument {
    /// [`borrowed_cello`].
    Cello,
    /// A wooden chair: seat, legs, slats, and its creaking.
    Chair,
    /// A glass bottle: rung, stopped, blown and scratched.
    Bottle,
    /// A thumb piano: tuned tines on a box.
    ThumbPiano,
    /// Something like a voice: sung sounds, consonants, clicks, breath.
    Voice,
    /// Something like a guitar: plucks, strums, knocks, scratches.
    Guitar,
}

impl Instrument {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Cello, Self::Chair, Self::Bottle, Self::ThumbPiano, Self::Voice, Self::Guitar];

    /// Name to show.
    pub fn name(self) -> &'static str {
        match self {
            Self::Cello => "Cello",
            Self::Chair => "Wooden chair",
            Self::Bottle => "Glass bottle",
            Self::ThumbPiano => "Thumb piano",
            Self::Voice => "Voice-like",
            Self::Guitar => "Guitar-like",
        }
    }

    /// A take of it and the true start of each hit in seconds: 48 kHz, mono, one to one and a half minutes, the same for
    /// the same `seed`.
    pub fn take(self, seed: u64) -> (Take, Vec<f64>) {
        match self {
            Self::Cello => borrowed_cello(seed),
            Self::Chair => chair::take(seed),
            Self::Bottle => bottle::take(seed),
            Self::ThumbPiano => thumb_piano::take(seed),
            Self::Voice => voice::take(seed),
            Self::Guitar => guitar::take(seed),
        }
    }
}

/// One stroke, the `i`th of its kind in a row; its level is set by the caller.
fn play(cello: &Cello, rng: &mut Pcg32, stroke: Stroke, i: usize) -> Vec<f64> {
    match stroke {
        Stroke::Thump => cello.knock(rng, StrikePoint::LowerBout, 8.0),
        Stroke::Knuckle => cello.knock(rng, StrikePoint::UpperBout, 2.0),
        Stroke::Rib => cello.knock(rng, StrikePoint::Rib, 0.9),
        Stroke::Nail => cello.knock(rng, StrikePoint::UpperBout, 0.18),
        Stroke::Slap => cello.knock(rng, StrikePoint::Fingerboard, 0.45),
        Stroke::Tailpiece => cello.tailpiece(rng),
        Stroke::Pluck => {
            let ring = [1.9, 1.6, 1.3, 1.1][i % 4];
            cello.pluck(rng, i % 4, if i < 4 { 0.0 } else { 3.0 }, ring)
        }
        Stroke::DampedPluck => cello.pluck(rng, i % 4, [0.0, 2.0, 3.0, 5.0][(i / 2) % 4], 0.28),
        Stroke::MutedStrum => cello.muted_strum(rng),
        Stroke::BowStick => cello.bow_stick(rng, i % 4),
        Stroke::Chop => cello.chop(rng),
        Stroke::BowScrape => cello.bow_scrape(rng, i % 4),
        Stroke::BowBreath => cello.bow_breath(rng),
        Stroke::StringScratch => cello.string_scratch(rng, i % 3),
    }
}

#[cfg(test)]
mod tests {
    use super::{instrument::DEMO_RATE, *};

    #[test]
    fn the_take_is_the_same_for_the_same_seed_only() {
        let (a, starts_a) = borrowed_cello(3);
        let (b, starts_b) = borrowed_cello(3);
        let (c, _) = borrowed_cello(4);
        assert_eq!(starts_a, starts_b);
        assert!(a.channels == b.channels);
        assert!(a.channels != c.channels);
    }

    #[test]
    fn it_is_a_minute_of_hits_over_30_db_apart_above_a_noise_floor() {
        let (take, starts) = borrowed_cello(1);
        assert_eq!(take.sample_rate, 48_000);
        assert!((60.0..=90.0).contains(&take.seconds()), "{} s", take.seconds());
        assert!(starts.len() >= 80 && starts.is_sorted());

        let x = &take.channels[0];
        let peak_db = |from: f64, seconds: f64| {
            let (from, to) = ((from * DEMO_RATE) as usize, ((from + seconds) * DEMO_RATE) as usize);
            let peak = x[from..to].iter().fold(0f32, |p, s| p.max(s.abs()));
            crate::units::gain_to_db(peak)
        };
        let peaks: Vec<f32> = starts.iter().map(|&s| peak_db(s, 0.15)).collect();
        let loudest = peaks.iter().copied().fold(f32::MIN, f32::max);
        let softest = peaks.iter().copied().fold(f32::MAX, f32::min);
        assert!((-6.0..0.0).contains(&loudest), "{loudest} dB");
        assert!(loudest - softest > 30.0, "{loudest} to {softest} dB");
        // The noise before the first stroke: not silent, and below every hit.
        let floor = peak_db(0.0, 1.0);
        assert!(floor > -75.0 && floor < softest - 6.0, "floor {floor}, softest {softest}");
    }

    #[test]
    fn no_hit_sounds_before_its_start() {
        let (take, starts) = borrowed_cello(1);
        let x = &take.channels[0];
        let first = (starts[0] * DEMO_RATE) as usize;
        let energy = |r: std::ops::Range<usize>| x[r].iter().map(|s| f64::from(s * s)).sum::<f64>();
        let before = energy(first - 960..first);
        let after = energy(first..first + 960);
        assert!(after > 1000.0 * before, "{before} {after}");
    }

    #[test]
    fn every_instrument_plays_a_minute_of_hits_above_its_noise_floor() {
        for instrument in Instrument::ALL {
            let (take, starts) = instrument.take(1);
            let name = instrument.name();
            assert!((50.0..=100.0).contains(&take.seconds()), "{name}: {} s", take.seconds());
            assert!(starts.len() >= 70 && starts.is_sorted(), "{name}: {} strokes", starts.len());
            let x = &take.channels[0];
            let peak = |from: f64, to: f64| {
                let range = (from * DEMO_RATE) as usize..(to * DEMO_RATE) as usize;
                x[range].iter().fold(0f32, |p, s| p.max(s.abs()))
            };
            let floor = peak(0.0, 1.0);
            assert!(floor > 1e-4 && x.iter().all(|s| s.abs() < 1.0), "{name}");
            for start in starts {
                assert!(
                    peak(start, start + 0.2) > 2.0 * floor,
                    "{name}: the stroke at {start:.2} s is not heard"
                );
            }
            let (again, _) = instrument.take(1);
            assert!(again.channels == take.channels, "{name}");
        }
    }
}
