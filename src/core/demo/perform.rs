//! How an invented instrument plays: strokes from a score, in a room.

use super::{
    instrument::{DEMO_RATE, Mode, add, add_at, draw, high_pass, pulse, ring, scale_to, skin},
    room,
};
use crate::take::Take;
use rand_pcg::Pcg32;

/// A line of a score: stroke, count, loudest and softest peak in dBFS, seconds from one to the next.
pub(super) type Line<S> = (S, usize, f64, f64, f64);

/// A score played in a room: the take, and the start of each stroke in seconds.
pub(super) fn perform<S: Copy>(
    name: &str,
    rng: &mut Pcg32,
    score: &[Line<S>],
    play: impl Fn(&mut Pcg32, S, usize) -> Vec<f64>,
) -> (Take, Vec<f64>) {
    let mut dry = Vec::new();
    let mut starts = Vec::new();
    let mut at = 1.2;
    for &(stroke, count, loud_db, soft_db, gap) in score {
        for i in 0..count {
            let mut sound = play(rng, stroke, i);
            high_pass(&mut sound, 60.0); // a microphone does not record slow air movement
            high_pass(&mut sound, 30.0);
            // Loud and soft strokes alternate.
            let share = ((i * 3) % count) as f64 / (count - 1) as f64;
            let db = loud_db + (soft_db - loud_db) * share + draw(rng, -1.0, 1.0);
            scale_to(&mut sound, libm::pow(10.0, db / 20.0));
            let frame = (at * DEMO_RATE) as usize;
            add_at(&mut dry, &sound, frame, 1.0);
            starts.push(frame as f64 / DEMO_RATE);
            at += gap * draw(rng, 0.88, 1.2);
        }
        at += draw(rng, 0.5, 0.9);
    }
    dry.resize((at * DEMO_RATE) as usize + 24_000, 0.0);

    let mut wet = room::add_room(&dry);
    room::add_floor(&mut wet, rng);
    let samples = wet.iter().map(|&s| s as f32).collect();
    (Take::from_samples(name, DEMO_RATE as u32, vec![samples]), starts)
}

/// Modes of `table` (`(hz, t60, gain)`), with random deviations of up to 0.3 % in frequency and 25 % in gain, as between
/// strokes; decay times are multiplied by `damping`.
pub(super) fn modes(rng: &mut Pcg32, table: &[(f64, f64, f64)], damping: f64) -> Vec<Mode> {
    let mode = |&(hz, t60, gain): &(f64, f64, f64)| {
        Mode::new(hz * draw(rng, 0.997, 1.003), t60 * damping, gain * draw(rng, 0.75, 1.25))
    };
    table.iter().map(mode).collect()
}

/// Resonances struck by something in contact for `contact_ms`, with the noise of the contact: its share and the
/// frequency below which it lies, Hz.
pub(super) fn struck(
    rng: &mut Pcg32,
    modes: &[Mode],
    contact_ms: f64,
    (share, high_hz): (f64, f64),
) -> Vec<f64> {
    let contact_ms = contact_ms * draw(rng, 0.85, 1.2);
    let mut sound = ring(modes, &pulse(contact_ms));
    scale_to(&mut sound, 1.0);
    add(&mut sound, &skin(rng, contact_ms.max(0.8), high_hz), share);
    sound
}
