//! One key of a key part that sounds.

use super::prepared::{PlayKeyPart, SourceRegion};
use crate::{
    engine::{
        dsp::{
            envelope::{AmpEnvelope, Entry, EnvelopeShape, Hold},
            reader::{Reader, Step},
        },
        ramp::Ramp,
    },
    kit::KeyPartSettings,
    units::{db_to_gain, ms_to_frames, st_to_ratio},
};

/// Frames that a voice renders at once, at most.
pub(super) const BLOCK: usize = 64;
/// A slice without a loop fades out over its last milliseconds.
const END_FADE_MS: f64 = 2.0;
/// Falls with velocity as a layer does: the power of a velocity at a setting of 1.
const VELOCITY_POWER: f64 = 2.0;

/// A key that sounds.
#[derive(Debug, Clone, Copy)]
pub(super) struct KeyVoice {
    pub active: bool,
    /// Slot of the kit that it plays.
    pub slot: usize,
    pub key: u8,
    /// Absolute frame at which it began.
    pub started: u64,
    /// Whether its key was let go.
    pub released: bool,
    /// Whether it fades out at once.
    pub fading: bool,
    /// Velocity and the slice's gain, amplitude ratio.
    gain: f32,
    reader: Reader,
    region: SourceRegion,
    /// Source frames per output frame, the glide left out.
    ratio: f64,
    /// What is left of a glide, semitones.
    glide: Ramp,
    envelope: AmpEnvelope,
    fade: Ramp,
}

impl KeyVoice {
    /// A voice that does not sound.
    pub fn idle(sample_rate: f64) -> Self {
        Self {
            active: false,
            slot: 0,
            key: 0,
            started: 0,
            released: false,
            fading: false,
            gain: 0.0,
            reader: Reader::new(0.0),
            region: SourceRegion::Hit,
            ratio: 1.0,
            glide: Ramp::still(0.0),
            envelope: AmpEnvelope::new(
                shape(&KeyPartSettings::default()),
                Hold::Key,
                Entry::Whole,
                sample_rate,
            ),
            fade: Ramp::still(1.0),
        }
    }

    /// A key pressed at frame `now`, `velocity` above 0 to 1.
    pub fn start(
        (part, slot): (&PlayKeyPart, usize),
        key: u8,
        velocity: f32,
        now: u64,
        sample_rate: f64,
    ) -> Self {
        let s = &part.settings;
        let (region, position) = part.first_position();
        let entry = if s.start_ms > 0.0 { Entry::Cut } else { Entry::Whole };
        let power = VELOCITY_POWER * f64::from(s.velocity_level);
        let velocity = libm::pow(f64::from(velocity), power) as f32;
        Self {
            active: true,
            slot,
            key,
            started: now,
            gain: velocity * db_to_gain(part.slice.gain_db),
            reader: Reader::new(position),
            region,
            ratio: part.ratio(key, sample_rate),
            envelope: AmpEnvelope::new(shape(s), Hold::Key, entry, sample_rate),
            ..Self::idle(sample_rate)
        }
    }

    /// Whether it counts as one of the voices that sound.
    pub fn is_heard(&self) -> bool {
        self.active && !self.fading
    }

    /// The key is let go.
    pub fn release(&mut self) {
        self.released = true;
        self.envelope.release();
    }

    /// Fades out within so many frames from frame `now` on.
    pub fn fade_out(&mut self, now: u64, frames: u32) {
        if self.is_heard() {
            self.fading = true;
            self.fade.go(0.0, now, frames);
        }
    }

    /// Slides to another key within so many frames from frame `now` on.
    pub fn slide(&mut self, part: &PlayKeyPart, key: u8, now: u64, frames: u32, sample_rate: f64) {
        let left = if self.glide.moves(now) { self.glide.at(now) } else { 0.0 };
        let from = left + f32::from(self.key) - f32::from(key);
        self.key = key;
        self.ratio = part.ratio(key, sample_rate);
        self.glide = if frames > 0 { Ramp::between(from, 0.0, now, frames) } else { Ramp::still(0.0) };
    }

    /// Takes the pitch that its part has now.
    pub fn retune(&mut self, part: &PlayKeyPart, sample_rate: f64) {
        self.ratio = part.ratio(self.key, sample_rate);
    }

    /// Adds the next frames, at most [`BLOCK`], to `out`; the first is the absolute frame `now`.
    pub fn render(&mut self, part: &PlayKeyPart, now: u64, sample_rate: f64, out: [&mut [f32]; 2]) {
        let n = out[0].len().min(BLOCK);
        let mut levels = [0.0; BLOCK];
        let mut sound = [[0.0; BLOCK]; 2];
        self.envelope.fill(&mut levels[..n]);
        let [left, right] = &mut sound;
        let ended = self.read(part, now, sample_rate, [&mut left[..n], &mut right[..n]]);
        for (i, level) in levels[..n].iter_mut().enumerate() {
            *level *= self.gain * self.fade.at(now + i as u64);
        }
        for (out, sound) in out.into_iter().zip(&sound) {
            for ((y, x), level) in out.iter_mut().zip(sound).zip(&levels[..n]) {
                *y += x * level;
            }
        }
        let faded = self.fading && self.fade.at(now + n as u64 - 1) == 0.0;
        self.active = !(ended || faded || self.envelope.finished());
    }

    /// Reads on; returns whether the slice has ended.
    fn read(
        &mut self,
        part: &PlayKeyPart,
        now: u64,
        sample_rate: f64,
        [left, right]: [&mut [f32]; 2],
    ) -> bool {
        let fade = (ms_to_frames(END_FADE_MS, sample_rate) * self.ratio).max(1.0);
        let mut at = 0;
        while at < left.len() {
            let jump_point = part.jump_point(self.region);
            if let Some(jump_point) = jump_point
                && self.reader.position() >= jump_point
            {
                self.reader.jump(self.reader.position() + part.jump_by(self.region));
                self.region = SourceRegion::Loop;
                continue;
            }
            let position = self.reader.position();
            let mut steps = [Step::default(); BLOCK];
            let (frames, glides) =
                self.next_steps(now + at as u64, jump_point.unwrap_or(f64::MAX), &mut steps[at..left.len()]);
            let steps = &steps[at..at + frames];
            let (l, r) = (&mut left[at..at + frames], &mut right[at..at + frames]);
            let source = part.source(self.region);
            match (glides, part.is_mono()) {
                (true, true) => self.reader.glide_mono(source[0], steps, l),
                (true, false) => self.reader.glide_stereo(source, steps, [l, r]),
                (false, true) => self.reader.read_mono(source[0], steps[0], l),
                (false, false) => self.reader.read_stereo(source, steps[0], [l, r]),
            }
            if part.is_mono() {
                right[at..at + frames].copy_from_slice(&left[at..at + frames]);
            }
            for (channel, offset) in [&mut *left, &mut *right].into_iter().zip(part.offset(self.region)) {
                if offset != 0.0 {
                    channel[at..at + frames].iter_mut().for_each(|x| *x -= offset);
                }
            }
            if jump_point.is_none() {
                let sound = [&mut left[at..at + frames], &mut right[at..at + frames]];
                fade_end((position, part.end(), fade), steps, sound);
            }
            at += frames;
        }
        part.jump_point(self.region).is_none() && self.reader.position() >= part.end()
    }

    /// The steps of the next frames, up to the jump point or to where a glide ends; returns how many they are, at least
    /// one, and whether they glide.
    fn next_steps(&self, now: u64, jump_point: f64, steps: &mut [Step]) -> (usize, bool) {
        let mut position = self.reader.position();
        let glides = self.glide.moves(now);
        for (i, step) in steps.iter_mut().enumerate() {
            let frame = now + i as u64;
            // a steady stretch is read at once, and in the same way whatever the blocks
            if position >= jump_point || (glides && !self.glide.moves(frame)) {
                return (i, glides);
            }
            let bend = if glides { st_to_ratio(f64::from(self.glide.at(frame))) } else { 1.0 };
            *step = Step::from_ratio(self.ratio * bend);
            position += step.ratio();
        }
        (steps.len(), glides)
    }
}

/// Fades the frames near the end of a slice, and silences those beyond; the first was read at `from`, and `fade` is
/// the length of the fade in the source.
fn fade_end((from, end, fade): (f64, f64, f64), steps: &[Step], [left, right]: [&mut [f32]; 2]) {
    let mut position = from;
    for ((l, r), step) in left.iter_mut().zip(right).zip(steps) {
        let gain = ((end - position) / fade).clamp(0.0, 1.0) as f32;
        *l *= gain;
        *r *= gain;
        position += step.ratio();
    }
}

fn shape(s: &KeyPartSettings) -> EnvelopeShape {
    EnvelopeShape {
        attack_ms: s.attack_ms,
        hold_ms: 0.0,
        decay_ms: s.decay_ms,
        sustain: s.sustain,
        release_ms: s.release_ms,
        attack_curve: 0.0,
        decay_curve: 0.5,
        release_curve: 0.5,
    }
}
