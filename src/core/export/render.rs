//! Playing a score through the engine, without a host.

use super::score::{Action, Event, Score};
use crate::{
    engine::{Engine, PlayKit, Transport},
    error::{Error, Result},
    kit::Kit,
    progress::Progress,
};
use std::sync::Arc;

/// Maximum length of the tail after the last event, seconds. Held keys are released before it begins.
pub const MAX_TAIL_S: f64 = 20.0;
/// The end of the tail is looked for at multiples of this many frames after the last event, so that the
/// length does not depend on the blocks.
const TAIL_STEP: u64 = 1024;

/// How to render.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RenderOptions {
    /// Output rate, Hz: 8,000 to 384,000.
    pub rate: u32,
    /// Frames per block, as a host would ask for: 1 to 65,536. The samples do not depend on it.
    pub block: usize,
}

impl Default for RenderOptions {
    fn default() -> Self {
        Self { rate: 48_000, block: 512 }
    }
}

impl RenderOptions {
    /// These options, if they lie within their ranges.
    ///
    /// # Errors
    /// One sentence about the first that does not.
    pub fn checked(self) -> Result<Self> {
        if !(8_000..=384_000).contains(&self.rate) {
            return Err(Error::invalid(format!(
                "the rate is {} Hz, it must lie between 8000 and 384000",
                self.rate
            )));
        }
        if !(1..=65_536).contains(&self.block) {
            return Err(Error::invalid(format!(
                "the block is {} frames, it must lie between 1 and 65536",
                self.block
            )));
        }
        Ok(self)
    }
}

/// Plays `score` with `kit` until its tail is silent (at most [`MAX_TAIL_S`]), handing each rendered
/// piece to `sink`: the engine after its render and the frames that it made. Returns the frames made.
///
/// The same kit, score and rate give the same samples whatever the block.
///
/// # Errors
/// Options out of range, cancelled by `progress`, or what `sink` returns.
pub fn render(
    kit: &Arc<PlayKit>,
    score: &Score,
    options: RenderOptions,
    progress: &dyn Progress,
    sink: &mut dyn FnMut(&Engine, usize) -> Result<()>,
) -> Result<u64> {
    let options = options.checked()?;
    play_score(Engine::offline(f64::from(options.rate)), kit, score, options, progress, sink)
}

/// The same; the pads' outputs that `sink` sees add up to the main output, those that are not sent there apart.
///
/// # Errors
/// As [`render`].
pub fn render_stems(
    kit: &Arc<PlayKit>,
    score: &Score,
    options: RenderOptions,
    progress: &dyn Progress,
    sink: &mut dyn FnMut(&Engine, usize) -> Result<()>,
) -> Result<u64> {
    let options = options.checked()?;
    play_score(Engine::stems(f64::from(options.rate)), kit, score, options, progress, sink)
}

fn play_score(
    mut engine: Engine,
    kit: &Arc<PlayKit>,
    score: &Score,
    options: RenderOptions,
    progress: &dyn Progress,
    sink: &mut dyn FnMut(&Engine, usize) -> Result<()>,
) -> Result<u64> {
    let rate = f64::from(options.rate);
    engine.set_trims(&kit.kit.doc.trims);
    engine.set_kit(kit.clone());
    engine.reset(); // trims are in place from the first sample on

    let frame_of = |seconds: f64| (seconds * rate).round() as u64;
    let last = frame_of(score.seconds);
    let limit = last + (MAX_TAIL_S * rate) as u64;
    let mut events = score.events.iter().peekable();
    let mut held = Vec::new();
    let mut now = 0;
    loop {
        let (tempo, beats) = score.position_at(now as f64 / rate);
        engine.set_transport(Transport { beats: Some(beats), tempo });
        while let Some(event) = events.next_if(|e| frame_of(e.seconds) <= now) {
            play(&mut engine, event, &mut held);
        }
        if now >= last {
            held.drain(..).for_each(|(channel, note)| engine.note_off_channel(Some(channel), note));
            if now == limit {
                break;
            }
            if (now - last).is_multiple_of(TAIL_STEP) && engine.is_silent() {
                break;
            }
        }
        let next_event = events.peek().map_or(u64::MAX, |e| frame_of(e.seconds));
        let step_end = if now < last { last } else { now + TAIL_STEP - (now - last) % TAIL_STEP };
        let block_end = (now / options.block as u64 + 1) * options.block as u64;
        let end = next_event.min(step_end).min(block_end).min(limit).min(now + Engine::MAX_CHUNK as u64);
        let frames = (end - now) as usize;
        engine.render(frames);
        sink(&engine, frames)?;
        now = end;
        progress.check()?;
        progress.report("rendering", (now as f32 / last.max(1) as f32).min(1.0));
    }
    Ok(now)
}

fn play(engine: &mut Engine, event: &Event, held: &mut Vec<(u8, u8)>) {
    let channel = event.channel;
    match event.action {
        Action::On(note, velocity) => {
            engine.note_on_channel(channel, note, velocity);
            if !held.contains(&(channel, note)) {
                held.push((channel, note));
            }
        }
        Action::Off(note) => {
            engine.note_off_channel(Some(channel), note);
            held.retain(|&key| key != (channel, note));
        }
        Action::Silence => engine.all_off(),
    }
}

/// Stereo samples, left and right.
pub type Stereo = [Vec<f32>; 2];

/// One pad played once, alone: the samples of its own output. Mutes and solos do not count.
///
/// # Errors
/// A rate out of range, or cancelled by `progress`.
///
/// # Panics
/// When the kit has no pad of this index.
pub fn render_pad(
    kit: &Arc<Kit>,
    pad: usize,
    velocity: f32,
    rate: u32,
    progress: &dyn Progress,
) -> Result<Stereo> {
    let mut alone = Kit::clone(kit);
    alone.doc.key_parts.clear();
    for trims in &mut alone.doc.trims.pads {
        (trims.mute, trims.solo) = (false, false);
    }
    let note = alone.doc.pads[pad].note;
    let kit = Arc::new(PlayKit::new(Arc::new(alone), f64::from(rate)));
    let mut out = Stereo::default();
    let options = RenderOptions { rate, ..RenderOptions::default() };
    let score = Score::stroke(note, velocity, 0.5);
    render(&kit, &score, options, progress, &mut |engine, frames| {
        for (to, from) in out.iter_mut().zip(engine.pad(pad)) {
            to.extend_from_slice(&from[..frames]);
        }
        Ok(())
    })?;
    trim_end(&mut out);
    Ok(out)
}

/// Cuts exact zeros off the end, leaving at least one frame.
pub(super) fn trim_end(sound: &mut Stereo) {
    let last = sound.iter().map(|c| c.iter().rposition(|&s| s != 0.0).map_or(0, |i| i + 1)).max();
    let frames = last.unwrap_or(0).max(1);
    sound.iter_mut().for_each(|c| c.resize(frames, 0.0));
}
