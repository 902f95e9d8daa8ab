//! The envelope: times, curves, no clicks, no dependence on chunks.

use kitwright_core::engine::dsp::envelope::{AmpEnvelope, Entry, EnvelopeShape, Hold};

const RATE: f64 = 48_000.0;

fn shape() -> EnvelopeShape {
    EnvelopeShape {
        attack_ms: 10.0,
        hold_ms: 5.0,
        decay_ms: 100.0,
        sustain: 0.25,
        release_ms: 50.0,
        attack_curve: 0.0,
        decay_curve: 1.0,
        release_curve: 0.0,
    }
}

fn filled(envelope: &mut AmpEnvelope, frames: usize) -> Vec<f32> {
    let mut out = vec![9.0; frames];
    envelope.fill(&mut out);
    out
}

#[test]
fn segments_have_their_times_to_the_frame() {
    let mut e = AmpEnvelope::new(shape(), Hold::Key, Entry::Whole, RATE);
    let out = filled(&mut e, 8000);
    // 480 frames of straight attack, 240 of hold, 4800 of decay.
    for (i, level) in out[..480].iter().enumerate() {
        assert!((level - (i + 1) as f32 / 480.0).abs() < 1e-6, "frame {i}");
    }
    assert!(out[479..720].iter().all(|&x| x == 1.0));
    assert!(out[720] < 1.0 && out[5518] > 0.25);
    assert!(out[5519..].iter().all(|&x| x == 0.25));
    e.release();
    let out = filled(&mut e, 3000);
    for (i, level) in out[..2400].iter().enumerate() {
        assert!((level - 0.25 * (1.0 - (i + 1) as f32 / 2400.0)).abs() < 1e-6, "frame {i}");
    }
    assert!(out[2399..].iter().all(|&x| x == 0.0) && e.finished());
}

#[test]
fn curves_follow_their_formula() {
    for curve in [-1.0f32, -0.3, 0.2, 0.5, 1.0] {
        let s = EnvelopeShape { attack_ms: 0.0, hold_ms: 0.0, decay_curve: curve, ..shape() };
        let mut e = AmpEnvelope::new(s, Hold::OneShot, Entry::Whole, RATE);
        let out = filled(&mut e, 4800);
        let k = f64::from(curve) * 1000f64.ln();
        for (i, &level) in out.iter().enumerate() {
            let x = (i + 1) as f64 / 4800.0;
            let exact = ((-k * x).exp() - (-k).exp()) / (1.0 - (-k).exp());
            assert!((f64::from(level) - exact).abs() < 1e-6, "curve {curve}, frame {i}");
        }
        assert_eq!(out[4799], 0.0);
    }
}

#[test]
fn levels_do_not_depend_on_chunks() {
    let run = |chunk: usize| {
        let mut e = AmpEnvelope::new(shape(), Hold::Key, Entry::Cut, RATE);
        let mut out = vec![0.0; 6001];
        out[..5999].chunks_mut(chunk).for_each(|c| e.fill(c));
        e.release();
        out[5999..].chunks_mut(chunk).for_each(|c| e.fill(c));
        let mut tail = vec![0.0; 3000];
        tail.chunks_mut(chunk).for_each(|c| e.fill(c));
        [out, tail]
    };
    let whole = run(usize::MAX);
    for chunk in [1, 3, 8, 13, 64, 255] {
        assert!(run(chunk) == whole, "chunks of {chunk}");
    }
}

/// Largest step between consecutive frames; the level before the first one is 0.
fn jump(levels: &[f32]) -> f32 {
    let mut last = 0.0;
    levels.iter().fold(0.0, |max: f32, &x| {
        let step = (x - last).abs();
        last = x;
        max.max(step)
    })
}

#[test]
fn zero_times_do_not_click() {
    let zero = EnvelopeShape {
        attack_ms: 0.0,
        hold_ms: 0.0,
        decay_ms: 1000.0,
        sustain: 1.0,
        release_ms: 0.0,
        ..shape()
    };
    // Half a millisecond is 24 frames: no step exceeds a 24th.
    let step = 1.0 / 24.0 + 1e-6;
    let mut cut = AmpEnvelope::new(zero, Hold::Key, Entry::Cut, RATE);
    let mut out = filled(&mut cut, 3000);
    cut.release();
    out.extend(filled(&mut cut, 3000));
    assert!(jump(&out) <= step, "{}", jump(&out));
    // A sound that starts at silence itself keeps its first frame.
    let mut whole = AmpEnvelope::new(zero, Hold::Key, Entry::Whole, RATE);
    assert_eq!(filled(&mut whole, 1)[0], 1.0);
}

#[test]
fn release_during_the_attack_starts_at_the_current_level() {
    let mut e = AmpEnvelope::new(shape(), Hold::Key, Entry::Whole, RATE);
    let up = filled(&mut e, 240);
    e.release();
    let down = filled(&mut e, 2400);
    assert!((up[239] - 0.5).abs() < 1e-6);
    assert!(down[0] < up[239] && up[239] - down[0] < 0.01 && down[2399] == 0.0);
}
