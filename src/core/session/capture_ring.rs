//! The ring that the audio thread fills with the side input: the last minutes, always there.
//!
//! One writer never waits; readers copy what they want and check afterwards that it was not overwritten meanwhile
//! (a sequence lock: Boehm, "Can seqlocks get along with programming language memory models?", 2012).

use std::sync::atomic::{
    AtomicU64,
    Ordering::{Acquire, Relaxed, Release},
    fence,
};

/// Left and right, bits of `f32`, in one word.
type Frame = AtomicU64;

/// The last frames of a stereo input.
#[derive(Debug)]
pub(super) struct CaptureRing {
    /// Hz.
    pub rate: u32,
    frames: Box<[Frame]>,
    /// Frames written since the start, including the block being written.
    claimed: AtomicU64,
    /// Frames completely written since the start.
    written: AtomicU64,
}

impl CaptureRing {
    /// A ring of at least `frames` frames. Its memory is taken from the system where it is first written.
    pub fn new(rate: u32, frames: usize) -> Self {
        const { assert!(align_of::<u64>() == align_of::<Frame>(), "the memory is handed back with this alignment") }
        let zeros = vec![0_u64; frames.max(1)].into_boxed_slice();
        // SAFETY: both types have the same size, alignment (checked above) and bits; the box is owned alone.
        let frames = unsafe { Box::from_raw(Box::into_raw(zeros) as *mut [Frame]) };
        Self { rate, frames, claimed: AtomicU64::new(0), written: AtomicU64::new(0) }
    }

    /// Frames that it holds.
    pub fn capacity(&self) -> u64 {
        self.frames.len() as u64
    }

    /// Frames written since the start.
    pub fn written(&self) -> u64 {
        self.written.load(Acquire)
    }

    /// For one thread at a time, the audio thread: appends frames. Never waits.
    pub fn write(&self, channels: [&[f32]; 2]) {
        let from = self.written.load(Relaxed);
        let count = channels[0].len().min(channels[1].len());
        self.claimed.store(from + count as u64, Relaxed);
        fence(Release);
        let mut at = (from % self.capacity()) as usize;
        for (left, right) in channels[0].iter().zip(channels[1]) {
            let both = u64::from(left.to_bits()) << 32 | u64::from(right.to_bits());
            self.frames[at].store(both, Relaxed);
            at = if at + 1 == self.frames.len() { 0 } else { at + 1 };
        }
        self.written.store(from + count as u64, Release);
    }

    /// Appends frames `from..to` to `out`, left and right; returns how many of the first were overwritten before they
    /// could be read: these are left out. `to` is at most [`CaptureRing::written`].
    pub fn read(&self, from: u64, to: u64, out: &mut [Vec<f32>; 2]) -> u64 {
        let start = out[0].len();
        for frame in from..to {
            let both = self.frames[(frame % self.capacity()) as usize].load(Relaxed);
            out[0].push(f32::from_bits((both >> 32) as u32));
            out[1].push(f32::from_bits(both as u32));
        }
        fence(Acquire);
        let oldest = self.claimed.load(Relaxed).saturating_sub(self.capacity());
        let lost = oldest.clamp(from, to) - from;
        for channel in out {
            channel.drain(start..start + lost as usize);
        }
        lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Arc, atomic::AtomicBool};

    fn number(frame: u64) -> f32 {
        // every whole number up to 2^24 is an f32
        (frame % (1 << 24)) as f32
    }

    #[test]
    fn the_last_frames_come_out_as_they_went_in() {
        let ring = CaptureRing::new(48_000, 1000);
        let mut frame = 0;
        for block in [1_usize, 7, 64, 333, 512, 999, 64, 1000].into_iter().cycle().take(40) {
            let left: Vec<f32> = (frame..frame + block as u64).map(number).collect();
            let right: Vec<f32> = left.iter().map(|x| -x).collect();
            ring.write([&left, &right]);
            frame += block as u64;
            let mut out = [Vec::new(), Vec::new()];
            let from = frame.saturating_sub(1000);
            assert_eq!(ring.read(from, frame, &mut out), 0);
            assert!(out[0].iter().zip(from..).all(|(x, f)| *x == number(f)));
            assert!(out[0].iter().zip(&out[1]).all(|(l, r)| *l == -r));
            assert_eq!(out[0].len() as u64, frame - from);
        }
        let mut out = [vec![0.5], vec![0.5]];
        assert_eq!(ring.read(frame - 1500, frame, &mut out), 500);
        assert_eq!((out[0].len(), out[0][0], out[0][1]), (1001, 0.5, number(frame - 1000)));
    }

    #[test]
    fn a_reader_never_gets_what_was_overwritten_while_it_read() {
        // Miri is about a thousand times as slow
        let (size, frames) = if cfg!(miri) { (128, 2000) } else { (4096, 3_000_000_u64) };
        let ring = Arc::new(CaptureRing::new(48_000, size));
        let writer = ring.clone();
        let enough = Arc::new(AtomicBool::new(false));
        let stop = enough.clone();
        let thread = std::thread::spawn(move || {
            let mut frame = 0;
            while !stop.load(Relaxed) {
                let block: Vec<f32> = (frame..frame + 97).map(number).collect();
                writer.write([&block, &block]);
                frame += 97;
            }
        });
        let mut read = 0_u64;
        // on a busy machine the writer may be far ahead before anything can be read
        while ring.written() < frames || read == 0 {
            let to = ring.written();
            let from = to.saturating_sub(size as u64);
            let mut out = [Vec::new(), Vec::new()];
            let lost = ring.read(from, to, &mut out);
            assert_eq!(out[0].len() as u64 + lost, to - from);
            assert!(out[0].iter().zip(from + lost..).all(|(x, f)| *x == number(f)));
            read += out[0].len() as u64;
        }
        enough.store(true, Relaxed);
        thread.join().unwrap();
    }
}
