//! Key parts: hits played over the keyboard, each on a MIDI channel of its own.
//!
//! | module | contents |
//! | --- | --- |
//! | `prepared` | a part checked, its loop levelled and crossfaded; made off the audio thread |
//! | `voice` | one key that sounds |
//!
//! A part's voices are summed, cut below and above, and mixed into the main output before its ceiling. A kit that
//! changes how a part is played changes it while it sounds; one that changes what is played fades its voices out.

mod prepared;
mod voice;

pub(super) use prepared::PlayKeyPart;

use super::{
    dsp::svf::{Pass, Steepness, Svf},
    pad_channel::{GLIDE_MS, Kits},
    ramp::Ramp,
};
use crate::{
    kit::{KEY_PART, KeyPartSettings},
    settings::setting,
    units::ms_to_frames,
};
use voice::{BLOCK, KeyVoice};

/// Voices of a part: eight that sound, and as many that fade out.
const VOICES: usize = 16;
/// Fade-out of a voice that is stolen, choked or replaced, ms; the pads' is as long.
const FADE_MS: f64 = 4.0;
/// Peaks below this are silence: -120 dBFS, as in the pads.
const SILENCE: f32 = 1e-6;
/// Frames between two changes of a cut that moves; they lie at multiples of it, whatever the blocks.
const CUT_STEP: u64 = 16;
/// Resonance of the cuts: flat.
const FLAT_Q: f32 = std::f32::consts::FRAC_1_SQRT_2;

/// The channel of one key part.
#[derive(Debug)]
pub(super) struct KeyPartChannel {
    index: usize,
    sample_rate: f64,
    /// Slot of the kit that new keys play.
    kit: Option<usize>,
    voices: [KeyVoice; VOICES],
    held: HeldKeys,
    cuts: [Cut; 2],
    /// Level and pan, left and right.
    gains: [Ramp; 2],
    /// 0 while pads are soloed.
    audible: Ramp,
    busy: bool,
    /// Peak since the last check for silence.
    peak: f32,
}

/// Keys that are down, the last one pressed last.
#[derive(Debug)]
struct HeldKeys {
    keys: [u8; 128],
    count: usize,
}

/// A cut that can move.
#[derive(Debug)]
struct Cut {
    filter: Svf,
    /// Cutoff, octaves over 1 Hz.
    octaves: Ramp,
    /// Whether it has been needed since the part was silent.
    on: bool,
    setting: &'static str,
}

impl KeyPartChannel {
    pub fn new(index: usize, sample_rate: f64) -> Self {
        Self {
            index,
            sample_rate,
            kit: None,
            voices: [KeyVoice::idle(sample_rate); VOICES],
            held: HeldKeys { keys: [0; 128], count: 0 },
            cuts: [
                Cut::new(Pass::High, "low_cut_hz", sample_rate),
                Cut::new(Pass::Low, "high_cut_hz", sample_rate),
            ],
            gains: [Ramp::still(1.0); 2],
            audible: Ramp::still(1.0),
            busy: false,
            peak: 0.0,
        }
    }

    /// Whether it may sound.
    pub fn is_busy(&self) -> bool {
        self.busy
    }

    /// Whether it plays the kit in `slot`, or a voice of it still sounds.
    pub fn uses(&self, slot: usize) -> bool {
        self.kit == Some(slot) || self.voices.iter().any(|v| v.active && v.slot == slot)
    }

    /// Whether it plays this key of MIDI channel 0 to 15 in place of the pads.
    pub fn answers(&self, kits: &Kits, channel: u8, key: u8) -> bool {
        self.part(kits).is_some_and(|part| part.part.answers(channel, key))
    }

    /// Silences it at once.
    pub fn reset(&mut self) {
        self.voices.iter_mut().for_each(|v| v.active = false);
        self.held.count = 0;
        self.audible = Ramp::still(self.audible.target());
        self.gains = self.gains.map(|g| Ramp::still(g.target()));
        self.rest();
    }

    fn rest(&mut self) {
        (self.busy, self.peak) = (false, 0.0);
        self.cuts.iter_mut().for_each(Cut::rest);
    }

    /// Plays the kit in `slot` from frame `now` on.
    pub fn adopt(&mut self, slot: usize, kits: &Kits, now: u64) {
        let old = self.part(kits);
        let new = part_of(kits, slot, self.index);
        let (goes_on, same_keys) = match (old, new) {
            (Some(old), Some(new)) => (old.same_source(new), old.same_keys(new)),
            _ => (false, false),
        };
        if !(goes_on && same_keys) {
            self.all_off(now);
        }
        self.kit = Some(slot);
        let Some(part) = part_of(kits, slot, self.index) else { return };
        for voice in self.voices.iter_mut().filter(|v| v.is_heard()) {
            voice.slot = slot;
            voice.retune(part, self.sample_rate);
        }
        let frames = if self.busy { self.frames(GLIDE_MS) } else { 0 };
        for (ramp, gain) in self.gains.iter_mut().zip(part.gains) {
            ramp.go(gain, now, frames);
        }
        for cut in &mut self.cuts {
            cut.set(&part.settings, now, frames);
        }
    }

    /// Whether pads are soloed, which silences the part.
    pub fn set_solo(&mut self, solo: bool, now: u64, frames: u32) {
        self.audible.go(if solo { 0.0 } else { 1.0 }, now, frames);
    }

    /// A key is pressed at frame `now`; `velocity` above 0 to 1.
    pub fn note_on(&mut self, kits: &Kits, key: u8, velocity: f32, now: u64) {
        let Some((slot, part)) = self.kit.and_then(|slot| Some((slot, part_of(kits, slot, self.index)?)))
        else {
            return;
        };
        self.held.press(key);
        let frames = self.frames(f64::from(part.settings.glide_ms));
        if part.settings.mono {
            let held = self.voices.iter_mut().find(|v| v.is_heard() && !v.released);
            if let (Some(voice), true) = (held, frames > 0) {
                voice.slide(part, key, now, frames, self.sample_rate);
                return;
            }
            self.fade_all(now);
        } else {
            self.voices
                .iter_mut()
                .filter(|v| v.is_heard() && v.key == key && !v.released)
                .for_each(KeyVoice::release);
            self.make_room(usize::from(part.settings.voices), now);
        }
        let place = self.free_place();
        self.voices[place] = KeyVoice::start((part, slot), key, velocity, now, self.sample_rate);
        self.busy = true;
    }

    /// A key is let go at frame `now`; returns whether it was held here.
    pub fn note_off(&mut self, kits: &Kits, key: u8, now: u64) -> bool {
        if !self.held.let_go(key) {
            return false;
        }
        let Some(part) = self.part(kits) else { return true };
        let back_to = self.held.last().filter(|_| part.settings.mono);
        let frames = self.frames(f64::from(part.settings.glide_ms));
        for voice in self.voices.iter_mut().filter(|v| v.is_heard() && v.key == key && !v.released) {
            match back_to {
                Some(key) => voice.slide(part, key, now, frames, self.sample_rate),
                None => voice.release(),
            }
        }
        true
    }

    /// Fades out the voices of a key, held or not.
    pub fn choke(&mut self, key: u8, now: u64) {
        self.held.let_go(key);
        let frames = self.frames(FADE_MS);
        self.voices.iter_mut().filter(|v| v.key == key).for_each(|v| v.fade_out(now, frames));
    }

    /// Fades everything out; no key is held any more.
    pub fn all_off(&mut self, now: u64) {
        self.held.count = 0;
        self.fade_all(now);
    }

    /// Renders the frames of `own`, left and right, the first of which is the absolute frame `now`, and adds them to
    /// `main`.
    pub fn render(&mut self, kits: &Kits, now: u64, own: [&mut [f32]; 2], main: [&mut [f32]; 2]) {
        let [left, right] = own;
        left.fill(0.0);
        right.fill(0.0);
        for at in (0..left.len()).step_by(BLOCK) {
            let to = (at + BLOCK).min(left.len());
            let frame = now + at as u64;
            for voice in self.voices.iter_mut().filter(|v| v.active) {
                match part_of(kits, voice.slot, self.index) {
                    Some(part) => {
                        let out = [&mut left[at..to], &mut right[at..to]];
                        voice.render(part, frame, self.sample_rate, out);
                    }
                    None => voice.active = false,
                }
            }
        }
        for cut in &mut self.cuts {
            cut.process(now, left, right);
        }
        let loudest = |s: &[f32]| s.iter().fold(0.0_f32, |p, x| p.max(x.abs()));
        self.peak = self.peak.max(loudest(left)).max(loudest(right));
        for ((own, main), gain) in [left, right].into_iter().zip(main).zip(&self.gains) {
            gain.scale(now, own);
            self.audible.scale(now, own);
            main.iter_mut().zip(own).for_each(|(y, x)| *y += *x);
        }
    }

    /// Called at the frames of the checks for silence: rests when nothing has sounded since the last one.
    pub fn check_silence(&mut self) {
        let peak = std::mem::take(&mut self.peak);
        if self.busy && peak < SILENCE && self.voices.iter().all(|v| !v.active) {
            self.rest();
        }
    }

    /// Lets voices fade until no more than `voices - 1` sound: released ones first, then the oldest.
    fn make_room(&mut self, voices: usize, now: u64) {
        let frames = self.frames(FADE_MS);
        while self.voices.iter().filter(|v| v.is_heard()).count() >= voices.max(1) {
            let heard = self.voices.iter_mut().filter(|v| v.is_heard());
            let Some(oldest) = heard.min_by_key(|v| (!v.released, v.started)) else { return };
            oldest.fade_out(now, frames);
        }
    }

    /// A place for a new voice: a free one, or that of the voice that has sounded longest of those that fade.
    fn free_place(&self) -> usize {
        let places = self.voices.iter().enumerate();
        places.min_by_key(|(_, v)| (v.active, v.is_heard(), v.started)).map_or(0, |(place, _)| place)
    }

    fn fade_all(&mut self, now: u64) {
        let frames = self.frames(FADE_MS);
        self.voices.iter_mut().for_each(|v| v.fade_out(now, frames));
    }

    fn part<'a>(&self, kits: &'a Kits) -> Option<&'a PlayKeyPart> {
        part_of(kits, self.kit?, self.index)
    }

    fn frames(&self, ms: f64) -> u32 {
        ms_to_frames(ms, self.sample_rate).round() as u32
    }
}

fn part_of(kits: &Kits, slot: usize, index: usize) -> Option<&PlayKeyPart> {
    kits.get(slot)?.as_ref()?.key_parts[index].as_ref()
}

impl HeldKeys {
    fn press(&mut self, key: u8) {
        self.let_go(key);
        if let Some(place) = self.keys.get_mut(self.count) {
            *place = key;
            self.count += 1;
        }
    }

    /// Returns whether the key was held.
    fn let_go(&mut self, key: u8) -> bool {
        let Some(at) = self.keys[..self.count].iter().position(|&k| k == key) else { return false };
        self.keys.copy_within(at + 1..self.count, at);
        self.count -= 1;
        true
    }

    fn last(&self) -> Option<u8> {
        self.count.checked_sub(1).map(|last| self.keys[last])
    }
}

impl Cut {
    fn new(pass: Pass, setting: &'static str, sample_rate: f64) -> Self {
        Self {
            filter: Svf::new(pass, Steepness::Twelve, sample_rate),
            octaves: Ramp::still(0.0),
            on: false,
            setting,
        }
    }

    /// Moves to what the settings say, within `frames` from frame `now` on. Switched off it moves to the end of its
    /// range, and is left out once the part is silent.
    fn set(&mut self, settings: &KeyPartSettings, now: u64, frames: u32) {
        let table = setting(&KEY_PART, self.setting);
        let hz = (table.get)(settings);
        self.octaves.go(libm::log2f(hz), now, frames);
        self.on |= hz != table.default;
    }

    fn rest(&mut self) {
        self.filter.reset();
        self.octaves = Ramp::still(self.octaves.target());
        let off = libm::log2f(setting(&KEY_PART, self.setting).default);
        self.on = self.octaves.target() != off;
    }

    fn process(&mut self, now: u64, left: &mut [f32], right: &mut [f32]) {
        if !self.on {
            return;
        }
        let mut at = 0;
        while at < left.len() {
            let frame = now + at as u64;
            let step = frame - frame % CUT_STEP;
            let rest = left.len() - at;
            let frames =
                if step > self.octaves.end() { rest } else { rest.min((step + CUT_STEP - frame) as usize) };
            self.filter.set(libm::exp2f(self.octaves.at(step)), FLAT_Q);
            self.filter.process(&mut left[at..at + frames], &mut right[at..at + frames]);
            at += frames;
        }
    }
}
