//! Kits, performances and measurements that the engine's tests share.
#![allow(dead_code)]

pub mod comparison_crates;
pub mod cpu_load;
pub mod denormals;
pub mod figures;
pub mod groove;

use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{Kit, Layer, PADS, Slice, Timing, Trims, Variation},
    take::Take,
};
use std::sync::Arc;

/// Notes of the first six pads of [`kit_document`].
pub const NOTES: [u8; 6] = [36, 37, 38, 39, 40, 41];

/// How often to try something random: `few` times in the ordinary tests, as often as `KITWRIGHT_TRIALS` says in
/// `cargo xtask soak`.
pub fn trials(few: u64) -> u64 {
    std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(few)
}

/// A linear congruential generator for the tests' choices (constants of Knuth's MMIX).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    pub fn unit(&mut self) -> f32 {
        self.next() as f32 / (1_u64 << 31) as f32
    }
}

pub enum Act {
    On(u8, f32),
    Off(u8),
    /// Channel 0 to 15, key, velocity.
    OnChannel(u8, u8, f32),
    OffChannel(u8, u8),
    Choke(u8),
    AllOff,
    Trims(Box<Trims>),
    Kit(Arc<PlayKit>),
}

pub struct Event {
    pub at: u64,
    pub act: Act,
}

pub fn on(at: u64, note: u8, velocity: f32) -> Event {
    Event { at, act: Act::On(note, velocity) }
}

pub struct Sound {
    pub main: [Vec<f32>; 2],
    pub pads: Vec<[Vec<f32>; 2]>,
}

pub fn play(
    kit: &Arc<PlayKit>,
    rate: f64,
    events: &[Event],
    n: usize,
    chunk: &mut dyn FnMut(u64) -> u64,
) -> Sound {
    let mut engine = Engine::new(rate);
    engine.set_kit(kit.clone());
    perform(&mut engine, events, n, chunk)
}

/// Renders `n` frames with events at their frames, in blocks of the given sizes.
pub fn perform(engine: &mut Engine, events: &[Event], n: usize, chunk: &mut dyn FnMut(u64) -> u64) -> Sound {
    let mut sound = Sound { main: Default::default(), pads: (0..PADS).map(|_| Default::default()).collect() };
    let mut events = events.iter().peekable();
    let mut at = 0_u64;
    while at < n as u64 {
        let end = (at + chunk(at)).min(n as u64);
        while at < end {
            while let Some(event) = events.next_if(|e| e.at <= at) {
                act(engine, &event.act);
            }
            let next = events.peek().map_or(end, |e| e.at.min(end));
            let frames = ((next - at) as usize).min(Engine::MAX_CHUNK);
            engine.render(frames);
            for c in 0..2 {
                sound.main[c].extend_from_slice(&engine.main()[c][..frames]);
                for p in 0..PADS {
                    sound.pads[p][c].extend_from_slice(&engine.pad(p)[c][..frames]);
                }
            }
            at += frames as u64;
        }
    }
    sound
}

pub fn act(engine: &mut Engine, act: &Act) {
    match act {
        Act::On(note, velocity) => engine.note_on(*note, *velocity),
        Act::Off(note) => engine.note_off(*note),
        Act::OnChannel(channel, note, velocity) => engine.note_on_channel(*channel, *note, *velocity),
        Act::OffChannel(channel, note) => engine.note_off_channel(Some(*channel), *note),
        Act::Choke(note) => engine.choke(*note),
        Act::AllOff => engine.all_off(),
        Act::Trims(trims) => engine.set_trims(trims),
        Act::Kit(kit) => engine.set_kit(kit.clone()),
    }
}

pub fn prepared(kit: &Kit) -> Arc<PlayKit> {
    Arc::new(PlayKit::new(Arc::new(kit.clone()), 48_000.0))
}

pub fn full_kit(which: u64) -> Arc<PlayKit> {
    prepared(&kit_document(which))
}

/// A kit that uses every part of the engine: clouds, loops, drops, sweeps, chokes, stereo, several rates.
pub fn kit_document(which: u64) -> Kit {
    let mono = noise_take(44_100, 1, which);
    let stereo = noise_take(48_000, 2, which + 10);
    let mut kit = Kit::default();
    kit.doc.seed = which;
    kit.takes = vec![mono, stereo, sine_take(96_000, 220.0, 1.0)];
    let slice = |take, start, end| Slice { take, start, end, gain_db: 0.0, velocities: [0.0, 1.0] };
    for (p, pad) in kit.doc.pads.iter_mut().enumerate() {
        pad.note = 36 + p as u8;
        pad.slices = vec![slice(p % 3, 0, 9000), slice(p % 2, 10_000, 20_000), slice(0, 20_000, 20_005)];
        pad.layers[0].settings.decay_ms = 300.0;
        pad.settings.level_db = -6.0;
    }
    let pads = &mut kit.doc.pads;
    pads[0].cloud.copies = 12;
    pads[0].cloud.diffusion = 0.4;
    pads[0].cloud.reverse_chance = 0.3;
    pads[0].layers[0].settings.drop_st = 12.0;
    pads[1].settings.held = true;
    pads[1].layers[0].settings.loop_on = true;
    pads[1].layers[0].settings.sustain = 0.7;
    pads[1].layers[0].settings.pitch_st = 5.0;
    pads[2].layers[0].settings.high_cut_hz = 3000.0;
    pads[2].layers[0].settings.sweep_oct = 2.0;
    pads[2].layers.push(Layer { slice: Some(slice(1, 3000, 12_000)), ..Layer::default() });
    pads[2].layers[1].settings.delay_ms = 7.3;
    pads[2].layers[1].settings.reverse = true;
    // tails: of a hit, of each grain of a cloud, under a look-ahead
    for tailed in [0, 4, 6] {
        pads[tailed].layers[0].settings.tail_ms = 30.0;
    }
    pads[3].settings.choke_group = 1;
    pads[4].settings.choke_group = 1;
    pads[4].cloud.copies = 48;
    pads[4].cloud.timing = Timing::Bursts;
    // Limiters that look ahead: with a cloud and diffusion, in a choke group, and in held pads that loop.
    for held in [1, 5] {
        pads[held].tone.limiter.on = true;
        pads[held].tone.limiter.threshold_db = -24.0;
    }
    pads[5].tone.colour.on = true;
    pads[0].tone.limiter.on = true;
    pads[0].tone.limiter.threshold_db = -20.0;
    pads[3].tone.colour.on = true;
    pads[3].tone.limiter.on = true;
    pads[3].tone.colour.threshold_db = -24.0;
    pads[5].settings.held = true;
    pads[5].layers[0].settings.reverse = true;
    pads[5].layers[0].settings.loop_on = true;
    pads[5].layers[0].settings.sustain = 1.0;
    kit
}

/// One pad on the first note that plays `slices` equal parts of a take without processing.
pub fn bare_kit(take: Arc<Take>, slices: u64) -> Kit {
    let mut kit = Kit::default();
    let part = take.frames() as u64 / slices;
    let pad = &mut kit.doc.pads[0];
    pad.slices = (0..slices)
        .map(|i| Slice {
            take: 0,
            start: i * part,
            end: (i + 1) * part,
            gain_db: 0.0,
            velocities: [0.0, 1.0],
        })
        .collect();
    kit.takes = vec![take];
    kit
}

/// Variation of zero.
pub fn still() -> Variation {
    Variation { start_ms: 0.0, pitch_ct: 0.0, level_db: 0.0, cut_oct: 0.0, ..Variation::default() }
}

/// Decaying noise, half a second.
pub fn noise_take(rate: u32, channels: usize, seed: u64) -> Arc<Take> {
    let mut dice = Dice(seed + 1);
    let frames = rate as usize / 2;
    let channel =
        |_| (0..frames).map(|i| (dice.unit() - 0.5) * (-(i as f32) / (0.1 * rate as f32)).exp()).collect();
    Arc::new(Take::from_samples("noise", rate, (0..channels).map(channel).collect()))
}

/// A decaying burst that begins at its peak.
pub fn click_take(rate: u32) -> Arc<Take> {
    let samples =
        (0..rate as usize / 4).map(|i| 0.5 * (-(i as f32) / 300.0).exp() * (i as f32 * 0.3).cos()).collect();
    Arc::new(Take::from_samples("click", rate, vec![samples]))
}

pub fn sine_take(rate: u32, hz: f32, seconds: f32) -> Arc<Take> {
    let step = std::f64::consts::TAU * f64::from(hz) / f64::from(rate);
    let frames = (rate as f32 * seconds) as usize;
    let samples = (0..frames).map(|i| 0.5 * (i as f64 * step).sin() as f32).collect();
    Arc::new(Take::from_samples("sine", rate, vec![samples]))
}

/// Four tones, one after the other.
pub fn steps_take() -> Arc<Take> {
    let samples = (0..8000).map(|i| 0.3 * ((i as f32) * 0.01 * (1 + i / 2000) as f32).sin()).collect();
    Arc::new(Take::from_samples("steps", 48_000, vec![samples]))
}

pub fn peak(sound: &Sound) -> f32 {
    sound.main.iter().flatten().fold(0.0, |p, x| p.max(x.abs()))
}

pub fn rms(x: &[f32]) -> f64 {
    (x.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / x.len().max(1) as f64).sqrt()
}

pub fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(&x, &y)| f64::from(x) * f64::from(y)).sum::<f64>();
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()
}

/// Frequency from rising zero crossings.
pub fn crossings_hz(x: &[f32], rate: f64) -> f64 {
    let rising: Vec<usize> = (1..x.len()).filter(|&i| x[i - 1] < 0.0 && x[i] >= 0.0).collect();
    match (rising.first(), rising.last()) {
        (Some(a), Some(b)) if b > a => (rising.len() - 1) as f64 * rate / (b - a) as f64,
        _ => 0.0,
    }
}

pub fn assert_same(a: &Sound, b: &Sound, what: &str) {
    let differ = |a: &[f32], b: &[f32]| a.iter().zip(b).position(|(x, y)| x.to_bits() != y.to_bits());
    for c in 0..2 {
        for p in 0..PADS {
            if let Some(i) = differ(&a.pads[p][c], &b.pads[p][c]) {
                let (x, y) = (a.pads[p][c][i], b.pads[p][c][i]);
                panic!("{what}: pad {p} channel {c} differs first at frame {i}: {x:e} and {y:e}");
            }
        }
        if let Some(i) = differ(&a.main[c], &b.main[c]) {
            panic!("{what}: main channel {c} differs first at frame {i}");
        }
        assert_eq!(a.main[c].len(), b.main[c].len());
    }
}
