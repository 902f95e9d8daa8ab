//! Records the side input: the audio thread fills a queue without waiting, and a thread of the recording's own
//! moves it into a take.

use super::threads::{join_unless_own, lock};
use crate::take::Take;
use crossbeam_queue::ArrayQueue;
use std::{
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering::Relaxed},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

/// Longest recording, s: ten minutes.
pub const MAX_RECORDING_SECONDS: u64 = 600;
/// Longest recording, frames: ten minutes at 48 kHz, less at higher rates, so that memory stays bounded.
const MAX_FRAMES: u64 = MAX_RECORDING_SECONDS * 48_000;
/// Frames of one chunk in the queue.
const CHUNK_FRAMES: usize = 256;
/// Pieces that wait at max_frames: 2.7 s at 48 kHz, for a machine that stalls.
const MAX_CHUNKS: usize = 512;
/// Peak above which the input counts as a signal: -60 dB of full scale; common practice, no source.
const SIGNAL_THRESHOLD: f32 = 1e-3;
/// How often the queue is drained.
const DRAIN_INTERVAL: Duration = Duration::from_millis(20);

/// State of a running recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recording {
    /// Length so far, s.
    pub seconds: f32,
    /// Highest magnitude since the meter was last read, as a fraction of full scale.
    pub peak: f32,
    /// Length lost because the machine stalled, s; 0 in a complete recording.
    pub lost_seconds: f32,
}

/// A chunk of both channels; only the first `frames` of each count.
#[derive(Debug)]
struct Chunk {
    channels: [[f32; CHUNK_FRAMES]; 2],
    frames: usize,
}

/// The side input's recorder.
#[derive(Debug)]
pub(super) struct Recorder {
    open: AtomicBool,
    /// The recording is kept when it ends.
    keep: AtomicBool,
    chunks: ArrayQueue<Chunk>,
    frames: AtomicU64,
    lost: AtomicU64,
    rate: AtomicU32,
    /// Peak of the input as `f32` bits, since the meter was last read.
    peak: AtomicU32,
    has_signal: AtomicBool,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Default for Recorder {
    fn default() -> Self {
        Self {
            open: AtomicBool::new(false),
            keep: AtomicBool::new(false),
            chunks: ArrayQueue::new(MAX_CHUNKS),
            frames: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            rate: AtomicU32::new(0),
            peak: AtomicU32::new(0),
            has_signal: AtomicBool::new(false),
            thread: Mutex::default(),
        }
    }
}

impl Recorder {
    /// For the audio thread: frames of the side input. Never allocates, locks or waits.
    pub fn feed(&self, channels: [&[f32]; 2]) {
        let peak = channels.iter().flat_map(|c| c.iter()).fold(0.0_f32, |peak, s| peak.max(s.abs()));
        if peak > 0.0 {
            // bits of numbers from 0 up are in the order of the numbers
            self.peak.fetch_max(peak.to_bits(), Relaxed);
        }
        if peak > SIGNAL_THRESHOLD && !self.has_signal.load(Relaxed) {
            self.has_signal.store(true, Relaxed);
        }
        if !self.open.load(Relaxed) {
            return;
        }
        let frames = channels[0].len().min(channels[1].len());
        for at in (0..frames).step_by(CHUNK_FRAMES) {
            let count = CHUNK_FRAMES.min(frames - at);
            let mut chunk = Chunk { channels: [[0.0; CHUNK_FRAMES]; 2], frames: count };
            for (to, from) in chunk.channels.iter_mut().zip(channels) {
                to[..count].copy_from_slice(&from[at..at + count]);
            }
            if self.chunks.push(chunk).is_err() {
                self.lost.fetch_add(count as u64, Relaxed);
            }
        }
    }

    /// Peak of the side input since the last call.
    pub fn take_peak(&self) -> f32 {
        f32::from_bits(self.peak.swap(0, Relaxed))
    }

    /// Whether the input ever exceeded [`SIGNAL_THRESHOLD`].
    pub fn has_signal(&self) -> bool {
        self.has_signal.load(Relaxed)
    }

    /// The running recording, if any.
    pub fn state(&self) -> Option<Recording> {
        let rate = self.rate.load(Relaxed).max(1) as f32;
        self.open.load(Relaxed).then(|| Recording {
            seconds: self.frames.load(Relaxed) as f32 / rate,
            peak: f32::from_bits(self.peak.load(Relaxed)),
            lost_seconds: self.lost.load(Relaxed) as f32 / rate,
        })
    }

    /// Begins at `rate` Hz; `done` gets the take when the recording is stopped and kept. Nothing happens while
    /// one runs.
    pub fn start(self: &Arc<Self>, rate: u32, done: impl FnOnce(Take) + Send + 'static) {
        let mut thread = lock(&self.thread);
        if self.open.load(Relaxed) {
            return;
        }
        if let Some(last) = thread.take() {
            join_unless_own(last);
        }
        while self.chunks.pop().is_some() {}
        self.frames.store(0, Relaxed);
        self.lost.store(0, Relaxed);
        self.rate.store(rate, Relaxed);
        self.keep.store(true, Relaxed);
        self.open.store(true, Relaxed);
        let own = self.clone();
        let spawned = thread::Builder::new().name("kitwright-record".into()).spawn(move || {
            let take = own.collect(rate);
            if own.keep.load(Relaxed) {
                done(take);
            }
        });
        match spawned {
            Ok(handle) => *thread = Some(handle),
            Err(_) => self.open.store(false, Relaxed),
        }
    }

    /// Ends the recording; what was recorded is handed over when `keep`.
    pub fn stop(&self, keep: bool) {
        if !keep {
            self.keep.store(false, Relaxed);
        }
        self.open.store(false, Relaxed);
    }

    /// Ends the thread; its recording is discarded.
    pub fn end(&self) {
        self.stop(false);
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }

    /// Drains the queue until the recording ends.
    fn collect(&self, rate: u32) -> Take {
        let mut channels = [Vec::new(), Vec::new()];
        let max_frames = MAX_FRAMES.min(MAX_RECORDING_SECONDS * u64::from(rate)) as usize;
        let mut full = false;
        loop {
            let open = self.open.load(Relaxed);
            // once it is closed, one more round takes what the audio thread was still handing over
            thread::sleep(DRAIN_INTERVAL);
            while let Some(chunk) = self.chunks.pop() {
                let room = max_frames - channels[0].len();
                let count = chunk.frames.min(room);
                for (to, from) in channels.iter_mut().zip(&chunk.channels) {
                    to.extend_from_slice(&from[..count]);
                }
            }
            self.frames.store(channels[0].len() as u64, Relaxed);
            if channels[0].len() >= max_frames {
                full = true;
                self.open.store(false, Relaxed);
            }
            if !open || full {
                break;
            }
        }
        self.take_of(channels, rate, full)
    }

    fn take_of(&self, [left, right]: [Vec<f32>; 2], rate: u32, full: bool) -> Take {
        let mono = left == right;
        let channels = if mono { vec![left] } else { vec![left, right] };
        let mut take = Take::from_samples("recording", rate, channels);
        if full {
            take.notices.push(format!("It was ended at the longest length, {:.0} s.", take.seconds()));
        }
        let lost = self.lost.load(Relaxed);
        if lost > 0 {
            let ms = lost as f64 * 1000.0 / f64::from(rate);
            take.notices.push(format!("{ms:.0} ms are missing because the machine stalled."));
        }
        take
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    fn wait(receiver: &mpsc::Receiver<Take>) -> Take {
        receiver.recv_timeout(Duration::from_secs(60)).expect("a take")
    }

    fn ramp(frames: usize) -> Vec<f32> {
        (0..frames).map(|i| i as f32 / 131_072.0).collect()
    }

    #[test]
    fn every_frame_arrives_in_order_whatever_the_blocks() {
        let recorder = Arc::new(Recorder::default());
        let (send, receive) = mpsc::channel();
        recorder.start(48_000, move |take| send.send(take).expect("received"));
        let left = ramp(20_000);
        let right: Vec<f32> = left.iter().map(|s| -s).collect();
        let mut at = 0;
        for block in [1, 64, 255, 256, 257, 1000, 4096].into_iter().cycle() {
            let end = (at + block).min(left.len());
            recorder.feed([&left[at..end], &right[at..end]]);
            at = end;
            if at == left.len() {
                break;
            }
        }
        recorder.stop(true);
        let take = wait(&receive);
        assert_eq!(take.channels, [left, right]);
        assert_eq!((take.sample_rate, take.notices.len()), (48_000, 0));
        assert_eq!(recorder.state(), None);
    }

    #[test]
    fn equal_channels_are_one() {
        let recorder = Arc::new(Recorder::default());
        let (send, receive) = mpsc::channel();
        recorder.start(44_100, move |take| send.send(take).expect("received"));
        let one = ramp(100);
        recorder.feed([&one, &one]);
        recorder.stop(true);
        assert_eq!(wait(&receive).channels, [one]);
    }

    #[test]
    fn a_discarded_recording_and_sound_outside_of_one_are_dropped() {
        let recorder = Arc::new(Recorder::default());
        recorder.feed([&[0.5], &[0.25]]);
        assert!(recorder.chunks.is_empty());
        assert_eq!((recorder.take_peak(), recorder.has_signal()), (0.5, true));
        let (send, receive) = mpsc::channel();
        recorder.start(48_000, move |take| send.send(take).expect("received"));
        recorder.feed([&[0.5], &[0.25]]);
        recorder.end();
        assert!(receive.try_recv().is_err());
    }

    #[test]
    fn a_stalled_machine_loses_sound_and_says_so() {
        let recorder = Recorder::default();
        recorder.open.store(true, Relaxed);
        recorder.rate.store(48_000, Relaxed);
        let block = [0.1; CHUNK_FRAMES];
        for _ in 0..MAX_CHUNKS + 3 {
            recorder.feed([&block, &block]);
        }
        let lost = recorder.state().expect("open").lost_seconds;
        assert!((lost - 3.0 * CHUNK_FRAMES as f32 / 48_000.0).abs() < 1e-6);
        let take = recorder.take_of([vec![0.0], vec![0.0]], 48_000, false);
        assert_eq!(take.notices, ["16 ms are missing because the machine stalled."]);
    }

    #[test]
    fn a_recording_ends_by_itself_at_the_longest_length() {
        let recorder = Arc::new(Recorder::default());
        let (send, receive) = mpsc::channel();
        // at 1 Hz the longest length is 600 frames
        recorder.start(1, move |take| send.send(take).expect("received"));
        let block = vec![0.5; 1000];
        recorder.feed([&block, &block]);
        let take = wait(&receive);
        assert_eq!(take.frames(), 600);
        assert!(take.notices[0].contains("longest"), "{:?}", take.notices);
        assert_eq!(recorder.state(), None);
    }
}
