//! Limiters with look-ahead in every kind of pad: all events still act on their frame.

use super::{RATE, plain, played, sine, take};
use crate::support::*;
use kitwright_core::{
    kit::{Kit, Trims},
    units::{db_to_gain, gain_to_db},
};

/// One-shot, held, and held with a loop; each forwards and backwards, without and with a cloud.
fn kinds() -> Vec<(String, Kit)> {
    let mut found = Vec::new();
    for (what, held, loops) in [("one-shot", false, false), ("held", true, false), ("looped", true, true)] {
        for (reverse, copies) in [(false, 0), (true, 0), (false, 12)] {
            let mut kit = bare_kit(noise_take(44_100, 2, 4), 1);
            let pad = &mut kit.doc.pads[0];
            pad.cloud.copies = copies;
            pad.cloud.diffusion = 0.3;
            pad.settings.held = held;
            let s = &mut pad.layers[0].settings;
            (s.loop_on, s.reverse, s.drop_st, s.sustain) = (loops, reverse, 5.0, 0.8);
            (s.high_cut_hz, s.sweep_oct) = (5000.0, 1.0);
            found.push((format!("{what}, reverse {reverse}, {copies} copies"), kit));
        }
    }
    found
}

/// A limiter with nothing to limit changes nothing: the sound must be that of a pad without one, which is not
/// rendered ahead. Only the sums of several voices are rounded in another order.
#[test]
fn releases_and_trims_act_on_their_frame_with_lookahead() {
    let mut bent = Trims::default();
    bent.pads[0].pitch_st = 5.0;
    let mut bent_more = bent.clone();
    bent_more.kit.pitch_st = -9.0;
    let trims = |at, t: &Trims| Event { at, act: Act::Trims(Box::new(t.clone())) };
    let off = |at| Event { at, act: Act::Off(NOTES[0]) };
    let key = NOTES[0];
    let performances: [(&str, Vec<Event>); 4] = [
        ("released", vec![on(5, key, 1.0), off(3001)]),
        (
            "released at once and pressed again",
            vec![on(5, key, 1.0), off(5), on(90, key, 0.7), off(97), on(2000, key, 1.0)],
        ),
        ("bent", vec![on(5, key, 1.0), trims(1003, &bent), trims(1963, &bent_more), trims(4000, &bent)]),
        (
            "bent and released",
            vec![on(5, key, 1.0), on(2900, key, 0.5), trims(3000, &bent), off(3000), trims(3960, &bent_more)],
        ),
    ];
    for (what, kit) in kinds() {
        for (performance, events) in &performances {
            let reference = play(&prepared(&kit), RATE, events, 16_000, &mut |_| 64);
            assert!(peak(&reference) > 0.002, "{what}, {performance}: silent");
            for both in [false, true] {
                let mut ahead = kit.clone();
                let tone = &mut ahead.doc.pads[0].tone;
                (tone.limiter.on, tone.colour.on) = (true, both);
                (tone.limiter.threshold_db, tone.colour.threshold_db) = (0.0, 0.0);
                for chunk in [64, 200] {
                    let made = play(&prepared(&ahead), RATE, events, 16_000, &mut |_| chunk);
                    let alike = (0..2).all(|c| {
                        let pairs = reference.pads[0][c].iter().zip(&made.pads[0][c]);
                        pairs.fold(0.0_f32, |max, (a, b)| max.max((a - b).abs())) < 1e-6
                    });
                    assert!(alike, "{what}, {performance}, both {both}, chunks of {chunk}");
                }
            }
        }
    }
}

/// The host moves the pitch in each block: frames rendered ahead are output as they are, so each move takes
/// effect late, during the glide of the one before. The phase of a sine shows by how much.
#[test]
fn a_pitch_that_keeps_moving_is_late_by_the_lookahead_only() {
    let mut sweep = vec![on(0, NOTES[0], 1.0)];
    sweep.extend((0..40u64).map(|i| {
        let mut trims = Trims::default();
        trims.kit.pitch_st = (i + 1) as f32 * 0.1;
        Event { at: 1003 + 64 * i, act: Act::Trims(Box::new(trims)) }
    }));
    sweep.push(Event { at: 9600, act: Act::Off(NOTES[0]) });
    let mut kit = plain(sine(300.0, 48_000));
    kit.doc.pads[0].variation = still();
    kit.doc.pads[0].settings.held = true;
    let open = play(&prepared(&kit), RATE, &sweep, 14_000, &mut |_| 64);
    let tone = &mut kit.doc.pads[0].tone;
    (tone.limiter.on, tone.limiter.threshold_db) = (true, 0.0);
    for chunk in [64, 200] {
        let made = play(&prepared(&kit), RATE, &sweep, 14_000, &mut |_| chunk);
        let (a, b) = (&open.pads[0][0], &made.pads[0][0]);
        let off_by = |part: std::ops::Range<usize>| {
            a[part.clone()].iter().zip(&b[part]).fold(0.0f32, |max, (a, b)| max.max((a - b).abs()))
        };
        let (first, whole, height) = (off_by(0..1067), off_by(0..14_000), peak(&open));
        println!("chunks of {chunk}: {first} up to the second move, {whole} in all, of {height}");
        assert!(first < 1e-6, "the first move acts on its frame");
        assert!(whole > 1e-4, "the next ones are not rewound");
        assert!(whole < 0.03 * height, "the next ones are late by the look-ahead only");
        assert!(b[12_500..].iter().all(|&x| x == 0.0), "the key was released");
    }
}

#[test]
fn the_gain_falls_before_each_peak_of_a_looped_slice() {
    // A quiet tone with a peak; the part with the peak is looped every 4000 frames.
    let samples: Vec<f32> = (0..6000)
        .map(|i| (if (3000..3100).contains(&i) { 0.6 } else { 0.1 }) * (i as f32 * 0.2).sin())
        .collect();
    for (held, loops, peaks) in
        [(false, false, vec![3000]), (true, false, vec![3000]), (true, true, vec![3000, 7000, 11_000])]
    {
        let mut kit = bare_kit(take(samples.clone()), 1);
        let pad = &mut kit.doc.pads[0];
        (pad.variation, pad.settings.held) = (still(), held);
        let s = &mut pad.layers[0].settings;
        (s.hold_ms, s.loop_on, s.loop_ms, s.fade_ms) = (5000.0, loops, 4000.0 / 48.0, 1.0);
        let open = play(&prepared(&kit), RATE, &[on(0, NOTES[0], 1.0)], 12_000, &mut |_| 64);
        let limiter = &mut kit.doc.pads[0].tone.limiter;
        (limiter.on, limiter.threshold_db, limiter.release_ms) = (true, -12.0, 10.0);
        let made = play(&prepared(&kit), RATE, &[on(0, NOTES[0], 1.0)], 12_000, &mut |_| 64);
        let threshold = db_to_gain(-12.0_f32) * 1.000_01;
        assert!(made.main[0].iter().all(|x| x.abs() <= threshold));
        for at in peaks {
            let gain = |r: std::ops::Range<usize>| rms(&made.main[0][r.clone()]) / rms(&open.main[0][r]);
            // 1.5 ms are 72 frames.
            assert!(
                (gain(at - 400..at - 80) - 1.0).abs() < 0.01,
                "held {held}, {at}: {}",
                gain(at - 400..at - 80)
            );
            let before = gain(at - 15..at);
            assert!(before < 0.8, "held {held}, loop {loops}, {at}: only {before} before the peak");
        }
    }
}

/// A ceiling without latency must allow for silence after each frame: a low tone that stops suddenly at its peak
/// overshoots its own samples by `needed`. So the ceiling limits it to that much below (`dsp/ceiling.rs`).
#[test]
fn a_low_tone_is_limited_no_further_below_the_ceiling_than_its_sudden_end_needs() {
    let (mut reduced, mut needed) = (0.0_f64, 0.0_f64);
    for hz in [30.0, 55.0, 82.0, 110.0, 220.0] {
        let tone: Vec<f32> = sine(hz, 24_000).iter().map(|x| x * 4.0).collect();
        let made = played(&plain(tone.clone()), 1.0, vec![], 24_000);
        let level_db = gain_to_db(f64::from(made[4800..23_000].iter().fold(0.0_f32, |p, x| p.max(x.abs()))));
        // The default ceiling is -1 dBTP.
        reduced = reduced.max(-1.0 - level_db);
        let height = (RATE / hz * 4.25).round() as usize;
        let mut cut = tone;
        cut[height + 1..].fill(0.0);
        needed = needed.max(figures::dynamics::true_peak_16(&cut[height - 200..height + 200]));
    }
    println!("{reduced:.2} dB below the ceiling; a sudden end needs {needed:.2} dB");
    assert!(reduced <= 1.15, "{reduced}");
    assert!(needed >= reduced - 0.1, "{reduced} dB below, {needed} dB needed");
}
