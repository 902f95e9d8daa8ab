//! The sound, in real time: voices, clouds, tone, mix. Depends on no plugin format, window or file.
//!
//! The caller passes events at their frame and renders chunks between them:
//! `engine.note_on(36, 0.8); engine.render(n); engine.main()`. The result does not depend on the sizes of the
//! chunks. Nothing here allocates, locks or waits after [`Engine::new`].
//!
//! | module | contents |
//! | --- | --- |
//! | `play_kit`, `play_layer`, `play_slice`, `pad_tails`, `tail` | a kit checked and prepared for playing, hits with their tails |
//! | `trigger` | from a trigger to grains: slice, variation, layers, cloud |
//! | `draw`, `variation`, `cloud` | random draws and what they decide |
//! | `transport` | the song position, for placed variation |
//! | `grain` | one slice that plays, as a layer or in a cloud |
//! | `voice`, `voice_pool`, `lookahead` | what one trigger starts; the voices that sound, stolen or rendered ahead |
//! | `pad_channel`, `diffuser`, `tone` | a pad's sum, the diffusion of its cloud, its tone chain |
//! | `output`, `stems` | stereo outputs with their ceilings; outputs that add up to the main output |
//! | `key_parts`, `midi_channels` | hits played over the keyboard, and which channel plays what |
//! | `ramp`, `meters` | linear ramps in closed form; what the window shows |
//! | [`dsp`] | filters, dynamics, saturation, resampling |

mod cloud;
mod diffuser;
mod draw;
pub mod dsp;
mod grain;
mod groove_player;
mod key_parts;
mod lookahead;
mod meters;
mod midi_channels;
mod output;
mod pad_channel;
mod pad_tails;
mod play_kit;
mod play_layer;
mod play_slice;
mod ramp;
mod stems;
mod tail;
pub mod tone;
mod transport;
mod trigger;
mod variation;
mod voice;
mod voice_pool;

pub use groove_player::{GrooveEvent, GroovePlayer};
pub use meters::{LastCloud, LastTrigger, Meters, PadReductions, Scope, ScopeSource, ShownGrain};
pub use play_kit::PlayKit;
pub use transport::Transport;

use crate::kit::{KEY_PARTS, KeyMap, PADS, Trims};
use crate::settings::{KIT_TRIMS, PAD_TRIMS};
use crate::units::db_to_gain;
use key_parts::KeyPartChannel;
use output::Output;
use pad_channel::{Buffers, GLIDE_MS, PadChannel};
use ramp::Ramp;
use std::sync::{
    Arc,
    atomic::Ordering::{Relaxed, Release},
};
use tone::ToneChain;
use transport::SongPosition;
use voice_pool::VoicePool;

/// Kits held at once: the one that plays, those that fade out, the one that waits and those to be collected.
const KIT_SLOTS: usize = 16;
/// Absolute frames between two checks for silence.
const CHECK_INTERVAL: u64 = 256;

/// Plays a kit.
#[derive(Debug)]
pub struct Engine {
    sample_rate: f64,
    /// Absolute frame of the next frame to render.
    now: u64,
    kits: Vec<Option<Arc<PlayKit>>>,
    /// Slot of the kit that new notes play, and of one that waits until the previous kit has faded out.
    playing: Option<usize>,
    waiting: Option<usize>,
    /// Pads on each note, one bit each.
    notes: KeyMap,
    pads: Vec<PadChannel>,
    voices: VoicePool,
    trims: Trims,
    song: SongPosition,
    buffers: Buffers,
    outputs: Vec<Output>,
    key_parts: [KeyPartChannel; KEY_PARTS],
    key_outputs: Vec<Output>,
    /// Pads that sounded in the last chunk, one bit each.
    sounding: u16,
    main: Output,
    /// Whether the outputs of pads and key parts are stems, which add up to the main output.
    stem_outputs: bool,
    main_busy: bool,
    /// Level trim of the kit, amplitude ratio.
    level: Ramp,
    meters: Arc<Meters>,
}

impl Engine {
    /// Most frames that one call of [`Engine::render`] renders.
    pub const MAX_CHUNK: usize = 256;
    /// Most voices that sound at once: those of the pads, and eight of each key part.
    pub const MAX_VOICES: usize = voice_pool::MAX_VOICES + 8 * KEY_PARTS;

    /// An engine without a kit, at `sample_rate` Hz; allocates everything it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        let trims = Trims::default();
        let ahead = 2 * dsp::limiter::lookahead_frames(sample_rate);
        let chain = ToneChain::new(sample_rate);
        let output = || Output::new(Self::MAX_CHUNK, trims.kit.ceiling_db, sample_rate);
        Self {
            sample_rate,
            now: 0,
            kits: vec![None; KIT_SLOTS],
            playing: None,
            waiting: None,
            notes: KeyMap::EMPTY,
            pads: (0..PADS).map(|p| PadChannel::new(p, &chain, sample_rate)).collect(),
            voices: VoicePool::new(sample_rate, ahead),
            song: SongPosition::new(sample_rate),
            buffers: Buffers::new(Self::MAX_CHUNK, ahead),
            outputs: (0..PADS).map(|_| output()).collect(),
            key_parts: std::array::from_fn(|part| KeyPartChannel::new(part, sample_rate)),
            key_outputs: (0..KEY_PARTS).map(|_| output()).collect(),
            sounding: 0,
            main: output(),
            stem_outputs: false,
            main_busy: false,
            level: Ramp::still(1.0),
            meters: Arc::new(Meters::new(sample_rate)),
            trims,
        }
    }

    /// An engine for rendering offline, where no stage is bypassed: the same sound with less work, since the
    /// loudness of the tone stages is not measured. (A stage that is bypassed is measured from then on.)
    pub fn offline(sample_rate: f64) -> Self {
        let mut engine = Self::new(sample_rate);
        engine.pads.iter_mut().for_each(PadChannel::disable_loudness_matching);
        engine
    }

    /// An engine for trials that are analysed, not heard: like [`Engine::offline`], but takes are read with
    /// short kernels and saturation is only oversampled twice, by short filters.
    pub fn draft(sample_rate: f64) -> Self {
        let mut engine = Self::offline(sample_rate);
        engine.pads.iter_mut().for_each(PadChannel::draft);
        engine
    }

    /// Sample rate, Hz.
    pub fn sample_rate(&self) -> f64 {
        self.sample_rate
    }

    /// The meters that this engine writes.
    pub fn meters(&self) -> Arc<Meters> {
        self.meters.clone()
    }

    /// Silences everything at once and resets all counters: the same notes then give the same samples as in a
    /// new engine with the same kit and trims.
    pub fn reset(&mut self) {
        self.now = 0;
        self.voices.clear();
        self.pads.iter_mut().for_each(PadChannel::reset);
        self.key_parts.iter_mut().for_each(KeyPartChannel::reset);
        self.song = SongPosition::new(self.sample_rate);
        self.level = Ramp::still(self.level.target());
        let (db, on) = (self.trims.kit.ceiling_db, self.trims.kit.ceiling_on);
        for output in self.outputs.iter_mut().chain(&mut self.key_outputs).chain([&mut self.main]) {
            output.set_now(db, on);
            output.peak = 0.0;
            output.clear(0, Self::MAX_CHUNK);
        }
        self.main_busy = false;
        self.sounding = 0;
        self.adopt_waiting();
    }

    /// Takes a kit for this engine's sample rate. Pads that differ from the old kit's fade out within 4 ms; equal
    /// ones play on. The old kit stays in the engine until it is silent: collect it with [`Engine::retired`], or
    /// it is dropped here once the slots are full.
    pub fn set_kit(&mut self, kit: Arc<PlayKit>) {
        let slot = self.free_slot();
        self.kits[slot] = Some(kit);
        self.waiting = Some(slot);
        self.adopt_waiting();
    }

    /// A kit that the engine no longer needs, to be dropped on another thread; `None` when there is none.
    pub fn retired(&mut self) -> Option<Arc<PlayKit>> {
        let slot = (0..KIT_SLOTS).find(|&s| self.kits[s].is_some() && !self.needs(s))?;
        self.kits[slot].take()
    }

    /// Takes new trims; continuous ones are smoothed within 10 ms, mutes and switches are faded. Trims that act on
    /// a trigger (start, attack, length, copies, spread, scatter, width, variation, velocity) apply from the next
    /// trigger on. Values outside their range are clamped.
    pub fn set_trims(&mut self, trims: &Trims) {
        if *trims == self.trims {
            return;
        }
        let mut trims = trims.clone();
        play_slice::clamp_settings(&KIT_TRIMS, &mut trims.kit);
        trims.pads.iter_mut().for_each(|p| play_slice::clamp_settings(&PAD_TRIMS, p));
        // Before the first frame nothing needs to glide.
        let frames = if self.now == 0 { 0 } else { (GLIDE_MS * self.sample_rate / 1000.0) as u32 };
        for pad in &mut self.pads {
            let sound = (&mut self.voices, &mut self.buffers.scratch);
            pad.set_trims(&trims, &self.kits, sound, self.now, frames);
        }
        let solo = trims.pads.iter().any(|p| p.solo);
        self.key_parts.iter_mut().for_each(|part| part.set_solo(solo, self.now, frames));
        let gain = if trims.kit.level_db == 0.0 { 1.0 } else { db_to_gain(trims.kit.level_db) };
        self.level.go(gain, self.now, frames);
        let ceiling = |trims: &Trims| (trims.kit.ceiling_db, trims.kit.ceiling_on);
        let (db, on) = ceiling(&trims);
        if (db, on) != ceiling(&self.trims) {
            let parts = self.key_parts.iter().map(KeyPartChannel::is_busy);
            let busy = self.pads.iter().map(PadChannel::is_busy).chain(parts).chain([self.main_busy]);
            let outputs = self.outputs.iter_mut().chain(&mut self.key_outputs).chain([&mut self.main]);
            for (output, busy) in outputs.zip(busy) {
                if busy && frames > 0 {
                    output.glide(db, on, self.now, frames)
                } else {
                    output.set_now(db, on)
                }
            }
        }
        self.trims = trims;
    }

    /// Bypasses the stages of a pad's tone chain whose bits are set, and only these, at equal loudness; bit 0 is
    /// the first of [`crate::kit::ToneStage`]. The change is faded; a pad that does not exist is ignored.
    pub fn bypass(&mut self, pad: usize, stages: u8) {
        if let Some(pad) = self.pads.get_mut(pad) {
            pad.bypass(stages);
        }
    }

    /// Takes the song position at the next frame.
    pub fn set_transport(&mut self, transport: Transport) {
        self.song.set(transport, self.now);
    }

    /// A key is pressed at the next frame: `note` 0 to 127, `velocity` above 0 to 1 (higher ones are clamped). Other
    /// notes, and velocities of 0 or below and NaN, do nothing.
    pub fn note_on(&mut self, note: u8, velocity: f32) {
        if velocity > 0.0 {
            let transpose_st = self.notes.of(note).1;
            self.for_pads_on(note, |engine, pad| engine.trigger_at(pad, velocity.min(1.0), transpose_st));
        }
    }

    /// Triggers pad 0 to 15 at the next frame, independently of its note; `velocity` 0 to 1. Panics for other pads.
    pub fn trigger(&mut self, pad: usize, velocity: f32) {
        self.trigger_at(pad, velocity, 0.0);
    }

    /// The same, transposed by so many semitones.
    fn trigger_at(&mut self, pad: usize, velocity: f32, transpose_st: f32) {
        self.choke_others(pad);
        let around = (&self.kits[..], &self.trims.kit, &self.song);
        let drawn = self.pads[pad].trigger((velocity, transpose_st), around, &mut self.voices, self.now);
        if let Some(drawn) = drawn {
            self.meters.last_trigger[pad].show(&drawn);
            self.meters.last_cloud[pad].show(&drawn.cloud[..drawn.grains]);
        }
        // what was drawn is there for who sees the count
        self.meters.pad_triggers[pad].fetch_add(1, Release);
    }

    /// A key is released at the next frame; pads that are not held play on.
    pub fn note_off(&mut self, note: u8) {
        self.for_pads_on(note, |engine, pad| {
            let Self { pads, kits, voices, buffers, now, .. } = engine;
            pads[pad].release(kits, voices, &mut buffers.scratch, *now);
        });
    }

    /// Fades out the pads of a note within 4 ms, held or not.
    pub fn choke(&mut self, note: u8) {
        self.for_pads_on(note, |engine, pad| engine.pads[pad].choke(&mut engine.voices, engine.now));
    }

    /// Fades all pads and key parts out within 4 ms.
    pub fn all_off(&mut self) {
        for pad in &mut self.pads {
            pad.choke(&mut self.voices, self.now);
        }
        self.key_parts.iter_mut().for_each(|part| part.all_off(self.now));
    }

    /// Renders the next `frames` frames (at most [`Engine::MAX_CHUNK`]; more are ignored) into the engine's own
    /// buffers.
    pub fn render(&mut self, frames: usize) {
        let frames = frames.min(Self::MAX_CHUNK);
        self.sounding = 0;
        let mut done = 0;
        while done < frames {
            let to_grid = CHECK_INTERVAL - self.now % CHECK_INTERVAL;
            let mut n = (frames - done).min(to_grid as usize);
            if let Some(until) = self.waiting_until() {
                n = n.min(until.saturating_sub(self.now).max(1) as usize);
            }
            self.render_chunk(done, n);
            done += n;
        }
        self.meter(frames);
    }

    /// Main output of the last [`Engine::render`]: left and right, [`Engine::MAX_CHUNK`] frames each, of which the
    /// rendered ones are valid.
    pub fn main(&self) -> [&[f32]; 2] {
        [&self.main.left, &self.main.right]
    }

    /// Output of pad 0 to 15 of the last [`Engine::render`]: left and right, after level, pan, mute and ceiling;
    /// shaped as [`Engine::main`].
    pub fn pad(&self, pad: usize) -> [&[f32]; 2] {
        [&self.outputs[pad].left, &self.outputs[pad].right]
    }

    /// Output of key part 0 or 1 of the last [`Engine::render`], after its level, pan and ceiling; shaped as
    /// [`Engine::main`].
    pub fn key_part(&self, part: usize) -> [&[f32]; 2] {
        [&self.key_outputs[part].left, &self.key_outputs[part].right]
    }

    /// Whether nothing sounds: rendering gives exact zeros until the next trigger.
    pub fn is_silent(&self) -> bool {
        !self.main_busy && !self.sounds()
    }

    fn sounds(&self) -> bool {
        self.pads.iter().any(PadChannel::is_busy) || self.key_parts.iter().any(KeyPartChannel::is_busy)
    }

    fn render_chunk(&mut self, from: usize, n: usize) {
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
                &mut self.voices,
                &mut self.buffers,
                now,
                [&mut output.left[from..to], &mut output.right[from..to]],
                [&mut self.main.left[from..to], &mut self.main.right[from..to]],
            );
            if !(self.stem_outputs && self.trims.pads[p].in_main) {
                output.finish(from, n, now);
            }
        }
        for (part, output) in self.key_parts.iter_mut().zip(&mut self.key_outputs) {
            if !part.is_busy() {
                output.clear(from, n);
                continue;
            }
            any = true;
            part.render(
                &self.kits,
                now,
                [&mut output.left[from..to], &mut output.right[from..to]],
                [&mut self.main.left[from..to], &mut self.main.right[from..to]],
            );
            if !self.stem_outputs {
                output.finish(from, n, now);
            }
        }
        self.main_busy |= any;
        if self.main_busy {
            self.level.scale(now, &mut self.main.left[from..to]);
            self.level.scale(now, &mut self.main.right[from..to]);
            self.main.finish(from, n, now);
        }
        if self.stem_outputs {
            self.share_main(from, n);
        }
        self.now += n as u64;
        self.release_ended();
    }

    /// Frees what has ended before the next frame.
    fn release_ended(&mut self) {
        let check = self.now.is_multiple_of(CHECK_INTERVAL).then_some(CHECK_INTERVAL);
        for (pad, output) in self.pads.iter_mut().zip(&mut self.outputs) {
            if pad.is_busy() {
                pad.release_ended(&mut self.voices, self.now, check);
                if !pad.is_busy() {
                    output.reset();
                }
            }
        }
        for (part, output) in self.key_parts.iter_mut().zip(&mut self.key_outputs) {
            if check.is_some() && part.is_busy() {
                part.check_silence();
                if !part.is_busy() {
                    output.reset();
                }
            }
        }
        if check.is_some() && self.main_busy && !self.sounds() {
            self.main_busy = false;
            self.main.reset();
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
        self.meters.grains.store(self.voices.sounding_grains() as u32, Relaxed);
        let heard = match self.meters.scope.wanted() {
            ScopeSource::Off => return,
            ScopeSource::Main => &self.main,
            ScopeSource::Pad(pad) => &self.outputs[pad],
        };
        self.meters.scope.write(&heard.left[..frames], &heard.right[..frames]);
    }

    fn for_pads_on(&mut self, note: u8, mut act: impl FnMut(&mut Self, usize)) {
        let pads = self.notes.of(note).0;
        (0..PADS).filter(|p| pads & (1 << p) != 0).for_each(|p| act(self, p));
    }

    /// Chokes the other pads of the triggered pad's choke group.
    fn choke_others(&mut self, triggering: usize) {
        let group = self.pads[triggering].choke_group(&self.kits);
        if group == 0 {
            return;
        }
        for p in (0..PADS).filter(|&p| p != triggering) {
            if self.pads[p].choke_group(&self.kits) == group {
                self.pads[p].choke(&mut self.voices, self.now);
            }
        }
    }

    /// Whether the kit in `slot` plays, waits or still sounds.
    fn needs(&self, slot: usize) -> bool {
        self.playing == Some(slot)
            || self.waiting == Some(slot)
            || self.pads.iter().any(|p| p.uses(slot))
            || self.key_parts.iter().any(|p| p.uses(slot))
    }

    fn free_slot(&mut self) -> usize {
        let retired = |s: &usize| !self.needs(*s);
        // A waiting kit that is replaced never sounded: its slot is free as well.
        let free = (0..KIT_SLOTS).find(|&s| self.kits[s].is_none()).or_else(|| (0..KIT_SLOTS).find(retired));
        free.or(self.waiting).unwrap_or(0)
    }

    /// Frame at which the waiting kit can take over; `None` when none waits.
    fn waiting_until(&self) -> Option<u64> {
        self.waiting?;
        self.pads.iter().filter_map(PadChannel::fading_until).max()
    }

    /// Switches to the waiting kit, unless pads still fade out from the previous switch.
    fn adopt_waiting(&mut self) {
        let Some(slot) = self.waiting else { return };
        if self.pads.iter().any(|p| p.fading_until().is_some_and(|end| end > self.now)) {
            return;
        }
        for pad in &mut self.pads {
            pad.release_ended(&mut self.voices, self.now, None);
            pad.adopt(slot, &self.kits, &mut self.voices, self.now);
        }
        for part in &mut self.key_parts {
            part.adopt(slot, &self.kits, self.now);
        }
        self.playing = Some(slot);
        self.waiting = None;
        self.notes = self.kits[slot].as_ref().map_or(KeyMap::EMPTY, |kit| kit.keys);
    }
}
