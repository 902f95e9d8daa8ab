//! Playing a pad offline through the engine: what is judged is what will be heard.

use super::features::Features;
use crate::{
    engine::{Engine, PlayKit},
    kit::{Document, Kit, PADS, Pad, Way},
    take::Take,
};
use std::sync::Arc;

/// Rate of the auditions, Hz.
pub const RATE: f64 = 48_000.0;
/// Velocity of the auditions: the one at which pads are exported (110 of 127).
pub const VELOCITY: f32 = 110.0 / 127.0;
/// Longest audition, seconds: what the measures look at.
const LONGEST_S: f64 = super::features::LONGEST_S + 0.05;

/// An audition ends when everything has been this far below the peak (56 dB: what the measures take for
/// nothing lies at 60)...
const UNHEARD: f32 = 1.6e-3;
/// ...for this long, seconds.
const UNHEARD_S: f64 = 0.06;

/// A place to play pads: one engine, used again and again. One for each thread.
pub struct Stage {
    engine: Engine,
    doc: Document,
    takes: Vec<Arc<Take>>,
}

impl Stage {
    /// A stage for pads that read from the takes of `kit`.
    pub fn new(kit: &Kit) -> Self {
        let mut doc = kit.doc.clone();
        doc.trims.kit.ceiling_on = false;
        // the same draws for every kit: what is cast and found does not hang on the kit's seed
        doc.seed = 0;
        Self { engine: Engine::new(RATE), doc, takes: kit.takes.clone() }
    }

    /// Plays one stroke of `pad`, as loud as it is, without ceiling: left and right.
    pub fn play(&mut self, pad: &Pad, seconds: f64) -> [Vec<f32>; 2] {
        self.play_until(pad, seconds, |_| false)
    }

    /// Plays one stroke until silence, or until `done` says of the left and right sound so far that it is
    /// enough.
    fn play_until(
        &mut self,
        pad: &Pad,
        seconds: f64,
        mut done: impl FnMut(&[Vec<f32>; 2]) -> bool,
    ) -> [Vec<f32>; 2] {
        let mut doc = Document { pads: Document::default().pads, ..self.doc.clone() };
        // a pad sounds the same wherever it stands, and each stroke the same: draws are frozen
        doc.pads[0] = pad.clone();
        doc.pads[0].variation.way = Way::Held;
        doc.pads[0].settings.pan = 0.0;
        let kit = Arc::new(Kit { doc, takes: self.takes.clone() });
        self.engine.set_trims(&kit.doc.trims);
        self.engine.set_kit(Arc::new(PlayKit::new(kit, RATE)));
        self.engine.reset();
        while self.engine.retired().is_some() {}
        self.engine.strike(0, VELOCITY);
        let frames = (seconds * RATE) as usize;
        let mut out = [Vec::with_capacity(frames), Vec::with_capacity(frames)];
        while out[0].len() < frames && !self.engine.is_silent() && !done(&out) {
            let n = Engine::MAX_CHUNK.min(frames - out[0].len());
            self.engine.render(n);
            for (out, part) in out.iter_mut().zip(self.engine.pad(0)) {
                out.extend_from_slice(&part[..n]);
            }
        }
        out
    }

    /// Plays `pad` and measures it; `None` when nothing is heard.
    pub fn measure(&mut self, pad: &Pad) -> Option<Features> {
        let (mut peak, mut last, mut seen) = (0.0f32, 0, 0);
        let [left, right] = self.play_until(pad, LONGEST_S, |[left, right]| {
            for (i, (l, r)) in left.iter().zip(right).enumerate().skip(seen) {
                let level = l.abs().max(r.abs());
                peak = peak.max(level);
                if level > peak * UNHEARD {
                    last = i;
                }
            }
            seen = left.len();
            peak > 0.0 && seen - last > (UNHEARD_S * RATE) as usize
        });
        Features::of(&mono(&left, &right), RATE)
    }
}

/// The mean of both channels.
pub fn mono(left: &[f32], right: &[f32]) -> Vec<f32> {
    left.iter().zip(right).map(|(l, r)| (l + r) * 0.5).collect()
}

/// Runs `work` for every index below `count` on as many threads as there are cores, each with its own stage;
/// results come in the order of the indices, whatever the threads do.
pub fn on_all_cores<T: Send>(
    kit: &Kit,
    count: usize,
    work: impl Fn(&mut Stage, usize) -> T + Sync,
) -> Vec<T> {
    let threads =
        std::thread::available_parallelism().map_or(1, |n| n.get()).clamp(1, PADS).min(count.max(1));
    let next = std::sync::atomic::AtomicUsize::new(0);
    let run = || {
        let mut stage = Stage::new(kit);
        let mut done = Vec::new();
        loop {
            let i = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            if i >= count {
                return done;
            }
            done.push((i, work(&mut stage, i)));
        }
    };
    let mut all: Vec<(usize, T)> = std::thread::scope(|scope| {
        let others: Vec<_> = (1..threads).map(|_| scope.spawn(run)).collect();
        let mut all = run();
        for other in others {
            match other.join() {
                Ok(part) => all.extend(part),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        all
    });
    all.sort_by_key(|(i, _)| *i);
    all.into_iter().map(|(_, t)| t).collect()
}
