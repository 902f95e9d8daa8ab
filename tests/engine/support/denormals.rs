//! Denormal numbers in minutes of tails, in the output and, by the processor's flag, inside.

use super::{Dice, noise_take, prepared, sine_take};
use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{Band, Character, Compressor, Cut, Kit, Limiter, PADS, Saturation, Slice, Slope, Tone},
};
use std::sync::Arc;

/// Counts of an hour.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// Frames rendered.
    pub frames: u64,
    /// Of these, frames in which the engine was not silent.
    pub sounding: u64,
    /// Denormal samples of the outputs (main and pads).
    pub in_output: u64,
    /// Blocks in which the processor met a denormal operand.
    pub met: u64,
}

/// Whether the processor has met a denormal operand since the last call, in any calculation of this thread:
/// the sticky flag DE of its control register (Intel 64 and IA-32 Architectures Software Developer's Manual,
/// volume 1, 10.2.3). `None` where there is no such flag.
pub fn met_denormals() -> Option<bool> {
    #[cfg(target_arch = "x86_64")]
    {
        const DE: u32 = 1 << 1;
        let mut register = 0_u32;
        // SAFETY: stores the register to, and loads it from, a variable of its size; only the sticky flag is
        // changed, which nothing else in the program reads.
        unsafe { std::arch::asm!("stmxcsr [{}]", in(reg) &mut register, options(nostack)) };
        let cleared = register & !DE;
        // SAFETY: as above.
        unsafe { std::arch::asm!("ldmxcsr [{}]", in(reg) &cleared, options(nostack)) };
        Some(register & DE != 0)
    }
    #[cfg(not(target_arch = "x86_64"))]
    None
}

/// Sixteen pads whose tails are long, low, narrow, smeared, compressed, driven or held.
fn ringing() -> Arc<PlayKit> {
    let mut kit =
        Kit { takes: vec![noise_take(44_100, 2, 3), sine_take(48_000, 55.0, 1.0)], ..Kit::default() };
    let mut dice = Dice(8);
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.note = 36 + p as u8;
        let slice = |take, end| Slice { take, start: 0, end, gain_db: 0.0, velocities: [0.0, 1.0] };
        pad.slices = vec![if p.is_multiple_of(3) { slice(1, 40_000) } else { slice(0, 15_000) }];
        let s = &mut pad.layers[0].settings;
        s.pitch_st = dice.unit() * 24.0 - 12.0;
        s.decay_ms = 50.0 + 1000.0 * dice.unit();
        s.decay_curve = 1.0;
        (s.low_cut_hz, s.high_cut_hz) = (30.0 + 100.0 * dice.unit(), 60.0 + 4000.0 * dice.unit());
        (s.steep, s.resonance, s.sweep_oct) = (p.is_multiple_of(2), 10.0, 2.0);
        (s.drop_st, s.drop_ms) = (12.0, 100.0);
        pad.settings.held = p.is_multiple_of(5);
        (s.loop_on, s.sustain, s.release_ms) = (p.is_multiple_of(5), 0.5, 1500.0);
        pad.cloud.copies = [0, 3, 0, 8][p % 4];
        pad.cloud.diffusion = [0.0, 1.0, 0.5, 0.9][p % 4];
        pad.tone = tone(p, &mut dice);
    }
    prepared(&kit)
}

fn tone(p: usize, dice: &mut Dice) -> Tone {
    let band = |hz, gain_db, q| Band { on: true, hz, gain_db, q };
    let compressor = Compressor {
        on: true,
        threshold_db: -50.0,
        release_ms: 2000.0,
        makeup_db: 12.0,
        ..Compressor::default()
    };
    let limiter = Limiter { on: true, threshold_db: -20.0, release_ms: 1000.0, makeup_db: 6.0 };
    let character = [Character::Soft, Character::Hard, Character::Asymmetric][p % 3];
    Tone {
        low_cut: Cut { on: p.is_multiple_of(2), hz: 20.0, slope: Slope::TwentyFour },
        high_cut: Cut { on: p.is_multiple_of(3), hz: 200.0, slope: Slope::TwentyFour },
        limiter: Limiter { on: p % 3 == 1, ..limiter },
        saturation: Saturation { on: p % 4 < 2, character, drive_db: 20.0, mix: 1.0 },
        bands: [band(30.0, 12.0, 1.0), band(20.0 + 60.0 * dice.unit(), 24.0, 40.0), band(9000.0, -6.0, 1.0)],
        note_bell: band(100.0, 12.0, 20.0),
        tilt_db: 3.0,
        punch: Compressor { on: p % 2 == 1, ..compressor },
        low_band: Compressor { on: p % 4 == 2, ..compressor },
        colour: Limiter { on: p % 5 == 2, ..limiter },
        ..Tone::default()
    }
}

/// Renders `seconds` at 48 kHz with a trigger every `between` seconds, released after a third of a second. Tails take
/// up to 10 s to end.
pub fn tails(seconds: u64, between: u64) -> Found {
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(ringing());
    let mut found = Found::default();
    const BLOCK: usize = Engine::MAX_CHUNK;
    let (every, held) = (between * 48_000 / BLOCK as u64, 16_000 / BLOCK as u64);
    met_denormals();
    for block in 0..seconds * 48_000 / BLOCK as u64 {
        let note = 36 + (block / every % PADS as u64) as u8;
        if block.is_multiple_of(every) {
            engine.note_on(note, 1.0);
        } else if block % every == held {
            engine.note_off(note);
        }
        let sounds = !engine.is_silent();
        engine.render(BLOCK);
        found.met += u64::from(met_denormals() == Some(true));
        found.frames += BLOCK as u64;
        if sounds {
            found.sounding += BLOCK as u64;
            let outputs = (0..PADS).map(|p| engine.pad(p)).chain([engine.main()]);
            let samples = outputs.flatten().flatten();
            found.in_output += samples.filter(|x| x.is_subnormal()).count() as u64;
        }
    }
    found
}
