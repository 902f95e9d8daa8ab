//! A pad's tone chain at work: cuts, limiter, saturation, EQ, punch, low band, colour limiter.
//!
//! Settings that glide (frequencies, gains, times) do so within 10 ms, stepped every 16 frames;
//! settings that switch (a stage on or off, a slope, a character, the order, a bypass) crossfade within
//! 10 ms from the old chain to the new one, both working.
//!
//! A bypassed stage is not an unused one: it goes on working unheard, and its input is heard at the
//! loudness of its output, so that "with and without" compares tone and not level. The trim `tone`
//! bypasses the chain as a whole in this way. Loudness is followed all the time: what has sounded once is
//! matched from its next frame on.
//!
//! The limiters look ahead when they are given what follows: see [`ToneChain::process`].

mod settings;
mod stages;

use crate::{
    engine::dsp::limiter::{MAX_LOOKAHEAD, lookahead_frames},
    kit::{Stage, Tone},
    settings::PadTrims,
};
use settings::{Knobs, Switches, drive};
use stages::{RUN, Stages};

/// Frames between two steps of a glide, and between two looks at whether the chain has gone silent.
const GRID: usize = 16;
/// Length of glides and crossfades, ms.
const CHANGE_MS: f64 = 10.0;
/// Quieter than this (-120 dB) for [`QUIET_MS`], after the input has ended, is the end of the tail.
const QUIET: f32 = 1e-6;
const QUIET_MS: f64 = 30.0;
/// Limiters in a chain.
const LIMITERS: usize = 2;

/// Largest gain reductions of a chain's stages within a stretch of time, dB, 0 or above.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reductions {
    /// The first limiter.
    pub limiter_db: f32,
    /// The slow-attack compressor.
    pub punch_db: f32,
    /// The low-band compressor.
    pub low_band_db: f32,
    /// The last limiter.
    pub colour_db: f32,
}

/// The tone chain of one pad.
///
/// It owns these trims: `low_cut_hz`, `high_cut_hz`, `tilt_db`, `drive_db`, `punch`, `low_hold` and
/// `tone`; the engine leaves them alone.
#[derive(Debug, Clone)]
pub struct ToneChain {
    sample_rate: f64,
    stages: Box<Stages>,
    /// The chain before the last switch, fading out.
    old: Box<Stages>,
    /// Looks ahead on behalf of the limiters.
    scout: Box<Stages>,
    /// Frames of the crossfade still to come.
    fade_left: u32,
    change_frames: u32,
    knobs: Knobs,
    goal: Knobs,
    glide_steps: u32,
    /// Settings that wait for the crossfade to end.
    waiting: Option<Settings>,
    bypassed: [bool; 7],
    last: Settings,
    /// Frames until the next grid line.
    to_grid: usize,
    /// Frames of quiet so far.
    quiet: u32,
    quiet_frames: u32,
    heard: bool,
    asleep: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Settings {
    knobs: Knobs,
    switches: Switches,
    drive: (f32, f32),
}

impl Settings {
    fn new(tone: &Tone, trims: &PadTrims, note_hz: Option<f32>, bypassed: [bool; 7]) -> Self {
        let (knobs, switches) = Knobs::new(tone, trims, note_hz, bypassed);
        Self { knobs, switches, drive: drive(tone, trims).unwrap_or((0.0, 1.0)) }
    }
}

impl ToneChain {
    /// A chain with every stage off, at `sample_rate` Hz; allocates all it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        let last = Settings::new(&Tone::default(), &PadTrims::default(), None, [false; 7]);
        let frames = |ms: f64| (sample_rate * ms / 1000.0).round().max(1.0) as u32;
        let mut new = Self {
            sample_rate,
            stages: Box::new(Stages::new(sample_rate)),
            old: Box::new(Stages::new(sample_rate)),
            scout: Box::new(Stages::new(sample_rate)),
            fade_left: 0,
            change_frames: frames(CHANGE_MS),
            knobs: last.knobs,
            goal: last.knobs,
            glide_steps: 0,
            waiting: None,
            bypassed: [false; 7],
            last,
            to_grid: GRID,
            quiet: 0,
            quiet_frames: frames(QUIET_MS),
            heard: false,
            asleep: true,
        };
        new.jump(last);
        new
    }

    /// From now on quicker and a little coarser, for trials that are measured and not heard.
    pub fn draft(&mut self) {
        [&mut self.stages, &mut self.old, &mut self.scout].into_iter().for_each(|stages| stages.draft());
    }

    /// From now on quicker, for a chain of which no stage will be bypassed: loudness is not followed.
    pub fn follow_no_more(&mut self) {
        [&mut self.stages, &mut self.old, &mut self.scout]
            .into_iter()
            .for_each(|stages| stages.follow_no_more());
    }

    /// How many frames of the future [`ToneChain::process`] uses with the settings last taken: 0
    /// without a limiter.
    pub fn lookahead(&self) -> usize {
        let on = self.last.switches.on;
        let limiters = [Stage::Limiter, Stage::Colour].iter().filter(|s| on[**s as usize]).count();
        limiters * lookahead_frames(self.sample_rate)
    }

    /// Takes new settings; changes are heard within 10 ms, without a click. `note_hz` is the pad's
    /// fundamental after pitching, for the bell that follows it. A chain at rest takes them at once.
    pub fn set(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        self.take(Settings::new(tone, trims, note_hz, self.bypassed));
    }

    /// Takes new settings at once and forgets all sound, but not how loud each stage made it.
    pub fn set_now(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        self.last = Settings::new(tone, trims, note_hz, self.bypassed);
        self.rest();
    }

    /// Lets a stage's input be heard in place of its output, equally loud, or ends that.
    pub fn bypass(&mut self, stage: Stage, bypassed: bool) {
        self.bypassed[stage as usize] = bypassed;
        let mut settings = self.last;
        settings.switches.bypassed = self.bypassed;
        self.take(settings);
    }

    fn take(&mut self, settings: Settings) {
        if settings == self.last && self.waiting.is_none() {
            return;
        }
        self.last = settings;
        if self.asleep {
            self.jump(settings);
        } else if settings.switches == self.stages.switches {
            self.waiting = None;
            self.glide_to(settings);
        } else if self.fade_left > 0 {
            self.waiting = Some(settings);
        } else {
            self.crossfade_to(settings);
        }
    }

    fn glide_to(&mut self, settings: Settings) {
        let (drive_db, mix) = settings.drive;
        self.stages.drive(settings.switches.character, drive_db, mix);
        if settings.knobs != self.goal {
            self.goal = settings.knobs;
            self.glide_steps = self.change_frames.div_ceil(GRID as u32);
        }
    }

    fn crossfade_to(&mut self, settings: Settings) {
        self.old.clone_from(&self.stages);
        self.fade_left = self.change_frames;
        let (drive_db, mix) = settings.drive;
        self.stages.drive(settings.switches.character, drive_db, mix);
        self.settle(settings.knobs);
        self.stages.switch(settings.switches, &settings.knobs);
    }

    fn jump(&mut self, settings: Settings) {
        let (drive_db, mix) = settings.drive;
        self.settle(settings.knobs);
        self.stages.switch(settings.switches, &settings.knobs);
        self.stages.drive(settings.switches.character, drive_db, mix);
        self.stages.rest();
    }

    fn settle(&mut self, knobs: Knobs) {
        (self.knobs, self.goal, self.glide_steps) = (knobs, knobs, 0);
    }

    /// Sends two channels through the chain, in place.
    ///
    /// `ahead` holds the frames that will follow them, before the chain, as far as they are known now;
    /// the limiters look at them. Hand in either nothing (both empty) or at least
    /// [`ToneChain::lookahead`] frames each time: then the result does not depend on the chunks.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let far = if ahead[0].is_empty() { 0 } else { self.lookahead() };
        let mut from = 0;
        while from < left.len() {
            if self.asleep {
                // Silence in, silence out, until the first frame that is not zero.
                match (from..left.len()).find(|&i| left[i] != 0.0 || right[i] != 0.0) {
                    Some(first) => self.wake(&mut from, first),
                    None => return,
                }
            }
            let n = self.run_length(&left[from..], &right[from..]);
            let mut buffers = [[0.0f32; LIMITERS * MAX_LOOKAHEAD]; 2];
            let [bl, br] = &mut buffers;
            follow(&left[from + n..], ahead[0], &mut bl[..far]);
            follow(&right[from + n..], ahead[1], &mut br[..far]);
            let run = from..from + n;
            self.run(&mut left[run.clone()], &mut right[run], [&mut bl[..far], &mut br[..far]]);
            from += n;
        }
    }

    fn wake(&mut self, from: &mut usize, first: usize) {
        *from = first;
        self.asleep = false;
        self.to_grid = GRID;
        self.quiet = 0;
        self.heard = false;
    }

    /// Frames to process in one go: to the next grid line while anything moves or the input is silent,
    /// else on to the first silent stretch of the grid. Lines are passed as if each had been a stop.
    fn run_length(&self, left: &[f32], right: &[f32]) -> usize {
        let moving = self.glide_steps > 0 || self.fade_left > 0 || self.waiting.is_some();
        let mut n = left.len().min(self.to_grid);
        if moving || is_zero(&left[..n]) && is_zero(&right[..n]) {
            return n;
        }
        while n < left.len() && n + GRID <= RUN {
            let to = (n + GRID).min(left.len());
            if is_zero(&left[n..to]) && is_zero(&right[n..to]) {
                break;
            }
            n = to;
        }
        n
    }

    fn run(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&mut [f32]; 2]) {
        let n = left.len();
        let silent_in = is_zero(left) && is_zero(right);
        if self.fade_left > 0 {
            self.run_crossfade(left, right, ahead);
        } else {
            self.stages.process(left, right, ahead, &mut self.scout);
        }
        if left.iter().chain(right.iter()).any(|x| !x.is_finite()) {
            self.stages.reset();
            self.old.reset();
            left.fill(0.0);
            right.fill(0.0);
        }
        let silent_out = left.iter().chain(right.iter()).all(|x| x.abs() < QUIET);
        self.heard |= !(silent_in && silent_out);
        self.advance(n);
    }

    fn run_crossfade(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&mut [f32]; 2]) {
        let n = left.len();
        let (mut old_left, mut old_right) = ([0.0f32; RUN], [0.0f32; RUN]);
        let (ol, or) = (&mut old_left[..n], &mut old_right[..n]);
        ol.copy_from_slice(left);
        or.copy_from_slice(right);
        let [al, ar] = ahead;
        let mut copies = [[0.0f32; LIMITERS * MAX_LOOKAHEAD]; 2];
        let [cl, cr] = &mut copies;
        let (cl, cr) = (&mut cl[..al.len()], &mut cr[..ar.len()]);
        cl.copy_from_slice(al);
        cr.copy_from_slice(ar);
        self.old.process(ol, or, [cl, cr], &mut self.scout);
        self.stages.process(left, right, [al, ar], &mut self.scout);
        let total = self.change_frames as f32;
        for i in 0..n {
            let share = self.fade_left.saturating_sub(i as u32) as f32 / total;
            left[i] += share * (ol[i] - left[i]);
            right[i] += share * (or[i] - right[i]);
        }
        self.fade_left = self.fade_left.saturating_sub(n as u32);
    }

    /// Moves on by `n` frames; at grid lines, glides go a step and the tail is judged.
    fn advance(&mut self, n: usize) {
        if n < self.to_grid {
            self.to_grid -= n;
            return;
        }
        let beyond = n - self.to_grid;
        self.to_grid = GRID - beyond % GRID;
        self.quiet = if self.heard { 0 } else { self.quiet + GRID as u32 };
        // A run beyond the line holds sound in each of its stretches, the last one included.
        self.heard = !beyond.is_multiple_of(GRID);
        if self.fade_left == 0
            && let Some(settings) = self.waiting.take()
        {
            self.crossfade_to(settings);
        }
        if self.glide_steps > 0 {
            self.knobs.approach(&self.goal, self.glide_steps);
            self.glide_steps -= 1;
            self.stages.apply(&self.knobs);
        }
        if self.quiet > self.quiet_frames && self.glide_steps == 0 && self.fade_left == 0 {
            self.rest();
        }
    }

    /// Largest gain reductions since the last call.
    pub fn take_reductions(&mut self) -> Reductions {
        let mut of = |stage| self.stages.take_reduction_db(stage);
        Reductions {
            limiter_db: of(Stage::Limiter),
            punch_db: of(Stage::Punch),
            low_band_db: of(Stage::LowBand),
            colour_db: of(Stage::Colour),
        }
    }

    /// Forgets all sound, but not how loud each stage made it, and jumps to the settings last taken.
    pub fn rest(&mut self) {
        self.waiting = None;
        self.fade_left = 0;
        self.jump(self.last);
        self.asleep = true;
    }

    /// [`ToneChain::rest`], as good as new.
    pub fn reset(&mut self) {
        self.rest();
        self.stages.reset();
    }

    /// Whether silence in gives exact silence out from now on: the engine may stop calling
    /// [`ToneChain::process`] until there is sound again.
    pub fn is_idle(&self) -> bool {
        self.asleep
    }
}

fn is_zero(x: &[f32]) -> bool {
    x.iter().all(|&x| x == 0.0)
}

/// What follows in the chunk, then what is known after it.
fn follow(rest: &[f32], ahead: &[f32], out: &mut [f32]) {
    let from_rest = rest.len().min(out.len());
    out[..from_rest].copy_from_slice(&rest[..from_rest]);
    let needed = (out.len() - from_rest).min(ahead.len());
    out[from_rest..from_rest + needed].copy_from_slice(&ahead[..needed]);
}
