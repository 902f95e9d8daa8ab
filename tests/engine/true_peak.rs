//! Random kits at every sample rate: no output above the ceiling by any true-peak meter, and no constant offset.

use crate::{
    safety::{random_kit, random_trims},
    support::{figures::dynamics, *},
};
use kitwright_core::{engine::dsp::ceiling::Ceiling, take::Take};
use std::sync::Arc;

const RATES: [f64; 12] = [
    8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 64_000.0, 88_200.0, 96_000.0,
    176_400.0, 192_000.0,
];

/// Most that each meter may read above the ceiling, dB: ebur128 and the filter of ITU-R BS.1770-5 no more than rounding,
/// the long sinc at 16 times the rate what EBU Tech 3341 allows a meter to read too high (0.13 in 2,000 kits).
const MOST_DB: [f64; 3] = [0.001, 0.001, 0.2];

/// How far the three meters read above a ceiling of -1 dBTP.
fn over_db(l: &[f32], r: &[f32], rate: f64) -> [f64; 3] {
    let meters = [
        dynamics::true_peak_ebur128(l, r, rate as u32),
        dynamics::true_peak_bs1770(l).max(dynamics::true_peak_bs1770(r)),
        dynamics::true_peak_16(l).max(dynamics::true_peak_16(r)),
    ];
    meters.map(|db| db + 1.0)
}

/// The largest readings so far, and how often one was above what it may be.
struct Worst {
    over: [f64; 3],
    above: usize,
}

impl Worst {
    fn new() -> Self {
        Self { over: [f64::MIN; 3], above: 0 }
    }

    fn see(&mut self, what: &str, over: [f64; 3]) {
        if (0..3).any(|m| over[m] > MOST_DB[m]) {
            self.above += 1;
            println!("{what}: {over:.3?} dB over the ceiling");
        }
        self.over = std::array::from_fn(|m| self.over[m].max(over[m]));
    }

    fn check(&self, what: &str) {
        println!("{what}: at most {:.3?} dB over by ebur128, BS.1770 and 16 times", self.over);
        assert!(self.over[0] > -0.1, "the ceiling had something to do");
        assert_eq!(self.above, 0);
    }
}

/// The main output and four pads of a random kit, at a gain that reaches the ceiling.
fn loud_sound(seed: u64, rate: f64) -> Sound {
    let mut dice = Dice(seed);
    let mut kit = random_kit(&mut dice);
    for pad in &mut kit.doc.pads {
        pad.settings.level_db = 12.0;
        pad.layers.iter_mut().for_each(|l| l.settings.level_db = l.settings.level_db.max(0.0));
    }
    let mut trims = random_trims(&mut dice);
    (trims.kit.ceiling_db, trims.kit.level_db) = (-1.0, 12.0);
    for pad in trims.pads.iter_mut() {
        (pad.level_db, pad.mute) = (24.0, false);
    }
    let mut events = vec![Event { at: 0, act: Act::Trims(Box::new(trims)) }];
    for _ in 0..12 {
        let (at, note) = (dice.below(4000), kit.doc.pads[dice.below(4) as usize].note);
        events.push(on(at, note, dice.unit()));
        events.push(Event { at: at + dice.below(3000), act: Act::Off(note) });
    }
    events.sort_by_key(|e| e.at);
    play(&prepared(&kit), rate, &events, 6000, &mut |_| 64)
}

#[test]
fn no_random_kit_is_above_the_ceiling_by_any_true_peak_meter() {
    let kits = trials(24);
    let mut worst = Worst::new();
    for seed in 0..kits {
        let rate = RATES[(seed % RATES.len() as u64) as usize];
        let sound = loud_sound(seed, rate);
        for [l, r] in
            sound.pads.iter().take(4).chain([&sound.main]).filter(|[l, r]| !(is_low(l) && is_low(r)))
        {
            worst.see(&format!("kit {seed} at {rate} Hz"), over_db(l, r, rate));
        }
    }
    worst.check(&format!("{kits} kits"));
}

/// Whether no meter can read near the ceiling: samples of 0.3 add up to 1.05 at most (`MAX_OVERSHOOT` of the ceiling).
fn is_low(x: &[f32]) -> bool {
    x.iter().all(|x| x.abs() < 0.3)
}

#[test]
fn stress_material_is_not_above_the_ceiling_by_any_true_peak_meter_at_any_rate() {
    let mut worst = Worst::new();
    for rate in RATES {
        for kind in 0..dynamics::STRESS_KINDS {
            let stress = |kind| dynamics::stress_material(kind, 1500, rate);
            let (mut l, mut r) = (stress(kind), stress((kind + 3) % dynamics::STRESS_KINDS));
            Ceiling::new(-1.0, rate).process(&mut l, &mut r);
            worst.see(&format!("kind {kind} at {rate} Hz"), over_db(&l, &r, rate));
        }
    }
    worst.check("stress material");
}

#[test]
fn the_constant_offset_of_a_take_does_not_reach_the_output() {
    for (left, right) in [(0.5, 0.5), (0.78, -0.3)] {
        let wave = |i: usize| 0.2 * (i as f32 * 0.05).sin();
        let channel = |offset: f32| (0..96_000).map(|i| wave(i) + offset).collect();
        let take = |l, r| Arc::new(Take::from_samples("take", 48_000, vec![channel(l), channel(r)]));
        let (with, without) = (take(left, right), take(0.0, 0.0));
        for (held, reverse, semitones) in [(false, false, 0.0), (true, false, 3.0), (false, true, -2.0)] {
            let made = |take: &Arc<Take>| {
                let mut kit = bare_kit(take.clone(), 1);
                let pad = &mut kit.doc.pads[0];
                // away from the take's ends, where resampling spreads the step of its offset
                (pad.slices[0].start, pad.slices[0].end) = (1000, 90_000);
                (pad.variation, pad.settings.held) = (still(), held);
                let s = &mut pad.layers[0].settings;
                (s.hold_ms, s.pitch_st, s.reverse, s.loop_on) = (5000.0, semitones, reverse, held);
                play(&prepared(&kit), 48_000.0, &[on(0, NOTES[0], 1.0)], 60_000, &mut |_| 64)
            };
            let (a, b) = (made(&with), made(&without));
            for c in 0..2 {
                let mean = |x: &[f32]| x.iter().sum::<f32>() / x.len() as f32;
                let offset = mean(&a.main[c][4800..]);
                assert!(
                    offset.abs() < 0.002,
                    "offset of {offset} of channel {c}, held {held}, {semitones} st"
                );
                let differ = a.main[c].iter().zip(&b.main[c]).fold(0.0f32, |m, (x, y)| m.max((x - y).abs()));
                assert!(differ < 0.002, "{differ} from the take without an offset, held {held}");
            }
        }
    }
}
