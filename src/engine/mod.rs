//! The sound, in real time: voices, cloud, tone, mix. Knows nothing of plugins, windows or files.
//!
//! The caller hands in events at their frame and asks for chunks between them:
//! `engine.note_on(36, 0.8); engine.render(n); engine.main()`. The result does not depend on how the
//! frames are chunked. Nothing here allocates, locks or waits after [`Engine::new`].

pub mod dsp;
pub mod tone;

use crate::kit::{Kit, PADS, Trims};
use std::sync::{Arc, atomic::AtomicU32};

/// A kit made ready for playing at one sample rate, off the audio thread.
#[derive(Debug)]
pub struct PlayKit {
    /// The kit it was made from; keeps the takes alive.
    pub kit: Arc<Kit>,
    /// Hz.
    pub sample_rate: f64,
}

impl PlayKit {
    /// Prepares `kit` for an engine at `sample_rate` Hz; allocates, never call it while playing.
    pub fn new(kit: Arc<Kit>, sample_rate: f64) -> Self {
        Self { kit, sample_rate }
    }
}

/// What the window shows while playing; written by the engine, read by anyone.
#[derive(Debug, Default)]
pub struct Meters {
    /// Peak of each pad since the last read, as `f32` bits.
    pub pad_peak: [AtomicU32; PADS],
    /// Strokes received by each pad since the start, wrapping.
    pub pad_strokes: [AtomicU32; PADS],
    /// Peak of the main output since the last read, as `f32` bits.
    pub main_peak: AtomicU32,
    /// Voices sounding.
    pub voices: AtomicU32,
}

/// Where the song stands, for placed variation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Transport {
    /// Position of the next frame in beats (quarter notes) when the host plays, else `None`.
    pub beats: Option<f64>,
    /// Tempo, beats per minute.
    pub tempo: f64,
}

/// Plays a kit.
#[derive(Debug)]
pub struct Engine {
    sample_rate: f64,
    main: [Vec<f32>; 2],
    meters: Arc<Meters>,
}

impl Engine {
    /// Most frames that one call of [`Engine::render`] makes.
    pub const MAX_CHUNK: usize = 256;

    /// An engine without a kit, at `sample_rate` Hz; allocates everything it will ever need.
    pub fn new(sample_rate: f64) -> Self {
        Self {
            sample_rate,
            main: std::array::from_fn(|_| vec![0.0; Self::MAX_CHUNK]),
            meters: Arc::default(),
        }
    }

    /// Hz.
    pub fn sample_rate(&self) -> f64 {
        self.sample_rate
    }

    /// The meters that this engine writes.
    pub fn meters(&self) -> Arc<Meters> {
        self.meters.clone()
    }

    /// Silences everything at once and starts all counters anew: the same notes then give the same
    /// samples as in a fresh engine.
    pub fn reset(&mut self) {}

    /// Takes a kit; what sounds of the old one fades out. The old kit stays in the engine until it is
    /// silent; collect it with [`Engine::retired`].
    pub fn set_kit(&mut self, kit: Arc<PlayKit>) {
        let _ = kit;
    }

    /// A kit the engine no longer needs, to be dropped on another thread.
    pub fn retired(&mut self) -> Option<Arc<PlayKit>> {
        None
    }

    /// Takes new trims; changes are smoothed within 10 ms, mutes and switches faded.
    pub fn set_trims(&mut self, trims: &Trims) {
        let _ = trims;
    }

    /// Where the song stands at the next frame.
    pub fn set_transport(&mut self, transport: Transport) {
        let _ = transport;
    }

    /// A key goes down at the next frame: `note` 0 to 127, `velocity` above 0 to 1.
    pub fn note_on(&mut self, note: u8, velocity: f32) {
        let _ = (note, velocity);
    }

    /// A key is let go at the next frame; one-shot pads play on.
    pub fn note_off(&mut self, note: u8) {
        let _ = note;
    }

    /// Cuts a pad off (with a short fade), one-shot or not.
    pub fn choke(&mut self, note: u8) {
        let _ = note;
    }

    /// Fades everything out.
    pub fn all_off(&mut self) {}

    /// Renders the next `frames` (1 to [`Engine::MAX_CHUNK`]) into the engine's own buffers.
    pub fn render(&mut self, frames: usize) {
        let _ = frames;
    }

    /// Main output of the last [`Engine::render`]: left and right.
    pub fn main(&self) -> [&[f32]; 2] {
        [&self.main[0], &self.main[1]]
    }

    /// Output of pad 0 to 15 of the last [`Engine::render`]: left and right, after level, pan, mute
    /// and ceiling.
    pub fn pad(&self, pad: usize) -> [&[f32]; 2] {
        let _ = pad;
        [&self.main[0], &self.main[1]]
    }

    /// Whether nothing sounds: rendering on gives exact zeros until the next note.
    pub fn is_silent(&self) -> bool {
        true
    }
}
