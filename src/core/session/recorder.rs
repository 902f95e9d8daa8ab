//! Recording the side input: the audio thread fills a queue without waiting, a thread of the recording's own
//! empties it into a take.

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

/// Longest recording, s.
pub const MAX_RECORDING_SECONDS: u64 = 600;
/// Longest recording, frames: ten minutes at 48 kHz, less at higher rates, so that memory stays bounded.
const MAX_FRAMES: u64 = MAX_RECORDING_SECONDS * 48_000;
/// Frames in one piece of the queue.
const PIECE: usize = 256;
/// Pieces that wait at most: 2.7 s at 48 kHz, for a machine that stalls.
const PIECES: usize = 512;
/// Peak from which the input counts as heard: -60 dB of full scale.
const HEARD: f32 = 1e-3;
/// How often the queue is emptied.
const REST: Duration = Duration::from_millis(20);

/// What a running recording tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recording {
    /// Length so far, s.
    pub seconds: f32,
    /// Highest sample of the last moment, 0 to 1 and above.
    pub peak: f32,
    /// Length that was lost because the machine stalled, s; 0 in a whole recording.
    pub lost_seconds: f32,
}

/// A stretch of both channels; only the first `frames` of each count.
#[derive(Debug)]
struct Piece {
    channels: [[f32; PIECE]; 2],
    frames: usize,
}

/// The side input's recorder.
#[derive(Debug)]
pub(super) struct Recorder {
    open: AtomicBool,
    /// What is recorded is wanted.
    keep: AtomicBool,
    pieces: ArrayQueue<Piece>,
    frames: AtomicU64,
    lost: AtomicU64,
    rate: AtomicU32,
    /// Peak of the input as `f32` bits, since somebody last looked.
    peak: AtomicU32,
    heard: AtomicBool,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Default for Recorder {
    fn default() -> Self {
        Self {
            open: AtomicBool::new(false),
            keep: AtomicBool::new(false),
            pieces: ArrayQueue::new(PIECES),
            frames: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            rate: AtomicU32::new(0),
            peak: AtomicU32::new(0),
            heard: AtomicBool::new(false),
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
        if peak > HEARD && !self.heard.load(Relaxed) {
            self.heard.store(true, Relaxed);
        }
        if !self.open.load(Relaxed) {
            return;
        }
        let frames = channels[0].len().min(channels[1].len());
        for at in (0..frames).step_by(PIECE) {
            let count = PIECE.min(frames - at);
            let mut piece = Piece { channels: [[0.0; PIECE]; 2], frames: count };
            for (to, from) in piece.channels.iter_mut().zip(channels) {
                to[..count].copy_from_slice(&from[at..at + count]);
            }
            if self.pieces.push(piece).is_err() {
                self.lost.fetch_add(count as u64, Relaxed);
            }
        }
    }

    /// Peak of the side input since the last call.
    pub fn take_peak(&self) -> f32 {
        f32::from_bits(self.peak.swap(0, Relaxed))
    }

    /// Whether anything to speak of ever came in.
    pub fn heard(&self) -> bool {
        self.heard.load(Relaxed)
    }

    /// The running recording.
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
        while self.pieces.pop().is_some() {}
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

    /// Ends the thread; what it recorded is forgotten.
    pub fn end(&self) {
        self.stop(false);
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }

    /// Empties the queue until the recording ends.
    fn collect(&self, rate: u32) -> Take {
        let mut channels = [Vec::new(), Vec::new()];
        let most = MAX_FRAMES.min(MAX_RECORDING_SECONDS * u64::from(rate)) as usize;
        let mut full = false;
        loop {
            let open = self.open.load(Relaxed);
            // once it is closed, one more round takes what the audio thread was still handing over
            thread::sleep(REST);
            while let Some(piece) = self.pieces.pop() {
                let room = most - channels[0].len();
                let count = piece.frames.min(room);
                for (to, from) in channels.iter_mut().zip(&piece.channels) {
                    to.extend_from_slice(&from[..count]);
                }
            }
            self.frames.store(channels[0].len() as u64, Relaxed);
            if channels[0].len() >= most {
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
        recorder.start(48_000, move |take| send.send(take).expect("heard"));
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
        recorder.start(44_100, move |take| send.send(take).expect("heard"));
        let one = ramp(100);
        recorder.feed([&one, &one]);
        recorder.stop(true);
        assert_eq!(wait(&receive).channels, [one]);
    }

    #[test]
    fn what_is_not_wanted_and_what_comes_outside_a_recording_is_forgotten() {
        let recorder = Arc::new(Recorder::default());
        recorder.feed([&[0.5], &[0.25]]);
        assert!(recorder.pieces.is_empty());
        assert_eq!((recorder.take_peak(), recorder.heard()), (0.5, true));
        let (send, receive) = mpsc::channel();
        recorder.start(48_000, move |take| send.send(take).expect("heard"));
        recorder.feed([&[0.5], &[0.25]]);
        recorder.end();
        assert!(receive.try_recv().is_err());
    }

    #[test]
    fn a_stalled_machine_loses_sound_and_says_so() {
        let recorder = Recorder::default();
        recorder.open.store(true, Relaxed);
        recorder.rate.store(48_000, Relaxed);
        let block = [0.1; PIECE];
        for _ in 0..PIECES + 3 {
            recorder.feed([&block, &block]);
        }
        let lost = recorder.state().expect("open").lost_seconds;
        assert!((lost - 3.0 * PIECE as f32 / 48_000.0).abs() < 1e-6);
        let take = recorder.take_of([vec![0.0], vec![0.0]], 48_000, false);
        assert_eq!(take.notices, ["16 ms are missing because the machine stalled."]);
    }

    #[test]
    fn a_recording_ends_by_itself_at_the_longest_length() {
        let recorder = Arc::new(Recorder::default());
        let (send, receive) = mpsc::channel();
        // at 1 Hz the longest length is 600 frames
        recorder.start(1, move |take| send.send(take).expect("heard"));
        let block = vec![0.5; 1000];
        recorder.feed([&block, &block]);
        let take = wait(&receive);
        assert_eq!(take.frames(), 600);
        assert!(take.notices[0].contains("longest"), "{:?}", take.notices);
        assert_eq!(recorder.state(), None);
    }
}
