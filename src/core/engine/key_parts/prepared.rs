//! A key part prepared for playing: its loop levelled and crossfaded, off the audio thread.

use crate::{
    engine::play_slice::{PlaySlice, clamp_settings, pan},
    kit::{KEY_PART, KeyLoop, KeyPart, KeyPartSettings, SLICE},
    take::Take,
    units::{db_to_gain, note_to_hz, power_to_db},
};
use std::sync::Arc;

/// Source frames that the reader may read beside its position, with room for a step: half of the longest kernel is 384.
const REACH: usize = 512;
/// Highest playback ratio: six octaves up.
const MAX_RATIO: f64 = 64.0;
/// The loop's fall in level that is made up for, dB at most: beyond, noise would be lifted.
const MAX_FALL_DB: f64 = 30.0;

/// A key part whose slice and loop lie within its take.
#[derive(Debug)]
pub(in crate::engine) struct PlayKeyPart {
    pub part: KeyPart,
    pub settings: KeyPartSettings,
    pub slice: PlaySlice,
    /// The take's frames from the slice on, with [`REACH`] before it where they exist.
    take: Arc<Take>,
    /// First frame of `take` that is read.
    from: usize,
    pub sustain: Option<PlayLoop>,
    /// Left and right, amplitude ratios.
    pub gains: [f32; 2],
}

/// What sustains a hit: the loop with what lies before it, repeated for as far as the reader looks ahead; without the
/// take's constant offset.
#[derive(Debug)]
pub(in crate::engine) struct PlayLoop {
    channels: Vec<Vec<f32>>,
    length: usize,
    /// Frame of the part's source at which reading goes on here.
    entry: usize,
    /// From a frame of the part's source to that of the loop's channels with the same sound.
    shift: f64,
}

/// What a voice reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::engine) enum SourceRegion {
    /// The take, up to the loop.
    Hit,
    /// The loop.
    Loop,
}

impl PlayKeyPart {
    /// `None` when the part is off or nothing of its slice lies within its take.
    pub fn new(takes: &[Arc<Take>], part: &KeyPart) -> Option<Self> {
        let mut part = part.clone();
        clamp_settings(&KEY_PART, &mut part.settings);
        let source = part.slice.as_mut()?;
        clamp_settings(&SLICE, source);
        let slice = PlaySlice::new(takes, source)?;
        let settings = part.settings;
        if !(settings.on && part.root_hz.is_finite() && part.root_hz > 0.0) {
            return None;
        }
        let take = takes.get(source.take)?.clone();
        let from = slice.start.saturating_sub(REACH);
        let fits = |l: &KeyLoop| part.slice.is_some_and(|s| l.fits(&s)) && l.end as usize <= slice.end;
        let sustain = part.sustain.filter(|l| settings.loop_on && fits(l));
        let sustain = sustain.map(|l| PlayLoop::new(&take, from, l));
        let level = db_to_gain(settings.level_db);
        let gains = pan(f64::from(settings.pan)).map(|g| g * level);
        Some(Self { part, settings, slice, take, from, sustain, gains })
    }

    /// Source frames per output frame for a key.
    pub fn ratio(&self, key: u8, sample_rate: f64) -> f64 {
        let s = &self.settings;
        let note = f64::from(key) + f64::from(s.transpose_st) + f64::from(s.fine_ct) / 100.0;
        let ratio = note_to_hz(note) / f64::from(self.part.root_hz) * self.slice.rate / sample_rate;
        ratio.min(MAX_RATIO)
    }

    /// First and last channel of what a voice reads, the same one for a mono take.
    pub fn source(&self, region: SourceRegion) -> [&[f32]; 2] {
        let (channels, from) = match (&self.sustain, region) {
            (Some(sustain), SourceRegion::Loop) => (&sustain.channels, 0),
            _ => (&self.take.channels, self.from),
        };
        [&channels[0][from..], &channels[channels.len() - 1][from..]]
    }

    /// Constant offset of what [`PlayKeyPart::source`] gives, left and right: the loop has none, since its levelling and
    /// its crossfade would change it.
    pub fn offset(&self, region: SourceRegion) -> [f32; 2] {
        match region {
            SourceRegion::Hit => self.slice.offset,
            SourceRegion::Loop => [0.0; 2],
        }
    }

    /// Whether both channels of [`PlayKeyPart::source`] are the same.
    pub fn is_mono(&self) -> bool {
        self.take.channels.len() == 1
    }

    /// The region in which a voice begins, and where, in frames of it.
    pub fn first_position(&self) -> (SourceRegion, f64) {
        let skipped = f64::from(self.settings.start_ms) * 0.001 * self.slice.rate;
        let begin = (self.slice.start - self.from) as f64;
        match &self.sustain {
            Some(sustain) => (SourceRegion::Hit, (begin + skipped.round()).min(sustain.entry as f64)),
            None => (
                SourceRegion::Hit,
                begin + skipped.round().min((self.slice.end - self.slice.start - 1) as f64),
            ),
        }
    }

    /// Position up to which a voice reads in a region; `None` where it reads to the slice's end.
    pub fn jump_point(&self, region: SourceRegion) -> Option<f64> {
        let sustain = self.sustain.as_ref()?;
        Some(match region {
            SourceRegion::Hit => sustain.entry as f64,
            SourceRegion::Loop => (3 * REACH + sustain.length) as f64,
        })
    }

    /// Frames to add to the position when the jump point is reached; reading continues in the loop.
    pub fn jump_by(&self, region: SourceRegion) -> f64 {
        let Some(sustain) = &self.sustain else { return 0.0 };
        match region {
            SourceRegion::Hit => sustain.shift,
            SourceRegion::Loop => -(sustain.length as f64),
        }
    }

    /// Position after the slice's last frame.
    pub fn end(&self) -> f64 {
        (self.slice.end - self.from) as f64
    }

    /// Whether a voice of one may go on with the other: they read the same sound.
    pub fn same_source(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.take, &other.take)
            && self.slice == other.slice
            && self.part.sustain == other.part.sustain
            && self.sustain.is_some() == other.sustain.is_some()
    }

    /// Whether a key that is held in one is held in the other.
    pub fn same_keys(&self, other: &Self) -> bool {
        let keys = |s: &KeyPartSettings| (s.channel, s.low_key, s.high_key, s.mono);
        keys(&self.settings) == keys(&other.settings)
    }
}

/// First frame of a loop, the one after its last, and the length of its crossfade.
type LoopPlace = (usize, usize, usize);

impl PlayLoop {
    /// The loop of a take, whose frame `from` is the first of the part's source.
    fn new(take: &Take, from: usize, place: KeyLoop) -> Self {
        let (start, end, fade) = (place.start as usize, place.end as usize, place.fade as usize);
        // what the loop is made of, in frames from `low` on
        let low = start.saturating_sub(fade.max(2 * REACH));
        let sound: Vec<Vec<f32>> = (take.channels.iter().zip(take.offset()))
            .map(|(channel, offset)| channel[low..end].iter().map(|x| x - offset).collect())
            .collect();
        let within = (start - low, end - low, fade);
        let fall_db = fall_db(&sound, within);
        let correlation = correlation(&sound, within);
        let channels = (sound.iter())
            .map(|channel| {
                let sustained = levelled(channel, within, fall_db, correlation);
                let before = (0..2 * REACH).map(|i| {
                    (within.0 + i)
                        .checked_sub(2 * REACH)
                        .and_then(|at| channel.get(at))
                        .copied()
                        .unwrap_or(0.0)
                });
                let repeated = sustained.iter().copied().cycle().take(sustained.len() + 3 * REACH);
                before.chain(repeated).collect()
            })
            .collect();
        // the reader turns here before it sees anything that the loop has changed
        let entry = (start - from).saturating_sub(REACH);
        let shift = (from + 2 * REACH) as f64 - start as f64;
        Self { channels, length: end - start, entry, shift }
    }
}

/// How much softer the second half of a loop is than the first, for its whole length, dB.
fn fall_db(channels: &[Vec<f32>], (start, end, _fade): LoopPlace) -> f64 {
    let middle = start + (end - start) / 2;
    let energy = |from: usize, to: usize| -> f64 {
        let all = channels.iter().flat_map(|c| &c[from..to]);
        all.map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / (to - from).max(1) as f64
    };
    let (first, second) = (energy(start, middle), energy(middle, end));
    if first <= 0.0 || second <= 0.0 {
        return 0.0;
    }
    (2.0 * (power_to_db(first) - power_to_db(second))).clamp(-MAX_FALL_DB, MAX_FALL_DB)
}

/// Normalised cross-correlation of the two sounds of the crossfade, over all channels.
fn correlation(channels: &[Vec<f32>], (start, end, fade): LoopPlace) -> f64 {
    let mut sums = [0.0_f64; 3];
    for channel in channels {
        let (late, early) = (&channel[end - fade..end], &channel[start - fade..start]);
        for (&a, &b) in late.iter().zip(early) {
            let (a, b) = (f64::from(a), f64::from(b));
            sums = [sums[0] + a * b, sums[1] + a * a, sums[2] + b * b];
        }
    }
    let norm = (sums[1] * sums[2]).sqrt();
    if norm > 0.0 { (sums[0] / norm).clamp(0.0, 1.0) } else { 0.0 }
}

/// One channel of the loop at even level, its end faded over to what lies before its start. The shares of the
/// crossfade keep the power of two sounds of this correlation: equal gain where they are alike, equal power where
/// they are not.
fn levelled(channel: &[f32], (start, end, fade): LoopPlace, fall_db: f64, correlation: f64) -> Vec<f32> {
    let length = end - start;
    let gain = |frame: f64| db_to_gain(fall_db * frame / length as f64);
    (0..length)
        .map(|i| {
            let own = f64::from(channel[start + i]) * gain(i as f64);
            let Some(into) = (i + fade).checked_sub(length) else { return own as f32 };
            let before = f64::from(channel[start - fade + into]) * gain(into as f64 - fade as f64);
            let share = (into as f64 + 0.5) / fade as f64;
            let power =
                share * share + (1.0 - share) * (1.0 - share) + 2.0 * correlation * share * (1.0 - share);
            ((own * (1.0 - share) + before * share) / power.sqrt()) as f32
        })
        .collect()
}
