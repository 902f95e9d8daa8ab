//! The latest frames of one output, for a live spectrum.

use crate::kit::PADS;
use std::sync::atomic::{
    AtomicU32, AtomicU64,
    Ordering::{Acquire, Relaxed, Release},
    fence,
};

/// Frames in the ring.
const FRAMES: usize = 1 << 14;
/// Oldest frames of the ring that a reader does not use: the engine may be overwriting them.
const STALE_FRAMES: usize = 1024;
const MAIN: u32 = PADS as u32;
const OFF: u32 = MAIN + 1;

/// The output that a [`Scope`] follows, after its ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScopeSource {
    /// None, at no cost.
    Off,
    /// The main output.
    Main,
    /// The output of pad 0 to 15.
    Pad(usize),
}

/// A ring of the latest frames of one output. Any thread chooses the output and reads; the engine writes
/// without ever waiting.
#[derive(Debug)]
pub struct Scope {
    sample_rate: f64,
    source: AtomicU32,
    /// Source of the frames from number `since` on.
    written_source: AtomicU32,
    since: AtomicU64,
    /// Frames written so far; the next one is stored at this index modulo the length.
    written: AtomicU64,
    /// Left and right as `f32` bits, left in the low half.
    frames: Box<[AtomicU64]>,
}

impl Scope {
    /// Most frames that [`Scope::latest`] can give.
    pub const MAX_FRAMES: usize = FRAMES - STALE_FRAMES;

    pub(in crate::engine) fn new(sample_rate: f64) -> Self {
        Self {
            sample_rate,
            source: AtomicU32::new(OFF),
            written_source: AtomicU32::new(OFF),
            since: AtomicU64::new(0),
            written: AtomicU64::new(0),
            frames: (0..FRAMES).map(|_| AtomicU64::new(0)).collect(),
        }
    }

    /// Sample rate of the engine, Hz.
    pub fn sample_rate(&self) -> f64 {
        self.sample_rate
    }

    /// Chooses the output to follow from the next block on; a pad that does not exist means off.
    pub fn listen(&self, source: ScopeSource) {
        let number = match source {
            ScopeSource::Off => OFF,
            ScopeSource::Main => MAIN,
            ScopeSource::Pad(pad) if pad < PADS => pad as u32,
            ScopeSource::Pad(_) => OFF,
        };
        self.source.store(number, Relaxed);
    }

    /// The chosen output.
    pub fn source(&self) -> ScopeSource {
        to_source(self.source.load(Relaxed))
    }

    /// Puts the latest frames, oldest first, `[left, right]`, into `out`. At most [`Scope::MAX_FRAMES`] are known; a
    /// longer `out` starts with zeros, and frames from before the output was chosen are zeros. Returns the number
    /// of frames written so far, which tells whether any are new; `None`, with `out` all zeros, when the engine
    /// overtook the reader or has not yet written this output.
    pub fn latest(&self, out: &mut [[f32; 2]]) -> Option<u64> {
        out.fill([0.0; 2]);
        let written = self.written.load(Acquire);
        // with acquire ordering, so that `since` is not older
        if self.source.load(Relaxed) != self.written_source.load(Acquire) {
            return None;
        }
        let since = self.since.load(Relaxed);
        let n = out.len().min(Self::MAX_FRAMES).min(written.saturating_sub(since) as usize);
        let from = out.len() - n;
        for (i, frame) in out[from..].iter_mut().enumerate() {
            let at = written - n as u64 + i as u64;
            let bits = self.frames[at as usize % FRAMES].load(Relaxed);
            *frame = [f32::from_bits(bits as u32), f32::from_bits((bits >> 32) as u32)];
        }
        fence(Acquire);
        if self.written.load(Relaxed) - written > STALE_FRAMES as u64 - 256 {
            out.fill([0.0; 2]);
            return None;
        }
        Some(written)
    }

    /// The output that the engine is to write next; starts anew when it has changed. Audio thread only.
    pub(in crate::engine) fn wanted(&self) -> ScopeSource {
        let source = self.source.load(Relaxed);
        if source != self.written_source.load(Relaxed) {
            self.since.store(self.written.load(Relaxed), Relaxed);
            self.written_source.store(source, Release);
        }
        to_source(source)
    }

    /// Adds frames. Audio thread only, at most 256 at once.
    pub(in crate::engine) fn write(&self, left: &[f32], right: &[f32]) {
        let written = self.written.load(Relaxed);
        // A reader that sees one of the stores below then also sees the count of the call before, and so notices
        // that it was overtaken.
        fence(Release);
        for (i, (l, r)) in left.iter().zip(right).enumerate() {
            let bits = u64::from(l.to_bits()) | u64::from(r.to_bits()) << 32;
            self.frames[(written as usize + i) % FRAMES].store(bits, Relaxed);
        }
        self.written.store(written + left.len() as u64, Release);
    }
}

fn to_source(number: u32) -> ScopeSource {
    match number {
        MAIN => ScopeSource::Main,
        pad if pad < MAIN => ScopeSource::Pad(pad as usize),
        _ => ScopeSource::Off,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn latest_gives_only_frames_of_the_chosen_output() {
        let scope = Scope::new(48_000.0);
        let mut out = [[9.0; 2]; 300];
        assert_eq!(scope.wanted(), ScopeSource::Off);
        scope.listen(ScopeSource::Pad(3));
        assert_eq!(scope.latest(&mut out), None, "nothing of this output was written");
        assert_eq!(scope.wanted(), ScopeSource::Pad(3));
        let mut n = 0;
        let mut write = |frames: usize| {
            let left: Vec<f32> = (n..n + frames).map(|i| i as f32).collect();
            let right: Vec<f32> = left.iter().map(|x| -x).collect();
            scope.write(&left, &right);
            n += frames;
        };
        write(100);
        assert_eq!(scope.latest(&mut out), Some(100));
        assert_eq!(out[199], [0.0; 2]);
        assert_eq!((out[200], out[299]), ([0.0, -0.0], [99.0, -99.0]));
        (0..200).for_each(|_| write(250));
        assert_eq!(scope.latest(&mut out), Some(50_100));
        assert!(out.iter().enumerate().all(|(i, f)| f[0] == (49_800 + i) as f32 && f[1] == -f[0]));
        scope.listen(ScopeSource::Main);
        assert_eq!(scope.latest(&mut out), None, "the frames are another output's");
        assert_eq!(scope.wanted(), ScopeSource::Main);
        assert_eq!(scope.latest(&mut out), Some(50_100));
        assert!(out.iter().all(|f| *f == [0.0; 2]));
    }

    #[test]
    fn a_reader_beside_a_fast_writer_gets_consecutive_frames_or_none() {
        let scope = Scope::new(48_000.0);
        scope.listen(ScopeSource::Main);
        scope.wanted();
        let done = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|threads| {
            threads.spawn(|| {
                for block in 0..40_000_u32 {
                    let frames: [f32; 64] = std::array::from_fn(|i| (block * 64 + i as u32) as f32);
                    scope.write(&frames, &frames);
                }
                done.store(true, Relaxed);
            });
            let mut out = vec![[0.0; 2]; 4096];
            let mut seen = 0;
            while !done.load(Relaxed) || seen == 0 {
                if scope.latest(&mut out).is_some_and(|n| n > 4096) {
                    seen += 1;
                    assert!(out.windows(2).all(|w| w[1][0] == w[0][0] + 1.0));
                }
            }
        });
    }
}
