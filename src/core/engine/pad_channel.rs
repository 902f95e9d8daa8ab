//! The channel of one pad: its voices, the diffusion of its cloud, its tone chain, its level in the mix.
//!
//! A channel has two instances of the pad. A kit that changes the pad fades out the instance that sounds and
//! starts the other one, so that neither settings nor takes ever change for a voice that sounds.

use super::{
    diffuser::Diffuser,
    dsp::math::peak,
    grain::Scratch,
    play_kit::PlayKit,
    play_slice::pan,
    ramp::Ramp,
    tone::{Reductions, ToneChain},
    transport::SongPosition,
    trigger::{Trigger, TriggerResult},
    variation::TriggerCounter,
    voice::MixBus,
    voice_pool::VoicePool,
};
use crate::{
    kit::{Tone, Trims},
    settings::{KitTrims, PadTrims},
    units::ms_to_frames,
};

/// Peaks below this are silence: -120 dBFS. Common practice, no source.
const SILENCE: f32 = 1e-6;
/// Silence after which a pad stops, ms: longer than the gaps in a diffuser's echo.
const SILENCE_BEFORE_STOP_MS: f64 = 80.0;
/// A pitch bend is heard on its frame when the pitch was constant for this long before, ms. One that keeps moving
/// is heard late by the look-ahead.
const BEND_REST_MS: f64 = 20.0;
/// How many times as long as its voices the diffusion of a choked pad fades.
const CHOKED_FADES: u32 = 3;
/// Length of a trim's glide, ms.
pub(super) const GLIDE_MS: f64 = 8.0;

/// The pad as one kit has it.
#[derive(Debug)]
struct Instance {
    /// Slot of its kit.
    kit: Option<usize>,
    voices: Vec<u16>,
    chain: ToneChain,
    diffuser: Diffuser,
    /// Gain that fades to 0 when another kit replaces this one.
    fade: Ramp,
    /// Peak since the last check, and frames of silence up to it.
    peak: f32,
    silent_frames: u64,
    /// Whether it may still sound.
    busy: bool,
    /// Look-ahead of its limiters, frames: its voices are rendered this far ahead.
    ahead: usize,
}

/// The channel of one of the sixteen pads.
#[derive(Debug)]
pub(super) struct PadChannel {
    index: usize,
    instances: [Instance; 2],
    current: usize,
    counter: TriggerCounter,
    trims: PadTrims,
    /// Level and pan trims, left and right.
    gains: [Ramp; 2],
    /// Share sent to the main output, 0 or 1.
    in_main: Ramp,
    cloud_gain: Ramp,
    /// Pitch trims, semitones.
    bend: Ramp,
    /// Frame at which the bend last moved.
    last_bend: Option<u64>,
    sample_rate: f64,
    /// Whether its sounds are measured, not heard.
    draft: bool,
}

/// Buffers shared by all channels, `[channel]` of a stereo pair.
#[derive(Debug)]
pub(super) struct Buffers {
    pub scratch: Scratch,
    /// One voice by itself.
    own: [Vec<f32>; 2],
    /// Layers, later the whole instance.
    dry: [Vec<f32>; 2],
    cloud: [Vec<f32>; 2],
    /// Known frames after `dry` and `cloud`.
    ahead: [Vec<f32>; 2],
    cloud_ahead: [Vec<f32>; 2],
}

impl Buffers {
    /// For blocks of `frames` frames and `ahead` frames of look-ahead.
    pub fn new(frames: usize, ahead: usize) -> Self {
        let pair = |n: usize| [vec![0.0; n], vec![0.0; n]];
        Self {
            scratch: Scratch::default(),
            own: pair(frames),
            dry: pair(frames),
            cloud: pair(frames),
            ahead: pair(ahead),
            cloud_ahead: pair(ahead),
        }
    }
}

/// Kits by slot.
pub(super) type Kits = [Option<std::sync::Arc<PlayKit>>];

impl PadChannel {
    /// The channel of pad `index`; `chain` is a tone chain at `sample_rate` Hz with every stage off. (To copy one takes a
    /// fraction of the time that the filters of a new one take.)
    pub fn new(index: usize, chain: &ToneChain, sample_rate: f64) -> Self {
        let instance = || Instance::new(chain.clone(), sample_rate);
        Self {
            index,
            instances: [instance(), instance()],
            current: 0,
            counter: TriggerCounter::default(),
            trims: PadTrims::default(),
            gains: [Ramp::still(1.0); 2],
            in_main: Ramp::still(1.0),
            cloud_gain: Ramp::still(1.0),
            bend: Ramp::still(0.0),
            last_bend: None,
            sample_rate,
            draft: false,
        }
    }

    /// From now on grains are read with short kernels, and the tone chain works as [`ToneChain::draft`] says.
    pub fn draft(&mut self) {
        self.draft = true;
        self.instances.iter_mut().for_each(|s| s.chain.draft());
    }

    /// See [`ToneChain::disable_loudness_matching`].
    pub fn disable_loudness_matching(&mut self) {
        self.instances.iter_mut().for_each(|s| s.chain.disable_loudness_matching());
    }

    /// Silences it at once and resets its counter; kit and trims stay. The caller clears the voices.
    pub fn reset(&mut self) {
        for instance in &mut self.instances {
            instance.reset();
        }
        self.instances[1 - self.current].kit = None;
        self.counter = TriggerCounter::default();
        self.last_bend = None;
        for ramp in self.gains.iter_mut().chain([&mut self.in_main, &mut self.cloud_gain, &mut self.bend]) {
            *ramp = Ramp::still(ramp.target());
        }
    }

    /// Whether it may sound.
    pub fn is_busy(&self) -> bool {
        self.instances.iter().any(|s| s.busy)
    }

    /// Whether an instance of it needs the kit in `slot`.
    pub fn uses(&self, slot: usize) -> bool {
        self.instances.iter().any(|s| s.kit == Some(slot))
    }

    /// Frame until which the previous instance fades out; `None` when it is free.
    pub fn fading_until(&self) -> Option<u64> {
        let other = &self.instances[1 - self.current];
        other.kit.map(|_| other.fade.end())
    }

    /// Switches to the kit in `slot` at frame `now`. The other instance must be free unless the pad is the same in
    /// both kits.
    pub fn adopt(&mut self, slot: usize, kits: &Kits, pool: &mut VoicePool, now: u64) {
        let Some(kit) = &kits[slot] else { return };
        let old = self.instances[self.current].kit;
        if old.and_then(|o| kits[o].as_ref()).is_some_and(|o| o.same_pad(kit, self.index)) {
            self.instances[self.current].kit = Some(slot);
            return;
        }
        let instance = &mut self.instances[self.current];
        if instance.busy {
            instance.fade.go(0.0, now, pool.fade_frames());
            for &voice in &instance.voices {
                pool.fade(voice, now);
            }
            self.current = 1 - self.current;
        }
        let instance = &mut self.instances[self.current];
        instance.reset();
        instance.kit = Some(slot);
        instance.fade = Ramp::still(1.0);
        self.set_chain_now(kits);
    }

    /// Takes trims; continuous ones glide within `frames`, or jump when it is 0.
    pub fn set_trims(
        &mut self,
        trims: &Trims,
        kits: &Kits,
        (pool, scratch): (&mut VoicePool, &mut Scratch),
        now: u64,
        frames: u32,
    ) {
        let new = trims.pads[self.index];
        let changed = new != self.trims;
        self.trims = new;
        let solo = trims.pads.iter().any(|p| p.solo);
        let audible = !new.mute && (new.solo || !solo);
        let gain = |db: f32| if db == 0.0 { 1.0 } else { crate::units::db_to_gain(db) };
        let level = if audible { gain(new.level_db) } else { 0.0 };
        for (ramp, instance) in self.gains.iter_mut().zip(pan(f64::from(new.pan))) {
            ramp.go(level * instance, now, frames);
        }
        self.in_main.go(if new.in_main { 1.0 } else { 0.0 }, now, frames);
        self.cloud_gain.go(gain(new.cloud_db), now, frames);
        let bend = new.pitch_st + new.fine_ct / 100.0 + trims.kit.pitch_st;
        let moved = bend != self.bend.target();
        if moved {
            // Voices rendered ahead are rendered again with the new pitch.
            let rest = ms_to_frames(BEND_REST_MS, self.sample_rate) as u64;
            let rested = self.last_bend.is_none_or(|at| now >= at + rest);
            for instance in &self.instances {
                let Some(kit) = instance.kit.and_then(|k| kits[k].as_ref()) else { continue };
                for &voice in &instance.voices {
                    if rested {
                        pool.rewind(voice, (kit, &self.bend, now), scratch);
                    }
                    pool.restart_snapshots(voice, now);
                }
            }
            self.last_bend = Some(now);
            self.bend.go(bend, now, frames);
        }
        if changed || moved && self.has_note_bell(kits) {
            let instance = &mut self.instances[self.current];
            if instance.busy && frames > 0 {
                if let Some(kit) = instance.kit.and_then(|k| kits[k].as_ref()) {
                    let pad = &kit.pads[self.index];
                    instance.chain.set(&pad.pad.tone, &self.trims, note_hz(pad.note_hz, self.bend.target()));
                }
            } else {
                self.set_chain_now(kits);
            }
        }
    }

    /// Whether the tone chain has a bell that follows the pitch.
    fn has_note_bell(&self, kits: &Kits) -> bool {
        let kit = self.instances[self.current].kit.and_then(|k| kits[k].as_ref());
        kit.is_some_and(|kit| kit.pads[self.index].pad.tone.note_bell.on)
    }

    /// Bypasses the stages of its tone chain whose bits are set, and only these; bit 0 is the first of
    /// [`crate::kit::ToneStage`].
    pub fn bypass(&mut self, stages: u8) {
        for stage in Tone::ORDER {
            for instance in &mut self.instances {
                instance.chain.bypass(stage, stages & (1 << stage as u8) != 0);
            }
        }
    }

    /// Sets the chain of the current instance at once, while it is silent.
    fn set_chain_now(&mut self, kits: &Kits) {
        let instance = &mut self.instances[self.current];
        if let Some(kit) = instance.kit.and_then(|k| kits[k].as_ref()) {
            let pad = &kit.pads[self.index];
            instance.chain.set_now(&pad.pad.tone, &self.trims, note_hz(pad.note_hz, self.bend.target()));
            instance.ahead = instance.chain.lookahead();
        }
    }

    /// Starts a voice of this velocity, transposed by so many semitones, and returns what was drawn; `None` when the pad
    /// is empty or the pool full.
    pub fn trigger(
        &mut self,
        (velocity, transpose_st): (f32, f32),
        (kits, kit_trims, song): (&Kits, &KitTrims, &SongPosition),
        pool: &mut VoicePool,
        now: u64,
    ) -> Option<TriggerResult> {
        let instance = &mut self.instances[self.current];
        let kit = instance.kit.and_then(|k| kits[k].as_ref())?;
        let trigger = Trigger {
            kit,
            pad: self.index,
            trims: &self.trims,
            kit_trims,
            song,
            bend: &self.bend,
            now,
            sample_rate: self.sample_rate,
            velocity,
            transpose_st,
            ahead: instance.ahead,
            draft: self.draft,
        };
        let (voice, drawn) = trigger.start(&mut self.counter, pool)?;
        instance.diffuser.ring_on(now, pool.fade_frames());
        if instance.voices.len() < instance.voices.capacity() {
            instance.voices.push(voice);
        }
        instance.busy = true;
        instance.silent_frames = 0;
        Some(drawn)
    }

    /// The key is released before frame `now`.
    pub fn release(&mut self, kits: &Kits, pool: &mut VoicePool, scratch: &mut Scratch, now: u64) {
        let instance = &self.instances[self.current];
        let Some(kit) = instance.kit.and_then(|k| kits[k].as_ref()) else { return };
        for &voice in &instance.voices {
            if pool.is_held(voice) {
                pool.rewind(voice, (kit, &self.bend, now), scratch);
                pool.release(voice);
                pool.restart_snapshots(voice, now);
            }
        }
    }

    /// Fades all voices out, and what rings in the diffusion.
    pub fn choke(&mut self, pool: &mut VoicePool, now: u64) {
        let instance = &mut self.instances[self.current];
        instance.voices.iter().for_each(|&v| pool.fade(v, now));
        instance.diffuser.fade_out(now, CHOKED_FADES * pool.fade_frames());
    }

    /// Largest gain reductions of the current instance since the last call.
    pub fn take_reductions(&mut self) -> Reductions {
        self.instances[self.current].chain.take_reductions()
    }

    /// The pad's choke group; 0 is none.
    pub fn choke_group(&self, kits: &Kits) -> u8 {
        let kit = self.instances[self.current].kit.and_then(|k| kits[k].as_ref());
        kit.map_or(0, |k| k.pads[self.index].pad.settings.choke_group)
    }

    /// Writes the next frames, after level and pan but before any ceiling, to `out`, and adds them to `main` if the
    /// pad is sent there; left and right.
    pub fn render(
        &mut self,
        kits: &Kits,
        pool: &mut VoicePool,
        buffers: &mut Buffers,
        now: u64,
        out: [&mut [f32]; 2],
        main: [&mut [f32]; 2],
    ) {
        let n = out[0].len();
        let [left, right] = out;
        left.fill(0.0);
        right.fill(0.0);
        for instance in &mut self.instances {
            let Some(kit) = instance.kit.and_then(|k| kits[k].as_ref()).filter(|_| instance.busy) else {
                continue;
            };
            let trims = (&self.bend, &self.cloud_gain);
            instance.render((kit, self.index), trims, pool, buffers, now, n);
            let gains = kit.pads[self.index].gains;
            for ((out, dry), gain) in [&mut *left, &mut *right].into_iter().zip(&mut buffers.dry).zip(gains) {
                let dry = &mut dry[..n];
                if gain != 1.0 {
                    dry.iter_mut().for_each(|x| *x *= gain);
                }
                instance.fade.add_scaled(now, dry, out);
            }
        }
        self.gains[0].scale(now, left);
        self.gains[1].scale(now, right);
        let [main_left, main_right] = main;
        self.in_main.add_scaled(now, left, main_left);
        self.in_main.add_scaled(now, right, main_right);
    }

    /// After the frames before `now`: frees what has ended. Every `check_every` frames, else `None`, it also stops
    /// instances that have been silent for long enough.
    pub fn release_ended(&mut self, pool: &mut VoicePool, now: u64, check_every: Option<u64>) {
        for (s, instance) in self.instances.iter_mut().enumerate() {
            instance.voices.retain(|&v| !pool.free_if_ended(v, now, check_every.is_some()));
            if s != self.current && instance.kit.is_some() && (!instance.busy || instance.fade.end() <= now) {
                instance.voices.iter().for_each(|&v| pool.end_now(v));
                instance.reset();
                instance.kit = None;
            }
            if let Some(frames) = check_every.filter(|_| instance.busy) {
                instance
                    .stop_if_silent(frames, ms_to_frames(SILENCE_BEFORE_STOP_MS, self.sample_rate) as u64);
            }
        }
    }
}

/// The first `n` frames of both channels, set to 0.
fn silent(buffers: &mut [Vec<f32>; 2], n: usize) -> [&mut [f32]; 2] {
    let [left, right] = buffers;
    let pair = [&mut left[..n], &mut right[..n]];
    pair.map(|channel| {
        channel.fill(0.0);
        channel
    })
}

/// The fundamental after the trims' pitch, Hz.
fn note_hz(hz: Option<f32>, bend: f32) -> Option<f32> {
    hz.map(|hz| hz * libm::exp2f(bend / 12.0))
}

impl Instance {
    fn new(chain: ToneChain, sample_rate: f64) -> Self {
        Self {
            kit: None,
            voices: Vec::with_capacity(128),
            chain,
            diffuser: Diffuser::new(sample_rate),
            fade: Ramp::still(1.0),
            peak: 0.0,
            silent_frames: 0,
            busy: false,
            ahead: 0,
        }
    }

    /// Stops and forgets all state.
    fn reset(&mut self) {
        self.chain.reset();
        self.stop();
    }

    /// Stops; the loudness measured by the tone chain is kept for the next trigger.
    fn stop(&mut self) {
        self.voices.clear();
        self.chain.rest();
        self.diffuser.clear();
        self.peak = 0.0;
        self.silent_frames = 0;
        self.busy = false;
    }

    /// Renders the instance's next `n` frames, through its tone chain, into `buffers.dry`.
    fn render(
        &mut self,
        (kit, index): (&PlayKit, usize),
        (bend, cloud_gain): (&Ramp, &Ramp),
        pool: &mut VoicePool,
        buffers: &mut Buffers,
        now: u64,
        n: usize,
    ) {
        let lookahead = self.ahead;
        let Buffers { scratch, own, dry, cloud, ahead, cloud_ahead } = buffers;
        let mut layers = MixBus { now: silent(dry, n), ahead: silent(ahead, lookahead) };
        let mut clouds = MixBus { now: silent(cloud, n), ahead: silent(cloud_ahead, lookahead) };
        let mut clouded = self.diffuser.busy;
        for &voice in &self.voices {
            clouded |= pool.has_cloud(voice);
            pool.mix(voice, (kit, bend, now), scratch, own, [&mut layers, &mut clouds]);
        }
        let [l, r] = layers.now;
        let [al, ar] = layers.ahead;
        if clouded {
            let [cl, cr] = clouds.now;
            let diffusion = kit.pads[index].pad.cloud.diffusion;
            if diffusion > 0.0 {
                self.diffuser.process(diffusion, now, [&mut *cl, &mut *cr]);
            }
            cloud_gain.add_scaled(now, cl, l);
            cloud_gain.add_scaled(now, cr, r);
            let [fl, fr] = clouds.ahead;
            if diffusion > 0.0 {
                self.diffuser.peek(diffusion, now + n as u64, [&mut *fl, &mut *fr]);
            }
            cloud_gain.add_scaled(now + n as u64, fl, al);
            cloud_gain.add_scaled(now + n as u64, fr, ar);
        }
        self.chain.process(l, r, [al, ar]);
        let peak = peak([l, r]);
        if peak.is_finite() {
            self.peak = self.peak.max(peak);
        } else {
            // NaN or infinity: silenced, and removed from all states.
            l.fill(0.0);
            r.fill(0.0);
            self.chain.reset();
            self.diffuser.clear();
        }
    }

    /// Stops once nothing sounds and no state is left, or after `limit` frames of silence; called every `frames`.
    fn stop_if_silent(&mut self, frames: u64, limit: u64) {
        let silent = std::mem::take(&mut self.peak) < SILENCE && self.voices.is_empty();
        self.silent_frames = if silent { self.silent_frames + frames } else { 0 };
        let empty = self.voices.is_empty() && self.chain.is_idle() && !self.diffuser.busy;
        if empty || self.silent_frames >= limit {
            self.stop();
        }
    }
}
