//! The voices that sound and their grains: fixed pools, linked by index. The quietest voice is stolen with a fade.

use super::{
    grain::{GRAIN_BLOCK, Grain, GrainContext, Scratch},
    play_kit::PlayKit,
    ramp::Ramp,
    voice::{GrainSlot, LookAhead, MixBus, NONE, Ring, Voice, VoicePart},
};
use crate::units::ms_to_frames;

/// Most voices that sound, not counting those that fade out.
pub(super) const MAX_VOICES: usize = 64;
/// Most cloud grains that sound or wait, not counting those that fade out.
pub(super) const MAX_CLOUD_GRAINS: usize = 768;
/// Voices that may fade out at once.
const FADING_VOICES: usize = 64;
/// Most grains that sound, those that fade out included.
const MAX_GRAINS: usize = MAX_VOICES * crate::kit::LAYERS + MAX_CLOUD_GRAINS + 512;
/// Grains rendered to their end ahead of the output, which wait there.
const ENDED_GRAINS: usize = MAX_GRAINS;
/// Fade of voices that are stolen, choked or replaced, ms.
pub(super) const STEAL_FADE_MS: f64 = 4.0;

/// Every voice and grain of an engine.
#[derive(Debug)]
pub(super) struct VoicePool {
    pub voices: Vec<Voice>,
    pub grains: Vec<GrainSlot>,
    /// Each grain as it was at its voice's two marks; see `lookahead`.
    pub snapshots: Vec<[Grain; 2]>,
    /// First free grain slot.
    free: u16,
    /// Grains that sound. A rewind may bring ended ones back, so this may pass [`MAX_GRAINS`] for a moment.
    sounding: usize,
    fade_frames: u32,
    /// Frames rendered ahead, by voice.
    pub rings: Vec<Ring>,
}

impl VoicePool {
    /// For voices with at most `max_ahead` frames of look-ahead.
    pub fn new(sample_rate: f64, max_ahead: usize) -> Self {
        let ring = || vec![0.0; max_ahead + GRAIN_BLOCK];
        let mut new = Self {
            voices: vec![Voice::IDLE; MAX_VOICES + FADING_VOICES],
            grains: Vec::with_capacity(MAX_GRAINS + ENDED_GRAINS),
            snapshots: Vec::with_capacity(MAX_GRAINS + ENDED_GRAINS),
            free: NONE,
            sounding: 0,
            fade_frames: ms_to_frames(STEAL_FADE_MS, sample_rate).round() as u32,
            rings: (0..MAX_VOICES + FADING_VOICES)
                .map(|_| std::array::from_fn(|_| std::array::from_fn(|_| ring())))
                .collect(),
        };
        new.clear();
        new
    }

    /// Ends every voice at once.
    pub fn clear(&mut self) {
        self.voices.iter_mut().for_each(|v| v.active = false);
        // Slots are made when first needed: a fresh engine touches no memory of those it never uses.
        self.grains.clear();
        self.snapshots.clear();
        self.free = NONE;
        self.sounding = 0;
    }

    /// A voice without grains that starts at frame `now` with `ahead` frames of look-ahead; `None` only when more
    /// than [`FADING_VOICES`] fade at once.
    pub fn start(&mut self, held: bool, ahead: usize, now: u64) -> Option<u16> {
        let id = self.voices.iter().position(|v| !v.active)?;
        self.voices[id] = Voice { held, lookahead: LookAhead::new(ahead, now), active: true, ..Voice::IDLE };
        Some(id as u16)
    }

    /// Adds a grain to a voice; `false` when the pool is full.
    pub fn add(&mut self, voice: u16, part: VoicePart, grain: Grain) -> bool {
        let full = self.free == NONE && self.grains.len() == MAX_GRAINS + ENDED_GRAINS;
        if self.sounding >= MAX_GRAINS || full {
            return false;
        }
        let slot = GrainSlot { grain, next: NONE, over: u64::MAX };
        let id = if self.free == NONE {
            self.grains.push(slot);
            self.snapshots.push([grain; 2]);
            (self.grains.len() - 1) as u16
        } else {
            let id = self.free;
            self.free = self.grains[id as usize].next;
            self.grains[id as usize] = slot;
            self.snapshots[id as usize] = [grain; 2];
            id
        };
        let first = self.voices[voice as usize].first_mut(part);
        self.grains[id as usize].next = std::mem::replace(first, id);
        self.count(voice, part, true);
        true
    }

    /// Updates the counts when a grain of a voice begins to sound, or ends.
    pub fn count(&mut self, voice: u16, part: VoicePart, begins: bool) {
        let v = &mut self.voices[voice as usize];
        let step = |n: u16| if begins { n + 1 } else { n - 1 };
        v.alive = step(v.alive);
        if part == VoicePart::Cloud {
            v.cloud_count = step(v.cloud_count);
        }
        self.sounding = if begins { self.sounding + 1 } else { self.sounding - 1 };
    }

    /// Adds the next frames of a voice without look-ahead to the buses; frees grains that ended.
    pub fn mix_direct<'a>(
        &mut self,
        voice: u16,
        context: (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        own: &mut [Vec<f32>; 2],
        buses: [&mut MixBus<'a>; 2],
    ) {
        let v = self.voices[voice as usize];
        for (part, bus) in VoicePart::ALL.into_iter().zip(buses) {
            if self.first(voice, part) == NONE {
                continue;
            }
            let [left, right] = &mut bus.now;
            let Some(fade) = v.fade else {
                self.render_grains(voice, part, context, scratch, [left, right]);
                continue;
            };
            let n = left.len();
            let [a, b] = own;
            let (a, b) = (&mut a[..n], &mut b[..n]);
            a.fill(0.0);
            b.fill(0.0);
            self.render_grains(voice, part, context, scratch, [a, b]);
            fade.add_scaled(context.2, a, left);
            fade.add_scaled(context.2, b, right);
        }
    }

    /// First grain of a part of a voice.
    pub fn first(&self, voice: u16, part: VoicePart) -> u16 {
        self.voices[voice as usize].first(part)
    }

    /// Adds the next frames of a voice's grains, the first of which is the absolute frame `now`.
    pub fn render_grains(
        &mut self,
        voice: u16,
        part: VoicePart,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        [left, right]: [&mut [f32]; 2],
    ) {
        let waits = self.voices[voice as usize].lookahead.ahead > 0;
        let end = now + left.len() as u64;
        let mut some_ended = false;
        let mut link = self.first(voice, part);
        while link != NONE {
            let slot = &mut self.grains[link as usize];
            let next = slot.next;
            if slot.over == u64::MAX {
                let context = GrainContext { channels: kit.channels(slot.grain.source()), bend, now };
                slot.grain.add_to(&context, scratch, [left, right]);
                if slot.grain.is_done() {
                    slot.over = end;
                    some_ended = true;
                    self.count(voice, part, false);
                }
            }
            link = next;
        }
        if some_ended && !waits {
            self.free_ended(voice, part, end);
        }
    }

    /// Frees the grains of a voice that are silent from frame `now` on.
    pub fn free_ended(&mut self, voice: u16, part: VoicePart, now: u64) {
        let mut link = self.first(voice, part);
        let (mut kept, mut last) = (NONE, NONE);
        while link != NONE {
            let slot = &mut self.grains[link as usize];
            let next = slot.next;
            if slot.over <= now {
                slot.next = self.free;
                self.free = link;
            } else {
                if last == NONE {
                    kept = link;
                } else {
                    self.grains[last as usize].next = link;
                }
                last = link;
            }
            link = next;
        }
        if last != NONE {
            self.grains[last as usize].next = NONE;
        }
        *self.voices[voice as usize].first_mut(part) = kept;
    }

    /// After the frames before `now`: frees a voice that has ended; `true` when it has. The ring of a voice with
    /// look-ahead is only checked when `check` says that `now` lies on the grid of checks, so that the result
    /// does not depend on the chunks.
    pub fn free_if_ended(&mut self, voice: u16, now: u64, check: bool) -> bool {
        let v = &self.voices[voice as usize];
        if v.fade.is_some_and(|f| f.end() <= now) {
            self.end_now(voice);
            return true;
        }
        let v = &mut self.voices[voice as usize];
        if v.alive > 0 {
            return false;
        }
        if v.lookahead.ahead == 0 {
            v.active = false;
        } else if check {
            let since = *v.drained_since.get_or_insert(now);
            v.active = now < since + v.lookahead.ahead as u64;
        }
        if !self.voices[voice as usize].active {
            self.free_grains(voice);
            return true;
        }
        false
    }

    fn free_grains(&mut self, voice: u16) {
        for part in VoicePart::ALL {
            let mut link = self.first(voice, part);
            while link != NONE {
                let slot = &mut self.grains[link as usize];
                let (next, sounds) = (slot.next, slot.over == u64::MAX);
                slot.next = self.free;
                self.free = link;
                if sounds {
                    self.count(voice, part, false);
                }
                link = next;
            }
        }
        let v = &mut self.voices[voice as usize];
        (v.layers, v.cloud) = (NONE, NONE);
    }

    /// Fades a voice out from frame `now` on.
    pub fn fade(&mut self, voice: u16, now: u64) {
        let v = &mut self.voices[voice as usize];
        if v.fade.is_none() {
            v.fade = Some(Ramp::between(1.0, 0.0, now, self.fade_frames));
        }
    }

    /// Ends a voice at once; only for voices that are not heard.
    pub fn end_now(&mut self, voice: u16) {
        self.free_grains(voice);
        self.voices[voice as usize].active = false;
    }

    /// Length of every fade, frames.
    pub fn fade_frames(&self) -> u32 {
        self.fade_frames
    }

    /// Whether cloud grains of a voice sound or wait.
    pub fn has_cloud(&self, voice: u16) -> bool {
        let v = &self.voices[voice as usize];
        // A ring may hold the last frames of grains that have ended.
        v.cloud_count > 0 || v.lookahead.ahead > 0
    }

    /// The key is released before the next frame. The envelopes release where the grains are: rewind a voice with
    /// look-ahead first.
    pub fn release(&mut self, voice: u16) {
        let v = &mut self.voices[voice as usize];
        if !std::mem::take(&mut v.held) {
            return;
        }
        for first in [v.layers, v.cloud] {
            let mut link = first;
            while link != NONE {
                let slot = &mut self.grains[link as usize];
                slot.grain.release();
                link = slot.next;
            }
        }
    }

    /// Whether the voice waits for its key to be released.
    pub fn is_held(&self, voice: u16) -> bool {
        self.voices[voice as usize].held
    }

    /// Makes room for one more voice with so many cloud grains: fades the quietest voices until it fits.
    pub fn make_room(&mut self, cloud_grains: usize, now: u64) {
        loop {
            let active = || self.voices.iter().enumerate().filter(|(_, v)| v.active && v.fade.is_none());
            let sounding: usize = active().map(|(_, v)| usize::from(v.cloud_count)).sum();
            let too_many_voices = active().count() >= MAX_VOICES;
            if !too_many_voices && (cloud_grains == 0 || sounding + cloud_grains <= MAX_CLOUD_GRAINS) {
                return;
            }
            let quietest = active()
                .filter(|(_, v)| too_many_voices || v.cloud_count > 0)
                .map(|(id, _)| (self.loudness(id as u16), id as u16))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, id)) = quietest else { return };
            self.fade(id, now);
        }
    }

    /// Peak of the loudest grain of a voice.
    fn loudness(&self, voice: u16) -> f32 {
        let v = &self.voices[voice as usize];
        let mut loudest = 0.0_f32;
        for first in [v.layers, v.cloud] {
            let mut link = first;
            while link != NONE {
                let slot = &self.grains[link as usize];
                if slot.over == u64::MAX {
                    loudest = loudest.max(slot.grain.loudness());
                }
                link = slot.next;
            }
        }
        loudest
    }

    /// Grains that sound.
    pub fn sounding_grains(&self) -> usize {
        self.sounding
    }
}
