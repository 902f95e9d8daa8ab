//! A pad's tone chain: cuts, limiter, saturation, EQ, punch, low band, colour limiter.
//!
//! Continuous settings (frequencies, gains, times) glide within 10 ms, in steps of 16 frames. Discrete ones (a
//! stage on or off, a slope, a character, the order, a bypass) crossfade within 10 ms from the old chain to the
//! new one, while both are processed.
//!
//! A bypassed stage is still processed, and its input is heard at the loudness of its output, so that switching
//! the bypass compares tone, not level. The trim `tone` bypasses the whole chain in this way. Loudness is
//! measured all the time, so that the level is matched from the first bypassed frame on.
//!
//! The limiters look ahead when the following frames are known: see [`ToneChain::process`].

mod settings;
mod stages;

use crate::{
    engine::dsp::{
        limiter::{MAX_LOOKAHEAD, lookahead_frames},
        math::peak,
    },
    kit::{Tone, ToneStage},
    settings::PadTrims,
};
use settings::{SmoothedParams, SwitchedParams, drive};
use stages::{TONE_BLOCK, ToneStages};

/// Frames between two steps of a glide, and between two checks for silence.
const CONTROL_FRAMES: usize = 16;
/// Length of glides and crossfades, ms.
const CHANGE_MS: f64 = 10.0;
/// The tail has ended once the output was below this (-120 dBFS) for [`QUIET_MS`] without input.
const QUIET_PEAK: f32 = 1e-6;
const QUIET_MS: f64 = 30.0;
/// Limiters in a chain.
const LIMITERS: usize = 2;

/// Largest gain reductions of a chain's stages since they were last taken, dB, 0 or above.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reductions {
    /// The limiter before the saturation (in the default order).
    pub limiter_db: f32,
    /// The slow-attack compressor.
    pub punch_db: f32,
    /// The low-band compressor.
    pub low_band_db: f32,
    /// The colour limiter.
    pub colour_db: f32,
}

/// The tone chain of one pad.
///
/// It applies these trims: `low_cut_hz`, `high_cut_hz`, `tilt_db`, `drive_db`, `punch`, `low_hold` and `tone`.
#[derive(Debug, Clone)]
pub struct ToneChain {
    sample_rate: f64,
    stages: Box<ToneStages>,
    /// The stages before the last switch, which fade out.
    old: Box<ToneStages>,
    /// Processes the known future for the limiters.
    lookahead: Box<ToneStages>,
    /// Remaining frames of the crossfade.
    fade_left: u32,
    change_frames: u32,
    smoothed: SmoothedParams,
    target: SmoothedParams,
    glide_steps: u32,
    /// Settings that wait for the crossfade to end.
    waiting: Option<Settings>,
    bypassed: [bool; 7],
    last: Settings,
    /// Frames until the next control point.
    to_control: usize,
    /// Frames of silence so far.
    quiet: u32,
    quiet_frames: u32,
    heard: bool,
    asleep: bool,
    /// Whether it is as [`ToneChain::reset`] leaves it.
    is_reset: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Settings {
    smoothed: SmoothedParams,
    switched: SwitchedParams,
    drive: (f32, f32),
}

impl Settings {
    fn new(tone: &Tone, trims: &PadTrims, note_hz: Option<f32>, bypassed: [bool; 7]) -> Self {
        let (smoothed, switched) = SmoothedParams::new(tone, trims, note_hz, bypassed);
        Self { smoothed, switched, drive: drive(tone, trims).unwrap_or((0.0, 1.0)) }
    }
}

impl ToneChain {
    /// A chain with every stage off, at `sample_rate` Hz; allocates all it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        let last = Settings::new(&Tone::default(), &PadTrims::default(), None, [false; 7]);
        let frames = |ms: f64| (sample_rate * ms / 1000.0).round().max(1.0) as u32;
        let stages = Box::new(ToneStages::new(sample_rate));
        let mut new = Self {
            sample_rate,
            old: stages.clone(),
            lookahead: stages.clone(),
            stages,
            fade_left: 0,
            change_frames: frames(CHANGE_MS),
            smoothed: last.smoothed,
            target: last.smoothed,
            glide_steps: 0,
            waiting: None,
            bypassed: [false; 7],
            last,
            to_control: CONTROL_FRAMES,
            quiet: 0,
            quiet_frames: frames(QUIET_MS),
            heard: false,
            asleep: true,
            is_reset: false,
        };
        new.jump(last);
        new
    }

    /// Oversamples the saturation twice only from now on, for trials that are analysed, not heard.
    pub fn draft(&mut self) {
        [&mut self.stages, &mut self.old, &mut self.lookahead].into_iter().for_each(|stages| stages.draft());
    }

    /// Stops measuring loudness, for a chain of which no stage will be bypassed.
    pub fn disable_loudness_matching(&mut self) {
        [&mut self.stages, &mut self.old, &mut self.lookahead]
            .into_iter()
            .for_each(|stages| stages.disable_loudness_matching());
    }

    /// Frames of the future that [`ToneChain::process`] uses with the settings last taken: 0 without a limiter.
    pub fn lookahead(&self) -> usize {
        let on = self.last.switched.on;
        let limiters = [ToneStage::Limiter, ToneStage::Colour].iter().filter(|s| on[**s as usize]).count();
        limiters * lookahead_frames(self.sample_rate)
    }

    /// Takes new settings; they are in force within 10 ms, without a click, at once while the chain is idle.
    /// `note_hz` is the pad's fundamental after transposition, Hz, for the bell that follows it.
    pub fn set(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        self.take(Settings::new(tone, trims, note_hz, self.bypassed));
    }

    /// Takes new settings at once and clears all state except the measured loudness.
    pub fn set_now(&mut self, tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) {
        self.last = Settings::new(tone, trims, note_hz, self.bypassed);
        self.is_reset = false;
        self.rest();
    }

    /// Bypasses a stage at equal loudness, or ends its bypass.
    pub fn bypass(&mut self, stage: ToneStage, bypassed: bool) {
        self.bypassed[stage as usize] = bypassed;
        let mut settings = self.last;
        settings.switched.bypassed = self.bypassed;
        self.take(settings);
    }

    fn take(&mut self, settings: Settings) {
        if settings == self.last && self.waiting.is_none() {
            return;
        }
        self.last = settings;
        if self.asleep {
            self.jump(settings);
        } else if settings.switched == self.stages.switched {
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
        self.stages.drive(settings.switched.character, drive_db, mix);
        if settings.smoothed != self.target {
            self.target = settings.smoothed;
            self.glide_steps = self.change_frames.div_ceil(CONTROL_FRAMES as u32);
        }
    }

    fn crossfade_to(&mut self, settings: Settings) {
        self.old.clone_from(&self.stages);
        self.fade_left = self.change_frames;
        let (drive_db, mix) = settings.drive;
        self.stages.drive(settings.switched.character, drive_db, mix);
        self.settle(settings.smoothed);
        self.stages.switch(settings.switched, &settings.smoothed);
    }

    fn jump(&mut self, settings: Settings) {
        self.is_reset = false;
        let (drive_db, mix) = settings.drive;
        self.settle(settings.smoothed);
        self.stages.switch(settings.switched, &settings.smoothed);
        self.stages.drive(settings.switched.character, drive_db, mix);
        self.stages.rest();
    }

    fn settle(&mut self, smoothed: SmoothedParams) {
        (self.smoothed, self.target, self.glide_steps) = (smoothed, smoothed, 0);
    }

    /// Processes two channels of equal length in place.
    ///
    /// `ahead` (left, right) holds the unprocessed frames that will follow, as far as they are known; the limiters
    /// look at them. The result does not depend on the chunks if `ahead` is always empty or always holds at
    /// least [`ToneChain::lookahead`] frames.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let far = if ahead[0].is_empty() { 0 } else { self.lookahead() };
        let mut from = 0;
        while from < left.len() {
            if self.asleep {
                // Idle until the first frame that is not zero.
                match (from..left.len()).find(|&i| left[i] != 0.0 || right[i] != 0.0) {
                    Some(first) => self.wake(&mut from, first),
                    None => return,
                }
            }
            let n = self.block_length(&left[from..], &right[from..]);
            let mut buffers = [[0.0f32; LIMITERS * MAX_LOOKAHEAD]; 2];
            let [bl, br] = &mut buffers;
            next_frames(&left[from + n..], ahead[0], &mut bl[..far]);
            next_frames(&right[from + n..], ahead[1], &mut br[..far]);
            let block = from..from + n;
            self.process_block(&mut left[block.clone()], &mut right[block], [&mut bl[..far], &mut br[..far]]);
            from += n;
        }
    }

    fn wake(&mut self, from: &mut usize, first: usize) {
        *from = first;
        self.asleep = false;
        self.is_reset = false;
        self.to_control = CONTROL_FRAMES;
        self.quiet = 0;
        self.heard = false;
    }

    /// Frames to process in one go: to the next control point while a setting moves or the input is silent, else
    /// to the first silent interval. The result is the same as with a stop at each control point.
    fn block_length(&self, left: &[f32], right: &[f32]) -> usize {
        let moving = self.glide_steps > 0 || self.fade_left > 0 || self.waiting.is_some();
        let mut n = left.len().min(self.to_control);
        if moving || is_zero(&left[..n]) && is_zero(&right[..n]) {
            return n;
        }
        while n < left.len() && n + CONTROL_FRAMES <= TONE_BLOCK {
            let to = (n + CONTROL_FRAMES).min(left.len());
            if is_zero(&left[n..to]) && is_zero(&right[n..to]) {
                break;
            }
            n = to;
        }
        n
    }

    fn process_block(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&mut [f32]; 2]) {
        let n = left.len();
        let silent_in = is_zero(left) && is_zero(right);
        if self.fade_left > 0 {
            self.process_crossfade(left, right, ahead);
        } else {
            self.stages.process(left, right, ahead, &mut self.lookahead);
        }
        let mut peak = peak([left, right]);
        if !peak.is_finite() {
            self.stages.reset();
            self.old.reset();
            left.fill(0.0);
            right.fill(0.0);
            peak = 0.0;
        }
        let silent_out = peak < QUIET_PEAK;
        self.heard |= !(silent_in && silent_out);
        self.advance(n);
    }

    fn process_crossfade(&mut self, left: &mut [f32], right: &mut [f32], ahead: [&mut [f32]; 2]) {
        let n = left.len();
        let (mut old_left, mut old_right) = ([0.0f32; TONE_BLOCK], [0.0f32; TONE_BLOCK]);
        let (ol, or) = (&mut old_left[..n], &mut old_right[..n]);
        ol.copy_from_slice(left);
        or.copy_from_slice(right);
        let [al, ar] = ahead;
        let mut old_ahead = [[0.0f32; LIMITERS * MAX_LOOKAHEAD]; 2];
        let [cl, cr] = &mut old_ahead;
        let (cl, cr) = (&mut cl[..al.len()], &mut cr[..ar.len()]);
        cl.copy_from_slice(al);
        cr.copy_from_slice(ar);
        self.old.process(ol, or, [cl, cr], &mut self.lookahead);
        self.stages.process(left, right, [al, ar], &mut self.lookahead);
        let total = self.change_frames as f32;
        for i in 0..n {
            let share = self.fade_left.saturating_sub(i as u32) as f32 / total;
            left[i] += share * (ol[i] - left[i]);
            right[i] += share * (or[i] - right[i]);
        }
        self.fade_left = self.fade_left.saturating_sub(n as u32);
    }

    /// Advances by `n` frames; at control points, glides move a step and the end of the tail is checked.
    fn advance(&mut self, n: usize) {
        if n < self.to_control {
            self.to_control -= n;
            return;
        }
        let beyond = n - self.to_control;
        self.to_control = CONTROL_FRAMES - beyond % CONTROL_FRAMES;
        self.quiet = if self.heard { 0 } else { self.quiet + CONTROL_FRAMES as u32 };
        // A block that goes beyond the control point has input in each of its intervals, the last one included.
        self.heard = !beyond.is_multiple_of(CONTROL_FRAMES);
        if self.fade_left == 0
            && let Some(settings) = self.waiting.take()
        {
            self.crossfade_to(settings);
        }
        if self.glide_steps > 0 {
            self.smoothed.approach(&self.target, self.glide_steps);
            self.glide_steps -= 1;
            self.stages.apply(&self.smoothed);
        }
        if self.quiet > self.quiet_frames && self.glide_steps == 0 && self.fade_left == 0 {
            self.rest();
        }
    }

    /// Largest gain reductions since the last call.
    pub fn take_reductions(&mut self) -> Reductions {
        let mut of = |stage| self.stages.take_reduction_db(stage);
        Reductions {
            limiter_db: of(ToneStage::Limiter),
            punch_db: of(ToneStage::Punch),
            low_band_db: of(ToneStage::LowBand),
            colour_db: of(ToneStage::Colour),
        }
    }

    /// Clears all state except the measured loudness, and jumps to the settings last taken.
    pub fn rest(&mut self) {
        // most chains of an engine are idle from one reset to the next
        if !self.is_reset {
            self.waiting = None;
            self.fade_left = 0;
            self.jump(self.last);
            self.asleep = true;
        }
    }

    /// [`ToneChain::rest`], and clears the measured loudness.
    pub fn reset(&mut self) {
        if !self.is_reset {
            self.rest();
            self.stages.reset();
            self.is_reset = true;
        }
    }

    /// Whether the tail has ended: silence in gives exact zeros out, and [`ToneChain::process`] need not be called
    /// until there is sound again.
    pub fn is_idle(&self) -> bool {
        self.asleep
    }
}

fn is_zero(x: &[f32]) -> bool {
    x.iter().all(|&x| x == 0.0)
}

/// Fills `out` with the rest of the chunk, then with the known frames after it.
fn next_frames(rest: &[f32], ahead: &[f32], out: &mut [f32]) {
    let from_rest = rest.len().min(out.len());
    out[..from_rest].copy_from_slice(&rest[..from_rest]);
    let needed = (out.len() - from_rest).min(ahead.len());
    out[from_rest..from_rest + needed].copy_from_slice(&ahead[..needed]);
}
