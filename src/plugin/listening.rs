//! Preview to a take as it was recorded, from the window, past the kit.

use kitwright_core::{
    engine::dsp::reader::{Reader, Step},
    session::{Preview, Session},
    settings::KitTrims,
    units::db_to_gain,
};
use nice_plug::prelude::Buffer;
use std::sync::Arc;

/// Level of the take, and of the kit meanwhile: together they stay below the ceiling.
const TAKE_GAIN: f32 = 0.35;
const KIT_GAIN: f32 = 0.6;
/// Frames read at once.
const RUN: usize = 64;

/// Plays stretches of takes into the main output.
#[derive(Debug)]
pub(super) struct Listener {
    session: Arc<Session>,
    sample_rate: f64,
    playing: Option<Playing>,
    /// How far it is faded in, 0 to 1; moves by `step` each frame.
    fade: f32,
    step: f32,
    /// Asked for while another stretch still fades out.
    waiting: Option<Arc<Preview>>,
}

#[derive(Debug)]
struct Playing {
    stretch: Arc<Preview>,
    reader: Reader,
    step: Step,
    ending: bool,
}

impl Listener {
    /// A silent listener; builds the tables that reading needs.
    pub fn new(session: Arc<Session>, sample_rate: f64) -> Self {
        Reader::prepare();
        // 5 ms: no click, and no attack lost that one listens for
        let step = (1.0 / (0.005 * sample_rate)) as f32;
        Self { session, sample_rate, playing: None, fade: 0.0, step, waiting: None }
    }

    /// Takes what the window asked for since the last call.
    pub fn receive(&mut self) {
        if let Some(stretch) = self.session.take_preview() {
            if let Some(playing) = &mut self.playing {
                playing.ending = true;
            }
            if let Some(passed_over) = self.waiting.replace(stretch) {
                self.session.give_back_preview(passed_over);
            }
        }
    }

    /// Ends at once.
    pub fn stop(&mut self) {
        self.fade = 0.0;
        for stretch in [self.playing.take().map(|p| p.stretch), self.waiting.take()].into_iter().flatten() {
            self.session.give_back_preview(stretch);
        }
    }

    /// Whether a stretch sounds or waits.
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
            let end = until.min(at + RUN);
            let (Some(left), Some(right)) = (left.get_mut(at..end), right.get_mut(at..end)) else { return };
            self.add_run(left, right, gain);
            at = end;
        }
    }

    fn begin(&mut self) {
        if self.playing.is_some() {
            return;
        }
        let Some(stretch) = self.waiting.take() else { return };
        if stretch.start >= stretch.end.min(stretch.take.frames() as u64) {
            self.session.give_back_preview(stretch);
            return;
        }
        self.playing = Some(Playing {
            reader: Reader::new(stretch.start as f64),
            step: Step::from_ratio(f64::from(stretch.take.sample_rate) / self.sample_rate),
            stretch,
            ending: false,
        });
    }

    fn add_run(&mut self, left: &mut [f32], right: &mut [f32], gain: f32) {
        let Some(playing) = &mut self.playing else { return };
        let mut runs = [[0.0; RUN]; 2];
        let [run_left, run_right] = &mut runs;
        let (run_left, run_right) = (&mut run_left[..left.len()], &mut run_right[..left.len()]);
        let end = playing.stretch.end as f64;
        let ratio = playing.step.ratio();
        let first = playing.reader.position();
        match &playing.stretch.take.channels[..] {
            [one] => {
                playing.reader.read_mono(one, playing.step, run_left);
                run_right.copy_from_slice(run_left);
            }
            [l, r, ..] => playing.reader.read_stereo([l, r], playing.step, [run_left, run_right]),
            [] => playing.ending = true,
        }
        for i in 0..left.len() {
            playing.ending |= first + i as f64 * ratio >= end;
            let aim = if playing.ending { -self.step } else { self.step };
            self.fade = (self.fade + aim).clamp(0.0, 1.0);
            let duck = 1.0 + (KIT_GAIN - 1.0) * self.fade;
            left[i] = left[i] * duck + run_left[i] * gain * self.fade;
            right[i] = right[i] * duck + run_right[i] * gain * self.fade;
        }
        if playing.ending && self.fade == 0.0 {
            let ended = self.playing.take();
            if let Some(ended) = ended {
                self.session.give_back_preview(ended.stretch);
            }
        }
    }
}
