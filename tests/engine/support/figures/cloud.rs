//! Random draws: their distributions over a thousand triggers as the engine plays them, and correlations of triggers.

use crate::support::{NOTES, bare_kit, click_take, correlation, kit_document, perform, prepared, still};
use kitwright_core::{
    cast::{CastOptions, make_kit},
    demo::borrowed_cello,
    engine::{Engine, Meters, ShownGrain, Transport},
    kit::{Cloud, Draw, Key, Kit, Pad, Role, Timing, Variation, VariationMode},
    listen::{Hit, describe},
    progress::Quiet,
    take::Take,
    units::gain_to_db,
};
use std::{
    f64::consts::TAU,
    sync::{
        Arc,
        atomic::{AtomicU32, Ordering::Relaxed},
    },
};

/// Triggers that a distribution is measured from.
pub const TRIGGERS: usize = 1000;

/// Largest distance between the empirical distribution of `sample` and `cdf`, as a share of the distance that
/// one in a thousand fair samples exceeds (A. N. Kolmogorov 1933, N. V. Smirnov 1948; 1.95 / sqrt n).
pub fn kolmogorov_smirnov(mut sample: Vec<f64>, cdf: impl Fn(f64) -> f64) -> f64 {
    sample.sort_by(f64::total_cmp);
    let n = sample.len() as f64;
    let distance = |(i, &x): (usize, &f64)| {
        let f = cdf(x);
        (f - i as f64 / n).abs().max(((i + 1) as f64 / n - f).abs())
    };
    sample.iter().enumerate().map(distance).fold(0.0, f64::max) / (1.95 / n.sqrt())
}

/// Uniform between two ends.
pub fn uniform(low: f64, high: f64) -> impl Fn(f64) -> f64 {
    move |x| ((x - low) / (high - low)).clamp(0.0, 1.0)
}

/// Meters of [`TRIGGERS`] triggers, each at its own song position: the first grain and the small variations (start ms,
/// pitch st, level dB, high cut oct).
pub fn draws(cloud: Cloud, variation: Variation) -> Vec<(ShownGrain, [f32; 4])> {
    let mut kit = bare_kit(click_take(48_000), 1);
    let pad = &mut kit.doc.pads[0];
    pad.slices[0].end = 200;
    (pad.cloud, pad.variation) = (cloud, variation);
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(prepared(&kit));
    let meters = engine.meters();
    let mut grains = Vec::new();
    (0..TRIGGERS)
        .map(|trigger| {
            engine.set_transport(Transport { beats: Some(trigger as f64 * 0.25), tempo: 120.0 });
            engine.note_on(NOTES[0], 1.0);
            assert!(meters.last_cloud[0].read(&mut grains));
            let shown = (grains.first().copied().unwrap_or_default(), shift(&meters));
            engine.all_off();
            engine.render(256);
            shown
        })
        .collect()
}

fn shift(meters: &Meters) -> [f32; 4] {
    let value = |field: &AtomicU32| f32::from_bits(field.load(Relaxed));
    let last = &meters.last_trigger[0];
    [&last.start_ms, &last.pitch_st, &last.level_db, &last.cut_oct].map(value)
}

/// Every distribution that a kit can ask for: its name, and its distance as a share of the distance allowed. A wrong
/// distribution gives more than 1.
pub fn distributions() -> Vec<(String, f64)> {
    let mut found = Vec::new();
    let cloud = Cloud { copies: 1, pitch_st: 4.0, width: 0.8, spread_ms: 100.0, ..Cloud::default() };
    let v = Variation { start_ms: 2.0, pitch_ct: 30.0, level_db: 1.5, cut_oct: 0.5, ..Variation::default() };
    for mode in [VariationMode::Live, VariationMode::Placed] {
        let mut add = |what: &str, sample: Vec<f64>, cdf: &dyn Fn(f64) -> f64| {
            found.push((format!("{what}, {}", mode.word()), kolmogorov_smirnov(sample, cdf)));
        };
        let variation = Variation { mode, ..v };
        let all = draws(cloud, variation);
        let grain = |value: fn(&ShownGrain) -> f32| all.iter().map(|(c, _)| f64::from(value(c))).collect();
        add("pitch of grains", grain(|c| c.pitch_st), &uniform(-4.0, 4.0));
        add("level of grains", grain(|c| c.level_db), &uniform(-6.0, 0.0));
        add("length of grains", grain(|c| c.length), &uniform(1.0 - f64::from(0.3_f32), 1.0));
        add("pan of grains", grain(|c| c.pan), &uniform(-0.8, 0.8));
        add("time of grains, even", grain(|c| c.delay_ms), &uniform(25.0, 75.0));
        for (i, what, range) in
            [(0, "start", 2.0), (1, "pitch", 0.3), (2, "level", 1.5), (3, "high cut", 0.5)]
        {
            let sample = all.iter().map(|(_, s)| f64::from(s[i])).collect();
            add(&format!("{what} of triggers"), sample, &uniform(-range, range));
        }
        let with = |cloud: Cloud, value: fn(&ShownGrain) -> f32| -> Vec<f64> {
            draws(cloud, variation).iter().map(|(c, _)| f64::from(value(c))).collect()
        };
        // The range is two standard deviations.
        let normal = |x: f64| 0.5 * (1.0 + libm::erf(x / 2.0 / std::f64::consts::SQRT_2));
        add("pitch, gaussian", with(Cloud { pitch_draw: Draw::Gaussian, ..cloud }, |c| c.pitch_st), &normal);
        let early = with(Cloud { timing: Timing::Early, ..cloud }, |c| c.delay_ms);
        add("time, early", early, &|t| (t / 100.0).max(0.0).sqrt());
        let late = with(Cloud { timing: Timing::Late, ..cloud }, |c| c.delay_ms);
        add("time, late", late, &|t| 1.0 - (1.0 - t / 100.0).max(0.0).sqrt());
    }
    found
}

/// A pad that plays one hit of the demo take, with the default variation.
fn cello_kit(mode: VariationMode, copies: u8) -> Kit {
    let (take, starts) = borrowed_cello(1);
    let start = (starts[3] * f64::from(take.sample_rate)) as u64;
    let mut kit = bare_kit(Arc::new(take), 1);
    let pad = &mut kit.doc.pads[0];
    (pad.slices[0].start, pad.slices[0].end) = (start, start + 20_000);
    (pad.variation.mode, pad.cloud.copies) = (mode, copies);
    kit
}

/// Triggers a quarter of a beat apart, each rendered by itself.
fn render_triggers(kit: &Kit, count: usize) -> Vec<Vec<f32>> {
    let mut engine = Engine::new(48_000.0);
    engine.set_kit(prepared(kit));
    (0..count)
        .map(|n| {
            engine.set_transport(Transport { beats: Some(n as f64 * 0.25), tempo: 120.0 });
            engine.note_on(NOTES[0], 1.0);
            let sound = perform(&mut engine, &[], 12_000, &mut |_| 256).main[0].clone();
            engine.all_off();
            perform(&mut engine, &[], 1024, &mut |_| 256);
            sound
        })
        .collect()
}

/// A decaying low tone with a knock at its start, like a plucked bass string, after 0.1 s of silence; and its first
/// frame.
pub fn low_tone(hz: f64, ms: f64) -> (Arc<Take>, u64) {
    const RATE: f64 = 48_000.0;
    const BEFORE: usize = 4800;
    // Down by 40 dB at its end.
    let fall = 100.0_f64.ln() / (ms / 1000.0);
    let sample = |i: usize| {
        let t = i as f64 / RATE;
        let tone = (TAU * hz * t).sin() + 0.2 * (2.0 * TAU * hz * t).sin();
        let knock = 0.1 * (TAU * 1300.0 * t).sin() * (-t * 400.0).exp();
        (0.6 * (tone + knock) * (-t * fall).exp()) as f32
    };
    let silence = std::iter::repeat_n(0.0, BEFORE);
    let samples = silence.chain((0..(ms / 1000.0 * RATE) as usize).map(sample)).collect();
    (Arc::new(Take::from_samples("low tone", RATE as u32, vec![samples])), BEFORE as u64)
}

/// A pad with default settings that plays a low tone.
fn low_kit(hz: f64, ms: f64) -> Kit {
    let (take, start) = low_tone(hz, ms);
    let mut kit = bare_kit(take, 1);
    kit.doc.pads[0].slices[0].start = start;
    kit
}

/// Correlations of live triggers of the low tones on a pad with default settings: of neighbours, and of all pairs.
pub fn correlations_of_low_tones() -> (Vec<f64>, Vec<f64>) {
    let (mut neighbours, mut all) = (Vec::new(), Vec::new());
    for hz in [55.0, 65.0, 82.0, 110.0] {
        for ms in [200.0, 250.0, 300.0] {
            let sounds = render_triggers(&low_kit(hz, ms), 24);
            for a in 0..sounds.len() {
                for b in 0..a {
                    let r = correlation(&sounds[a], &sounds[b]);
                    if a - b == 1 {
                        neighbours.push(r);
                    }
                    all.push(r);
                }
            }
        }
    }
    neighbours.sort_by(f64::total_cmp);
    all.sort_by(f64::total_cmp);
    (neighbours, all)
}

/// For each role: the largest correlation of neighbouring live triggers on the pads that are made of low tones (Hz, ms)
/// for it, fully shaped, and tuned where a key is given (the kick too).
pub fn max_correlation_by_role(tones: &[(f64, f64)], key: Option<Key>) -> Vec<(Role, f64)> {
    let mut found: Vec<(Role, f64)> = Vec::new();
    let takes: Vec<_> = tones
        .iter()
        .map(|&(hz, ms)| {
            let (take, start) = low_tone(hz, ms);
            let end = take.frames() as u64;
            let description = describe(&take, start as usize, end as usize);
            (take, vec![Hit { start, end, by_hand: false, description }])
        })
        .collect();
    for role in Role::ALL {
        let options = CastOptions {
            roles: Some(vec![role]),
            fit: 1.0,
            key,
            tune_kick: true,
            effort: 0.1,
            ..CastOptions::default()
        };
        let kit = make_kit(&takes, &options, &Quiet).expect("a kit");
        for pad in kit.doc.pads.iter().filter(|p| !p.is_empty()) {
            let mut one = kit.clone();
            one.doc.pads = vec![Pad { note: NOTES[0], ..pad.clone() }];
            let sounds = render_triggers(&one, 12);
            let worst = sounds.windows(2).map(|w| correlation(&w[0], &w[1])).fold(-1.0, f64::max);
            match found.iter_mut().find(|(r, _)| *r == role) {
                Some((_, max)) => *max = max.max(worst),
                None => found.push((role, worst)),
            }
        }
    }
    found
}

/// Peak of the first 10 ms of live kicks against one without variation, dB: mean, minimum, maximum. The variation of
/// the level is off.
pub fn attack_peak_of_live_kicks() -> (f64, f64, f64) {
    let mut kit = low_kit(62.0, 250.0);
    let layer = &mut kit.doc.pads[0].layers[0].settings;
    (layer.drop_st, layer.drop_ms) = (9.0, 18.0);
    kit.doc.pads[0].variation.level_db = 0.0;
    let attack_db =
        |sound: &Vec<f32>| gain_to_db(f64::from(sound[..480].iter().fold(0.0_f32, |p, x| p.max(x.abs()))));
    let live: Vec<f64> = render_triggers(&kit, 100).iter().map(attack_db).collect();
    kit.doc.pads[0].variation = still();
    let still_db = attack_db(&render_triggers(&kit, 1)[0]);
    let differences = live.iter().map(|x| x - still_db);
    let mean = differences.clone().sum::<f64>() / live.len() as f64;
    (mean, differences.clone().fold(f64::MAX, f64::min), differences.fold(f64::MIN, f64::max))
}

/// Correlations between live triggers of one slice.
#[derive(Debug)]
pub struct Correlations {
    /// Noise with a cloud of 12: the largest of all pairs of twelve triggers.
    pub noise: f64,
    /// A tone with a cloud of 12: the median of neighbours.
    pub tone_in_cloud: f64,
    /// A tone with the default variation alone: the median of neighbours.
    pub tone: f64,
}

/// Measured on noise and on a low hit of the demo take.
pub fn correlations_of_live_triggers() -> Correlations {
    let mut noise = kit_document(1);
    noise.doc.pads[0].variation.mode = VariationMode::Live;
    // strokes of its slice of five frames are a single sample
    noise.doc.pads[0].slices.truncate(2);
    let sounds = render_triggers(&noise, 12);
    let pairs = (0..12).flat_map(|a| (0..a).map(move |b| (a, b)));
    let largest = pairs.map(|(a, b)| correlation(&sounds[a], &sounds[b])).fold(-1.0, f64::max);
    let median = |copies: u8| {
        let sounds = render_triggers(&cello_kit(VariationMode::Live, copies), 12);
        let mut all: Vec<f64> = sounds.windows(2).map(|w| correlation(&w[0], &w[1])).collect();
        all.sort_by(f64::total_cmp);
        all[5]
    };
    Correlations { noise: largest, tone_in_cloud: median(12), tone: median(0) }
}

/// Samples that differ between two passes over the same twelve song positions, in the mode "placed".
pub fn placed_differences() -> usize {
    let kit = cello_kit(VariationMode::Placed, 4);
    let (a, b) = (render_triggers(&kit, 12), render_triggers(&kit, 12));
    let differ = a.iter().flatten().zip(b.iter().flatten());
    differ.filter(|(x, y)| x.to_bits() != y.to_bits()).count()
}
