//! Plays pads offline through the engine, so that casting measures the sound that will be heard.

use super::features::Features;
use crate::{
    engine::{Engine, PlayKit},
    groove::{BARS, Note, STEPS, TICKS},
    kit::{Document, Kit, Pad, Trims, VariationMode},
    parallel,
    take::Take,
};
use std::{collections::VecDeque, sync::Arc};

/// Rate of the auditions, Hz.
pub const AUDITION_RATE: f64 = 48_000.0;
/// Velocity of the auditions: the one at which pads are exported (110 of 127).
pub const VELOCITY: f32 = 110.0 / 127.0;
/// Maximum length of an audition, seconds: what is measured, and 50 ms.
const MAX_AUDITION_S: f64 = super::features::MAX_SOUND_S + 0.05;

/// An audition ends when the sound has stayed below this share of its peak (-56 dB; the measures end at -60)...
const UNHEARD: f32 = 1.6e-3;
/// ...for this long, seconds.
const UNHEARD_S: f64 = 0.06;

/// Strokes whose sound is kept, of half a second mostly: one step of shaping often asks about the pad that the step before
/// ended with, and [`super::chance`] plays eight strokes in between.
const MAX_PLAYED: usize = 24;

/// Channels cancel each other when their mean has less than this share of their energy.
const CANCELS: f64 = 0.1;

/// Plays pads offline, with two engines that are reused. One for each thread.
pub struct Auditioner {
    engine: Engine,
    /// Plays trials.
    draft: Engine,
    doc: Document,
    takes: Vec<Arc<Take>>,
    /// The takes that trials read.
    drafts: Vec<Arc<Take>>,
    /// The trials played last.
    tried: Recent<Vec<f32>>,
    /// The strokes played last in full.
    played: Recent<[Vec<f32>; 2]>,
}

/// The strokes of pads that were played last, with their sounds, oldest first.
struct Recent<T>(VecDeque<(StrokeKey, T)>);

/// What a stroke depends on beside the takes.
#[derive(Debug, Clone, PartialEq)]
struct StrokeKey {
    pad: Pad,
    velocity: f32,
    /// Length at most.
    seconds: f64,
}

impl StrokeKey {
    /// The first slice of a pad, alone in its kit, at this velocity.
    fn new(pad: &Pad, velocity: f32, seconds: f64) -> Self {
        // neither its key nor how it was cast is heard
        let mut pad = Pad { note: 0, fit: 0.0, tidied: 0.0, audition: None, target: None, ..pad.clone() };
        // one slice plays at every velocity
        pad.slices.iter_mut().for_each(|slice| slice.velocities = [0.0, 1.0]);
        if velocity >= 1.0 {
            // full velocity lowers neither level nor cut
            for layer in &mut pad.layers {
                (layer.settings.velocity_level, layer.settings.velocity_cut_oct) = (0.0, 0.0);
            }
        }
        Self { pad, velocity, seconds }
    }
}

impl<T: Clone> Recent<T> {
    fn new() -> Self {
        Self(VecDeque::with_capacity(MAX_PLAYED))
    }

    /// The sound of a stroke; `play` plays it where it is not remembered.
    fn sound(&mut self, key: StrokeKey, play: impl FnOnce() -> T) -> T {
        if let Some((_, sound)) = self.0.iter().find(|(known, _)| *known == key) {
            return sound.clone();
        }
        let sound = play();
        if self.0.len() == MAX_PLAYED {
            self.0.pop_front();
        }
        self.0.push_back((key, sound.clone()));
        sound
    }
}

impl Auditioner {
    /// An auditioner for pads that read from the takes of `kit`.
    pub fn new(kit: &Kit) -> Self {
        Self::with_drafts(kit, &kit.takes)
    }

    /// The same, with the takes that trials read: see [`drafts`].
    pub fn with_drafts(kit: &Kit, drafts: &[Arc<Take>]) -> Self {
        // copied for each stroke, in which one pad plays alone
        let mut doc = Document { pads: Vec::new(), key_parts: Vec::new(), ..kit.doc.clone() };
        doc.trims.kit.ceiling_on = false;
        // the same draws for every kit: casting and fitting do not depend on the kit's seed
        doc.seed = 0;
        Self {
            engine: Engine::offline(AUDITION_RATE),
            draft: Engine::draft(AUDITION_RATE),
            doc,
            takes: kit.takes.clone(),
            drafts: drafts.to_vec(),
            tried: Recent::new(),
            played: Recent::new(),
        }
    }

    /// Plays one stroke of `pad` with its first slice, without the ceiling, for `seconds` at most: left and right at
    /// [`AUDITION_RATE`].
    pub fn play(&mut self, pad: &Pad, seconds: f64) -> [Vec<f32>; 2] {
        self.play_at(pad, VELOCITY, seconds)
    }

    /// The same at another velocity, above 0 to 1.
    pub fn play_at(&mut self, pad: &Pad, velocity: f32, seconds: f64) -> [Vec<f32>; 2] {
        let kit = self.alone(pad, &self.takes);
        let key = StrokeKey::new(&kit.doc.pads[0], velocity, seconds);
        self.played.sound(key, || stroke(&mut self.engine, kit, velocity, seconds, |_| false))
    }

    /// Whether the first stroke of `pad` reads a take of two channels.
    pub fn in_stereo(&self, pad: &Pad) -> bool {
        let of_layers = pad.layers.iter().filter_map(|layer| layer.slice.as_ref());
        let mut read = pad.slices.first().into_iter().chain(of_layers);
        read.any(|slice| self.takes.get(slice.take).is_some_and(|take| take.channels.len() == 2))
    }

    /// A kit that consists of `pad`. Draws are frozen and the pan is centred, so that every stroke sounds the same.
    fn alone(&self, pad: &Pad, takes: &[Arc<Take>]) -> Arc<Kit> {
        let mut doc = Document { pads: vec![pad.clone()], ..self.doc.clone() };
        doc.pads[0].slices.truncate(1);
        doc.pads[0].variation.mode = VariationMode::Held;
        doc.pads[0].settings.pan = 0.0;
        Arc::new(Kit { doc, takes: takes.to_vec() })
    }

    /// Plays these notes of the groove as `kit` plays them, with its own draws, but without trims and ceiling:
    /// the main output, left and right.
    pub fn play_groove(&mut self, kit: &Kit, notes: &[Note]) -> [Vec<f32>; 2] {
        let mut doc = kit.doc.clone();
        doc.trims = Trims::default();
        doc.trims.kit.ceiling_on = false;
        let mut notes = notes.to_vec();
        notes.sort_by_key(|n| (n.tick, doc.pads[n.pad].note));
        load_kit(&mut self.engine, Arc::new(Kit { doc, takes: self.takes.clone() }));
        let frame = |note: &Note| (note.seconds() * AUDITION_RATE).round() as usize;
        let end = Note { tick: (BARS * STEPS) as u32 * u32::from(TICKS) / 4, pad: 0, velocity: 1 };
        let mut out = [Vec::new(), Vec::new()];
        for note in &notes {
            self.render_until(frame(note), &mut out);
            self.engine.trigger(note.pad, f32::from(note.velocity) / 127.0);
        }
        self.render_until(frame(&end), &mut out);
        out
    }

    /// Renders on until `out` holds so many frames of the main output.
    fn render_until(&mut self, frames: usize, out: &mut [Vec<f32>; 2]) {
        while out[0].len() < frames {
            let n = Engine::MAX_CHUNK.min(frames - out[0].len());
            self.engine.render(n);
            for (out, part) in out.iter_mut().zip(self.engine.main()) {
                out.extend_from_slice(&part[..n]);
            }
        }
    }

    /// Plays `pad` and measures it; `None` for silence.
    pub fn measure(&mut self, pad: &Pad) -> Option<Features> {
        let kit = self.alone(pad, &self.takes);
        Features::of(&audible(&mut self.engine, kit, VELOCITY), AUDITION_RATE)
    }

    /// The same for a trial, with the draft engine: quicker, and the measures differ by less than those of two strokes of
    /// the pad.
    pub fn try_out(&mut self, pad: &Pad) -> Option<Features> {
        Features::of(&self.sketch(pad), AUDITION_RATE)
    }

    /// The sound of a trial in one channel at [`AUDITION_RATE`], until it is inaudible.
    pub fn sketch(&mut self, pad: &Pad) -> Vec<f32> {
        self.sketch_at(pad, VELOCITY)
    }

    /// The same at another velocity, above 0 to 1.
    pub fn sketch_at(&mut self, pad: &Pad, velocity: f32) -> Vec<f32> {
        let kit = self.alone(pad, &self.drafts);
        let key = StrokeKey::new(&kit.doc.pads[0], velocity, MAX_AUDITION_S);
        self.tried.sound(key, || audible(&mut self.draft, kit, velocity))
    }
}

/// The takes of a kit in one channel each, with the energy that they have in two: trials read these, since the
/// mean of both channels is measured anyway.
pub fn drafts(kit: &Kit) -> Vec<Arc<Take>> {
    let energy = |x: &[f32]| x.iter().map(|s| f64::from(*s) * f64::from(*s)).sum::<f64>();
    let one = |take: &Arc<Take>| {
        let [left, right] = take.channels.as_slice() else { return take.clone() };
        let mut mean = mono(left, right);
        let (of_both, of_mean) = ((energy(left) + energy(right)) / 2.0, energy(&mean));
        if of_mean < CANCELS * of_both {
            mean = if energy(left) >= energy(right) { left.clone() } else { right.clone() };
        } else {
            let gain = (of_both / of_mean.max(1e-30)).sqrt() as f32;
            mean.iter_mut().for_each(|s| *s *= gain);
        }
        Arc::new(Take::from_exact_samples(take.name.clone(), take.sample_rate, vec![mean]))
    };
    kit.takes.iter().map(one).collect()
}

/// Silences the engine and gives it another kit.
fn load_kit(engine: &mut Engine, kit: Arc<Kit>) {
    engine.set_trims(&kit.doc.trims);
    engine.set_kit(Arc::new(PlayKit::new(kit, AUDITION_RATE)));
    engine.reset();
    while engine.retired().is_some() {}
}

/// Plays one stroke of the first pad until silence, or until `done` says of the left and right sound so far
/// that it is enough.
fn stroke(
    engine: &mut Engine,
    kit: Arc<Kit>,
    velocity: f32,
    seconds: f64,
    mut done: impl FnMut(&[Vec<f32>; 2]) -> bool,
) -> [Vec<f32>; 2] {
    load_kit(engine, kit);
    engine.trigger(0, velocity);
    let frames = (seconds * AUDITION_RATE) as usize;
    let mut out = [Vec::with_capacity(frames), Vec::with_capacity(frames)];
    while out[0].len() < frames && !engine.is_silent() && !done(&out) {
        let n = Engine::MAX_CHUNK.min(frames - out[0].len());
        engine.render(n);
        for (out, part) in out.iter_mut().zip(engine.pad(0)) {
            out.extend_from_slice(&part[..n]);
        }
    }
    out
}

/// One stroke of the first pad in one channel, until it is inaudible.
fn audible(engine: &mut Engine, kit: Arc<Kit>, velocity: f32) -> Vec<f32> {
    let (mut peak, mut last, mut seen) = (0.0f32, 0, 0);
    let [left, right] = stroke(engine, kit, velocity, MAX_AUDITION_S, |[left, right]| {
        for (i, (l, r)) in left.iter().zip(right).enumerate().skip(seen) {
            let level = l.abs().max(r.abs());
            peak = peak.max(level);
            if level > peak * UNHEARD {
                last = i;
            }
        }
        seen = left.len();
        peak > 0.0 && seen - last > (UNHEARD_S * AUDITION_RATE) as usize
    });
    mono(&left, &right)
}

/// The mean of both channels.
pub fn mono(left: &[f32], right: &[f32]) -> Vec<f32> {
    left.iter().zip(right).map(|(l, r)| (l + r) * 0.5).collect()
}

/// [`parallel::in_order`] with an auditioner for `kit` and its `drafts` on each thread.
pub fn on_all_cores<T: Send>(
    kit: &Kit,
    drafts: &[Arc<Take>],
    count: usize,
    work: impl Fn(&mut Auditioner, usize) -> T + Sync,
) -> Vec<T> {
    parallel::in_order(count, || Auditioner::with_drafts(kit, drafts), work)
}
