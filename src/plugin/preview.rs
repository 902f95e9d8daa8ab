//! Previews: ranges of a take as they were recorded, asked for by the window, mixed with the kit.

use kitwright_core::{
    engine::dsp::reader::{Reader, Step},
    session::{Preview, Session},
    settings::KitTrims,
    units::db_to_gain,
};
use nice_plug::prelude::Buffer;
use std::sync::Arc;

/// Gain of the take, relative to full scale, or to the ceiling while that is on.
const TAKE_GAIN: f32 = 0.35;
/// Gain of the kit during a preview: both gains add up to less than 1, so that the ceiling holds.
const KIT_GAIN: f32 = 0.6;
/// Frames read at once.
const CHUNK: usize = 64;

/// Plays ranges of takes into the main output.
#[derive(Debug)]
pub(super) struct PreviewPlayer {
    session: Arc<Session>,
    sample_rate: f64,
    playing: Option<PlayingRange>,
    /// How far it is faded in, 0 to 1; moves by `step` each frame.
    fade: f32,
    step: f32,
    /// Asked for while the range before it still fades out.
    waiting: Option<Arc<Preview>>,
}

#[derive(Debug)]
struct PlayingRange {
    preview: Arc<Preview>,
    reader: Reader,
    step: Step,
    ending: bool,
}

impl PreviewPlayer {
    /// A silent preview player; builds the tables that reading needs.
    pub fn new(session: Arc<Session>, sample_rate: f64) -> Self {
        Reader::prepare();
        // 5 ms: short enough to keep the attack, long enough to avoid clicks; common practice, no source
        let step = (1.0 / (0.005 * sample_rate)) as f32;
        Self { session, sample_rate, playing: None, fade: 0.0, step, waiting: None }
    }

    /// Takes what the window asked for since the last call.
    pub fn receive(&mut self) {
        if let Some(preview) = self.session.take_preview() {
            if let Some(playing) = &mut self.playing {
                playing.ending = true;
            }
            if let Some(replaced) = self.waiting.replace(preview) {
                self.session.give_back_preview(replaced);
            }
        }
    }

    /// Ends at once.
    pub fn stop(&mut self) {
        self.fade = 0.0;
        for preview in [self.playing.take().map(|p| p.preview), self.waiting.take()].into_iter().flatten() {
            self.session.give_back_preview(preview);
        }
    }

    /// Whether a range sounds or waits.
    pub fn is_playing(&self) -> bool {
        self.playing.is_some() || self.waiting.is_some()
    }

    /// Adds the next frames to `main` at `from..until` and lowers the kit there.
    pub fn add_to(&mut self, main: &mut Buffer<'_>, from: usize, until: usize, kit: &KitTrims) {
        if !self.is_playing() {
            return;
        }
        let gain = TAKE_GAIN * if kit.ceiling_on { db_to_gain(kit.ceiling_db) } else { 1.0 };
        let [left, right] = main.as_slice() else { return };
        let mut at = from;
        while at < until && self.is_playing() {
            self.begin();
            let end = until.min(at + CHUNK);
            let (Some(left), Some(right)) = (left.get_mut(at..end), right.get_mut(at..end)) else { return };
            self.add_chunk(left, right, gain);
            at = end;
        }
    }

    fn begin(&mut self) {
        if self.playing.is_some() {
            return;
        }
        let Some(preview) = self.waiting.take() else { return };
        if preview.start >= preview.end.min(preview.take.frames() as u64) {
            self.session.give_back_preview(preview);
            return;
        }
        self.playing = Some(PlayingRange {
            reader: Reader::new(preview.start as f64),
            step: Step::from_ratio(f64::from(preview.take.sample_rate) / self.sample_rate),
            preview,
            ending: false,
        });
    }

    fn add_chunk(&mut self, left: &mut [f32], right: &mut [f32], gain: f32) {
        let Some(playing) = &mut self.playing else { return };
        let mut chunks = [[0.0; CHUNK]; 2];
        let [chunk_left, chunk_right] = &mut chunks;
        let (chunk_left, chunk_right) = (&mut chunk_left[..left.len()], &mut chunk_right[..left.len()]);
        let end = playing.preview.end as f64;
        let ratio = playing.step.ratio();
        let first = playing.reader.position();
        match &playing.preview.take.channels[..] {
            [one] => {
                playing.reader.read_mono(one, playing.step, chunk_left);
                chunk_right.copy_from_slice(chunk_left);
            }
            [l, r, ..] => playing.reader.read_stereo([l, r], playing.step, [chunk_left, chunk_right]),
            [] => playing.ending = true,
        }
        for i in 0..left.len() {
            playing.ending |= first + i as f64 * ratio >= end;
            let change = if playing.ending { -self.step } else { self.step };
            self.fade = (self.fade + change).clamp(0.0, 1.0);
            let duck = 1.0 + (KIT_GAIN - 1.0) * self.fade;
            left[i] = left[i] * duck + chunk_left[i] * gain * self.fade;
            right[i] = right[i] * duck + chunk_right[i] * gain * self.fade;
        }
        if playing.ending && self.fade == 0.0 {
            let ended = self.playing.take();
            if let Some(ended) = ended {
                self.session.give_back_preview(ended.preview);
            }
        }
    }
}
