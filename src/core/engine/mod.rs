//! The sound, in real time: voices, cloud, tone, mix. Knows nothing of plugins, windows or files.
//!
//! The caller hands in events at their frame and asks for chunks between them:
//! `engine.note_on(36, 0.8); engine.render(n); engine.main()`. The result does not depend on how the
//! frames are chunked. Nothing here allocates, locks or waits after [`Engine::new`].
//!
//! | module | what it gives its reader |
//! | --- | --- |
//! | `play_kit` | a kit checked and looked up once |
//! | `strike` | from a stroke to readings: slice, variation, layers, cloud |
//! | `draw`, `variation`, `cloud` | what is random about it, and where it comes from |
//! | `reading` | one reading of a slice: the smallest thing that sounds |
//! | `hits` | the hits that sound; stealing |
//! | `foresight` | hits that run ahead, for limiters that look ahead |
//! | `pad`, `diffuser`, `tone` | a pad's sum, smearing and tone |
//! | `output` | ceilings |
//! | `ramp` | values that glide, in closed form |

mod cloud;
mod diffuser;
mod draw;
pub mod dsp;
mod foresight;
mod hits;
mod meters;
mod output;
mod pad;
mod play_kit;
mod ramp;
mod reading;
mod strike;
pub mod tone;
mod variation;

pub use meters::{LastCloud, LastHit, Meters, PadReductions, Scope, ShownCopy, Source};
pub use play_kit::PlayKit;

use crate::kit::{PADS, Trims};
use crate::settings::{KIT_TRIMS, PAD_TRIMS};
use hits::Hits;
use output::Output;
use pad::{Buffers, GLIDE_MS, Pad};
use ramp::Ramp;
use std::sync::{Arc, atomic::Ordering::Relaxed};
use variation::Song;

/// Where the song stands, for placed variation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Transport {
    /// Position of the next frame in beats (quarter notes) when the host plays, else `None`.
    pub beats: Option<f64>,
    /// Tempo, beats per minute.
    pub tempo: f64,
}

/// Kits held at once: the one that plays, those that fade, the one that waits and those to be collected.
const KITS: usize = 16;
/// Rests are looked for on this grid of absolute frames.
const GRID: u64 = 256;

/// Plays a kit.
#[derive(Debug)]
pub struct Engine {
    sample_rate: f64,
    /// Absolute frame of the next frame to render.
    now: u64,
    kits: Vec<Option<Arc<PlayKit>>>,
    /// Slot of the kit that new notes play, and of one that waits until the last exchange has faded.
    playing: Option<usize>,
    waiting: Option<usize>,
    /// Pads on each note, one bit each.
    notes: [u16; 128],
    pads: Vec<Pad>,
    hits: Hits,
    trims: Trims,
    song: Song,
    buffers: Buffers,
    outputs: Vec<Output>,
    /// Pads that sounded in the last chunk, one bit each.
    sounding: u16,
    main: Output,
    main_busy: bool,
    level: Ramp,
    meters: Arc<Meters>,
}

impl Engine {
    /// Most frames that one call of [`Engine::render`] makes.
    pub const MAX_CHUNK: usize = 256;

    /// An engine without a kit, at `sample_rate` Hz; allocates everything it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        let trims = Trims::default();
        let ahead = 2 * dsp::limiter::lookahead_frames(sample_rate);
        let output = || Output::new(Self::MAX_CHUNK, trims.kit.ceiling_db, sample_rate);
        Self {
            sample_rate,
            now: 0,
            kits: vec![None; KITS],
            playing: None,
            waiting: None,
            notes: [0; 128],
            pads: (0..PADS).map(|p| Pad::new(p, sample_rate)).collect(),
            hits: Hits::new(sample_rate, ahead),
            song: Song::new(sample_rate),
            buffers: Buffers::new(Self::MAX_CHUNK, ahead),
            outputs: (0..PADS).map(|_| output()).collect(),
            sounding: 0,
            main: output(),
            main_busy: false,
            level: Ramp::still(1.0),
            meters: Arc::new(Meters::new(sample_rate)),
            trims,
        }
    }

    /// An engine for work offline, where nothing is bypassed: the same sound, quicker, since the loudness of
    /// its stages is not followed. (A stage that is bypassed all the same is matched from then on.)
    pub fn offline(sample_rate: f64) -> Self {
        let mut engine = Self::new(sample_rate);
        engine.pads.iter_mut().for_each(Pad::follow_no_more);
        engine
    }

    /// An engine for trials that are measured and not heard: like [`Engine::offline`], but its saturation runs
    /// at twice the rate only.
    pub fn draft(sample_rate: f64) -> Self {
        let mut engine = Self::offline(sample_rate);
        engine.pads.iter_mut().for_each(Pad::draft);
        engine
    }

    /// Hz.
    pub fn sample_rate(&self) -> f64 {
        self.sample_rate
    }

    /// The meters that this engine writes.
    pub fn meters(&self) -> Arc<Meters> {
        self.meters.clone()
    }

    /// Silences everything at once and starts all counters anew: the same notes then give the same
    /// samples as in a fresh engine with the same kit and trims.
    pub fn reset(&mut self) {
        self.now = 0;
        self.hits.clear();
        self.pads.iter_mut().for_each(Pad::reset);
        self.song = Song::new(self.sample_rate);
        self.level = Ramp::still(self.level.target());
        let (db, on) = (self.trims.kit.ceiling_db, self.trims.kit.ceiling_on);
        for output in self.outputs.iter_mut().chain([&mut self.main]) {
            output.settle(db, on);
            output.peak = 0.0;
            output.clear(0, Self::MAX_CHUNK);
        }
        self.main_busy = false;
        self.sounding = 0;
        self.adopt_waiting();
    }

    /// Takes a kit; what sounds of the old one fades out within 4 ms, unless its pad is the same in both
    /// kits: that plays on. The old kit stays in the engine until it is silent; collect it with
    /// [`Engine::retired`]. Where nobody collects, the oldest is dropped here.
    pub fn set_kit(&mut self, kit: Arc<PlayKit>) {
        let slot = self.free_slot();
        self.kits[slot] = Some(kit);
        self.waiting = Some(slot);
        self.adopt_waiting();
    }

    /// A kit the engine no longer needs, to be dropped on another thread.
    pub fn retired(&mut self) -> Option<Arc<PlayKit>> {
        let slot = (0..KITS).find(|&s| self.kits[s].is_some() && !self.needs(s))?;
        self.kits[slot].take()
    }

    /// Takes new trims; changes are smoothed within 10 ms, mutes and switches faded. What is asked of a
    /// hit when it starts (start, attack, length, copies, spread, scatter, width, variation, velocity)
    /// counts for the next hits. Values outside their range are moved into it.
    pub fn set_trims(&mut self, trims: &Trims) {
        if *trims == self.trims {
            return;
        }
        let mut trims = trims.clone();
        play_kit::tidy(&KIT_TRIMS, &mut trims.kit);
        trims.pads.iter_mut().for_each(|p| play_kit::tidy(&PAD_TRIMS, p));
        // Before the first frame there is nothing to glide from.
        let frames = if self.now == 0 { 0 } else { (GLIDE_MS * self.sample_rate / 1000.0) as u32 };
        for pad in &mut self.pads {
            let sound = (&mut self.hits, &mut self.buffers.scratch);
            pad.set_trims(&trims, &self.kits, sound, self.now, frames);
        }
        let gain = if trims.kit.level_db == 0.0 { 1.0 } else { crate::units::db_to_gain(trims.kit.level_db) };
        self.level.go(gain, self.now, frames);
        let ceiling = |trims: &Trims| (trims.kit.ceiling_db, trims.kit.ceiling_on);
        let (db, on) = ceiling(&trims);
        if (db, on) != ceiling(&self.trims) {
            let busy = self.pads.iter().map(Pad::is_busy).chain([self.main_busy]);
            for (output, busy) in self.outputs.iter_mut().chain([&mut self.main]).zip(busy) {
                if busy && frames > 0 {
                    output.glide(db, on, self.now, frames)
                } else {
                    output.settle(db, on)
                }
            }
        }
        self.trims = trims;
    }

    /// Passes stages of a pad's tone chain by at equal loudness, bit 0 being the first of
    /// [`crate::kit::Stage`]; the change is faded.
    pub fn bypass(&mut self, pad: usize, stages: u8) {
        if let Some(pad) = self.pads.get_mut(pad) {
            pad.bypass(stages);
        }
    }

    /// Where the song stands at the next frame.
    pub fn set_transport(&mut self, transport: Transport) {
        self.song.set(transport, self.now);
    }

    /// A key goes down at the next frame: `note` 0 to 127, `velocity` above 0 to 1. Other notes and
    /// velocities of 0 or NaN do nothing.
    pub fn note_on(&mut self, note: u8, velocity: f32) {
        if velocity > 0.0 {
            self.for_pads_on(note, |engine, pad| engine.strike(pad, velocity.min(1.0)));
        }
    }

    /// Plays pad 0 to 15 at the next frame, whatever its note.
    pub fn strike(&mut self, pad: usize, velocity: f32) {
        self.choke_others(pad);
        let around = (&self.kits[..], &self.trims.kit, &self.song);
        let drawn = self.pads[pad].strike(velocity, around, &mut self.hits, self.now);
        if let Some(drawn) = drawn {
            self.meters.last_hit[pad].show(&drawn);
            self.meters.last_cloud[pad].show(&drawn.cloud[..drawn.copies]);
        }
        self.meters.pad_strokes[pad].fetch_add(1, Relaxed);
    }

    /// A key is let go at the next frame; one-shot pads play on.
    pub fn note_off(&mut self, note: u8) {
        self.for_pads_on(note, |engine, pad| {
            let Self { pads, kits, hits, buffers, now, .. } = engine;
            pads[pad].release(kits, hits, &mut buffers.scratch, *now);
        });
    }

    /// Cuts a pad off (with a short fade), one-shot or not.
    pub fn choke(&mut self, note: u8) {
        self.for_pads_on(note, |engine, pad| engine.pads[pad].choke(&mut engine.hits, engine.now));
    }

    /// Fades everything out.
    pub fn all_off(&mut self) {
        for pad in &mut self.pads {
            pad.choke(&mut self.hits, self.now);
        }
    }

    /// Renders the next `frames` (1 to [`Engine::MAX_CHUNK`]; more are cut) into the engine's own
    /// buffers.
    pub fn render(&mut self, frames: usize) {
        let frames = frames.min(Self::MAX_CHUNK);
        self.sounding = 0;
        let mut done = 0;
        while done < frames {
            let to_grid = GRID - self.now % GRID;
            let mut n = (frames - done).min(to_grid as usize);
            if let Some(until) = self.waiting_until() {
                n = n.min(until.saturating_sub(self.now).max(1) as usize);
            }
            self.render_run(done, n);
            done += n;
        }
        self.meter(frames);
    }

    /// Main output of the last [`Engine::render`]: left and right.
    pub fn main(&self) -> [&[f32]; 2] {
        [&self.main.left, &self.main.right]
    }

    /// Output of pad 0 to 15 of the last [`Engine::render`]: left and right, after level, pan, mute
    /// and ceiling.
    pub fn pad(&self, pad: usize) -> [&[f32]; 2] {
        [&self.outputs[pad].left, &self.outputs[pad].right]
    }

    /// Whether nothing sounds: rendering on gives exact zeros until the next note.
    pub fn is_silent(&self) -> bool {
        !self.main_busy && !self.pads.iter().any(Pad::is_busy)
    }

    fn render_run(&mut self, from: usize, n: usize) {
        let now = self.now;
        let to = from + n;
        self.main.clear(from, n);
        let mut any = false;
        for (p, pad) in self.pads.iter_mut().enumerate() {
            let output = &mut self.outputs[p];
            if !pad.is_busy() {
                output.clear(from, n);
                continue;
            }
            any = true;
            self.sounding |= 1 << p;
            pad.render(
                &self.kits,
                &mut self.hits,
                &mut self.buffers,
                now,
                [&mut output.left[from..to], &mut output.right[from..to]],
                [&mut self.main.left[from..to], &mut self.main.right[from..to]],
            );
            output.finish(from, n, now);
        }
        self.main_busy |= any;
        if self.main_busy {
            self.level.scale(now, &mut self.main.left[from..to]);
            self.level.scale(now, &mut self.main.right[from..to]);
            self.main.finish(from, n, now);
        }
        self.now += n as u64;
        self.tidy();
    }

    /// Gives back what has ended before the next frame.
    fn tidy(&mut self) {
        let look = self.now.is_multiple_of(GRID).then_some(GRID);
        for (pad, output) in self.pads.iter_mut().zip(&mut self.outputs) {
            if pad.is_busy() {
                pad.tidy(&mut self.hits, self.now, look);
                if !pad.is_busy() {
                    output.rest();
                }
            }
        }
        if look.is_some() && self.main_busy && !self.pads.iter().any(Pad::is_busy) {
            self.main_busy = false;
            self.main.rest();
        }
        if self.waiting.is_some() {
            self.adopt_waiting();
        }
    }

    fn meter(&mut self, frames: usize) {
        for p in (0..PADS).filter(|p| self.sounding & (1 << p) != 0) {
            Meters::raise(&self.meters.pad_peak[p], std::mem::take(&mut self.outputs[p].peak));
            self.meters.reductions[p]
                .raise(&self.pads[p].take_reductions(), self.outputs[p].take_reduction_db());
        }
        Meters::raise(&self.meters.main_peak, std::mem::take(&mut self.main.peak));
        Meters::raise(&self.meters.main_ceiling_db, self.main.take_reduction_db());
        self.meters.voices.store(self.hits.voices() as u32, Relaxed);
        let heard = match self.meters.scope.wanted() {
            Source::Off => return,
            Source::Main => &self.main,
            Source::Pad(pad) => &self.outputs[pad],
        };
        self.meters.scope.write(&heard.left[..frames], &heard.right[..frames]);
    }

    fn for_pads_on(&mut self, note: u8, mut act: impl FnMut(&mut Self, usize)) {
        let pads = self.notes.get(usize::from(note)).copied().unwrap_or(0);
        (0..PADS).filter(|p| pads & (1 << p) != 0).for_each(|p| act(self, p));
    }

    /// Pads of one choke group cut each other off; a pad does not cut itself.
    fn choke_others(&mut self, striking: usize) {
        let group = self.pads[striking].choke_group(&self.kits);
        if group == 0 {
            return;
        }
        for p in (0..PADS).filter(|&p| p != striking) {
            if self.pads[p].choke_group(&self.kits) == group {
                self.pads[p].choke(&mut self.hits, self.now);
            }
        }
    }

    /// Whether the kit in `slot` plays, waits or still sounds.
    fn needs(&self, slot: usize) -> bool {
        self.playing == Some(slot) || self.waiting == Some(slot) || self.pads.iter().any(|p| p.uses(slot))
    }

    fn free_slot(&mut self) -> usize {
        let retired = |s: &usize| !self.needs(*s);
        // A kit that waited and is overtaken never sounded: its slot is free as well.
        let free = (0..KITS).find(|&s| self.kits[s].is_none()).or_else(|| (0..KITS).find(retired));
        free.or(self.waiting).unwrap_or(0)
    }

    /// Frame at which the kit that waits can take over.
    fn waiting_until(&self) -> Option<u64> {
        self.waiting?;
        self.pads.iter().filter_map(Pad::leaving_until).max()
    }

    /// Goes over to the kit that waits, unless pads still fade from the exchange before.
    fn adopt_waiting(&mut self) {
        let Some(slot) = self.waiting else { return };
        if self.pads.iter().any(|p| p.leaving_until().is_some_and(|end| end > self.now)) {
            return;
        }
        for pad in &mut self.pads {
            pad.tidy(&mut self.hits, self.now, None);
            pad.adopt(slot, &self.kits, &mut self.hits, self.now);
        }
        self.playing = Some(slot);
        self.waiting = None;
        self.notes = [0; 128];
        if let Some(kit) = &self.kits[slot] {
            for (p, pad) in kit.pads.iter().enumerate() {
                if let Some(pads) = self.notes.get_mut(usize::from(pad.pad.note)) {
                    *pads |= 1 << p;
                }
            }
        }
    }
}
