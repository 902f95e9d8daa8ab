//! Records the side input: the audio thread fills a ring without waiting, and a thread of the recording's own copies
//! a take out of it.
//!
//! The ring is always there, so that what was just played can be kept although nobody pressed a button, and a
//! recording can begin before its first hit was noticed.

use super::{
    capture_follower::CaptureFollower,
    capture_ring::CaptureRing,
    loudness_gate::LoudnessGate,
    record_options::{RecordOptions, Recording, RecordingPhase},
    threads::{join_unless_own, lock},
};
use crate::take::Take;
use std::{
    sync::{
        Arc, Mutex, OnceLock,
        atomic::{
            AtomicBool, AtomicU8, AtomicU32, AtomicU64, AtomicUsize,
            Ordering::{Acquire, Relaxed, Release},
        },
    },
    thread::{self, JoinHandle},
    time::Duration,
};

/// Longest recording, s, at up to 48 kHz; at higher rates 28,800,000 frames (5 min at 96 kHz).
pub const MAX_RECORDING_SECONDS: u64 = 600;
/// What the ring holds of the side input, s.
pub const KEPT_SECONDS: u64 = 120;
/// Longest recording, frames: ten minutes at 48 kHz, less at higher rates, so that memory stays bounded.
const MAX_FRAMES: u64 = MAX_RECORDING_SECONDS * 48_000;
/// Room in the ring for the longest block that may be written while it is read, frames.
const MAX_BLOCK: usize = 1 << 20;
/// Peak above which the input counts as a signal: -60 dB of full scale; common practice, no source.
const SIGNAL_THRESHOLD: f32 = 1e-3;
/// How often the ring is read.
const READ_INTERVAL: Duration = Duration::from_millis(20);
/// Sample rates that one session can have seen; at any further one nothing is recorded.
const MAX_RINGS: usize = 16;

/// The side input's recorder.
#[derive(Debug)]
pub(super) struct Recorder {
    /// One for each sample rate; they stay, so that the audio thread never frees one.
    rings: [OnceLock<CaptureRing>; MAX_RINGS],
    /// The ring that is filled; [`MAX_RINGS`] is none.
    ring: AtomicUsize,
    /// The ring that the running recording follows.
    followed: AtomicUsize,
    /// Anything but digital silence has ever come in: until then nothing is written.
    heard: AtomicBool,
    open: AtomicBool,
    /// The recording is kept when it ends, and the frame of the ring at which it does.
    keep: AtomicBool,
    end: AtomicU64,
    phase: AtomicU8,
    frames: AtomicU64,
    lost: AtomicU64,
    rate: AtomicU32,
    /// Peak of the input as `f32` bits, since the meter was last read.
    peak: AtomicU32,
    clipped: AtomicBool,
    has_signal: AtomicBool,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Default for Recorder {
    fn default() -> Self {
        Self {
            rings: [const { OnceLock::new() }; MAX_RINGS],
            ring: AtomicUsize::new(MAX_RINGS),
            followed: AtomicUsize::new(MAX_RINGS),
            heard: AtomicBool::new(false),
            open: AtomicBool::new(false),
            keep: AtomicBool::new(false),
            end: AtomicU64::new(0),
            phase: AtomicU8::new(0),
            frames: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            rate: AtomicU32::new(0),
            peak: AtomicU32::new(0),
            clipped: AtomicBool::new(false),
            has_signal: AtomicBool::new(false),
            thread: Mutex::default(),
        }
    }
}

const PHASES: [RecordingPhase; 3] =
    [RecordingPhase::CountIn, RecordingPhase::Waiting, RecordingPhase::Running];

impl Recorder {
    /// Before the audio thread runs at `rate` Hz: the ring for it; allocates.
    pub fn prepare(&self, rate: u32) {
        let seconds = KEPT_SECONDS * u64::from(rate);
        let fits = |ring: &&OnceLock<CaptureRing>| ring.get().is_none_or(|ring| ring.rate == rate);
        let index = self.rings.iter().position(|ring| fits(&ring)).unwrap_or(MAX_RINGS);
        if let Some(ring) = self.rings.get(index) {
            ring.get_or_init(|| CaptureRing::new(rate, seconds as usize + MAX_BLOCK));
        }
        self.ring.store(index, Release);
    }

    fn ring(&self) -> Option<&CaptureRing> {
        self.rings.get(self.ring.load(Acquire))?.get()
    }

    /// For the audio thread: frames of the side input. Never allocates, locks or waits.
    pub fn feed(&self, channels: [&[f32]; 2]) {
        let peak = channels.iter().flat_map(|c| c.iter()).fold(0.0_f32, |peak, s| peak.max(s.abs()));
        if peak > 0.0 {
            // bits of numbers from 0 up are in the order of the numbers
            self.peak.fetch_max(peak.to_bits(), Relaxed);
            if !self.heard.load(Relaxed) {
                self.heard.store(true, Relaxed);
            }
        }
        if peak > SIGNAL_THRESHOLD && !self.has_signal.load(Relaxed) {
            self.has_signal.store(true, Relaxed);
        }
        if peak >= 1.0 && !self.clipped.load(Relaxed) {
            self.clipped.store(true, Relaxed);
        }
        if (peak > 0.0 || self.heard.load(Relaxed) || self.open.load(Relaxed))
            && let Some(ring) = self.ring()
        {
            ring.write(channels);
        }
    }

    /// Peak of the side input since the last call.
    pub fn take_peak(&self) -> f32 {
        f32::from_bits(self.peak.swap(0, Relaxed))
    }

    /// Whether the input has reached full scale since [`Recorder::clear_clip`].
    pub fn has_clipped(&self) -> bool {
        self.clipped.load(Relaxed)
    }

    pub fn clear_clip(&self) {
        self.clipped.store(false, Relaxed);
    }

    /// Whether the input ever exceeded [`SIGNAL_THRESHOLD`].
    pub fn has_signal(&self) -> bool {
        self.has_signal.load(Relaxed)
    }

    /// The running recording, if any.
    pub fn state(&self) -> Option<Recording> {
        let rate = self.rate.load(Relaxed).max(1) as f32;
        self.open.load(Relaxed).then(|| Recording {
            phase: PHASES[usize::from(self.phase.load(Relaxed)).min(2)],
            seconds: self.frames.load(Relaxed) as f32 / rate,
            peak: f32::from_bits(self.peak.load(Relaxed)),
            lost_seconds: self.lost.load(Relaxed) as f32 / rate,
        })
    }

    /// Begins; `done` gets the take when the recording ends and is kept, `None` when the hit that it waited for never
    /// came. It is not called when the recording is stopped during its count-in. Nothing happens while one runs, or before
    /// [`Recorder::prepare`].
    pub fn start(self: &Arc<Self>, options: RecordOptions, done: impl FnOnce(Option<Take>) + Send + 'static) {
        let mut thread = lock(&self.thread);
        if self.open.load(Relaxed) {
            return;
        }
        let index = self.ring.load(Acquire);
        let Some(ring) = self.rings.get(index).and_then(OnceLock::get) else { return };
        self.followed.store(index, Release);
        if let Some(last) = thread.take() {
            join_unless_own(last);
        }
        self.frames.store(0, Relaxed);
        self.lost.store(0, Relaxed);
        self.rate.store(ring.rate, Relaxed);
        self.keep.store(true, Relaxed);
        self.end.store(u64::MAX, Relaxed);
        self.phase.store(u8::from(options.count_in.is_none()) * 2, Relaxed);
        let from = ring.written();
        self.open.store(true, Release);
        let own = self.clone();
        let spawned = thread::Builder::new().name("kitwright-record".into()).spawn(move || {
            let take = own.rings[index].get().and_then(|ring| own.collect(ring, from, options));
            own.open.store(false, Release);
            if own.keep.load(Acquire) {
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
            self.keep.store(false, Release);
        }
        let followed = self.rings.get(self.followed.load(Acquire)).and_then(OnceLock::get);
        let written = followed.map_or(0, CaptureRing::written);
        let _ = self.end.compare_exchange(u64::MAX, written, Release, Relaxed);
        self.open.store(false, Release);
    }

    /// Ends the thread; its recording is discarded.
    pub fn end(&self) {
        self.stop(false);
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }

    /// What came in during the last [`KEPT_SECONDS`], from 200 ms before its first hit to 1 s after its last; `None`
    /// when nothing did.
    pub fn last(&self) -> Option<Take> {
        let ring = self.ring()?;
        let to = ring.written();
        let mut channels = [Vec::new(), Vec::new()];
        let from = to.saturating_sub(KEPT_SECONDS * u64::from(ring.rate));
        ring.read(from, to, &mut channels);
        let mut gate = LoudnessGate::new(ring.rate);
        gate.follow([&channels[0], &channels[1]]);
        let range = match gate.start() {
            Some(start) => start as usize..gate.end_now() as usize,
            // steady sound without a hit
            None if gate.was_loud() => 0..channels[0].len(),
            None => return None,
        };
        Some(take_of(channels.map(|c| c[range.clone()].to_vec()), ring.rate))
    }

    /// Follows the ring from frame `from` on until the recording ends; `None` when it ends before it has begun, by itself in
    /// the count-in (it is not kept then) or without the hit that it waits for.
    fn collect(&self, ring: &CaptureRing, from: u64, options: RecordOptions) -> Option<Take> {
        let from = from + options.count_in.map_or(0, |count_in| count_in.frames(ring.rate));
        let max_frames = MAX_FRAMES.min(MAX_RECORDING_SECONDS * u64::from(ring.rate)) as usize;
        let mut follower = CaptureFollower::new(ring, from);
        let mut notice = None;
        loop {
            let open = self.open.load(Acquire);
            let until = ring.written().min(self.end.load(Acquire));
            if until < from {
                self.frames.store(from - until, Relaxed);
                if !open {
                    // stopped during the count-in: nothing was missed
                    self.keep.store(false, Release);
                    return None;
                }
                thread::sleep(READ_INTERVAL);
                continue;
            }
            self.lost.fetch_add(follower.read_to(until), Relaxed);
            let started = !options.from_first_hit || follower.gate.start().is_some();
            if !started {
                follower.forget_old();
            }
            self.phase.store(1 + u8::from(started), Relaxed);
            let length = if started { follower.channels[0].len() as u64 } else { 0 };
            self.frames.store(length, Relaxed);
            let ended = options.until_silence && follower.gate.end().is_some();
            let full = follower.channels[0].len() >= max_frames;
            if full {
                follower.channels.iter_mut().for_each(|c| c.truncate(max_frames));
                let seconds = max_frames as f64 / f64::from(ring.rate);
                notice = Some(format!("It was ended at the longest length, {seconds:.0} s."));
            }
            if !open || ended || full {
                break;
            }
            thread::sleep(READ_INTERVAL);
        }
        let channels = follower.cut(options)?;
        let mut take = take_of(channels, ring.rate);
        take.notices.extend(notice);
        let lost = self.lost.load(Relaxed);
        if lost > 0 {
            let ms = lost as f64 * 1000.0 / f64::from(ring.rate);
            take.notices.push(format!("{ms:.0} ms are missing because the machine stalled."));
        }
        Some(take)
    }
}

fn take_of([left, right]: [Vec<f32>; 2], rate: u32) -> Take {
    let mono = left == right;
    let channels = if mono { vec![left] } else { vec![left, right] };
    Take::from_samples("recording", rate, channels).without_unused_channel()
}

#[cfg(test)]
mod tests {
    use super::{super::record_options::CountIn, *};
    use std::sync::mpsc;

    fn wait(receiver: &mpsc::Receiver<Option<Take>>) -> Take {
        receiver.recv_timeout(Duration::from_secs(60)).expect("an end").expect("a take")
    }

    fn ramp(frames: usize) -> Vec<f32> {
        (0..frames).map(|i| i as f32 / 131_072.0).collect()
    }

    fn started(rate: u32, options: RecordOptions) -> (Arc<Recorder>, mpsc::Receiver<Option<Take>>) {
        let recorder = Arc::new(Recorder::default());
        recorder.prepare(rate);
        let (send, receive) = mpsc::channel();
        recorder.start(options, move |take| send.send(take).expect("received"));
        (recorder, receive)
    }

    /// Hands a signal over in uneven blocks.
    fn feed(recorder: &Recorder, left: &[f32], right: &[f32]) {
        let mut at = 0;
        for block in [1, 64, 255, 256, 257, 1000, 4096, 8192].into_iter().cycle() {
            let end = (at + block).min(left.len());
            recorder.feed([&left[at..end], &right[at..end]]);
            at = end;
            if at == left.len() {
                break;
            }
        }
    }

    /// Silence, then knocks at these seconds, over so many seconds at 8 kHz.
    fn knocks(seconds: f64, at: &[f64]) -> Vec<f32> {
        let knock = |i: usize, at: f64| {
            let t = i as f64 / 8000.0 - at;
            let knock = 0.5 * (-40.0 * t).exp() as f32 * if i.is_multiple_of(2) { 1.0 } else { -0.7 };
            // on the 24-bit grid of takes, a quarter of it as well
            if t < 0.0 { 0.0 } else { (knock * 32_768.0).round() / 32_768.0 }
        };
        (0..(seconds * 8000.0) as usize).map(|i| at.iter().map(|&at| knock(i, at)).sum()).collect()
    }

    #[test]
    fn every_frame_arrives_in_order_whatever_the_blocks() {
        let (recorder, receive) = started(48_000, RecordOptions::default());
        let left = ramp(60_000);
        let right: Vec<f32> = left.iter().map(|s| -s).collect();
        feed(&recorder, &left, &right);
        recorder.stop(true);
        recorder.feed([&[0.5; 64], &[0.5; 64]]);
        let take = wait(&receive);
        assert!(take.channels == [left, right], "and nothing that came afterwards");
        assert_eq!((take.sample_rate, take.notices.len()), (48_000, 0));
        assert_eq!(recorder.state(), None);
    }

    #[test]
    fn equal_channels_are_one() {
        let (recorder, receive) = started(44_100, RecordOptions::default());
        let one = ramp(100);
        recorder.feed([&one, &one]);
        recorder.stop(true);
        assert_eq!(wait(&receive).channels, [one]);
    }

    #[test]
    fn a_discarded_recording_is_dropped_and_silence_takes_no_memory() {
        let recorder = Arc::new(Recorder::default());
        recorder.feed([&[0.5], &[0.25]]);
        assert_eq!((recorder.take_peak(), recorder.has_signal(), recorder.has_clipped()), (0.5, true, false));
        recorder.prepare(48_000);
        let silent = Recorder::default();
        silent.prepare(48_000);
        silent.feed([&[0.0; 512], &[0.0; 512]]);
        assert_eq!(silent.ring().map(CaptureRing::written), Some(0));
        let (send, receive) = mpsc::channel();
        recorder.start(RecordOptions::default(), move |take| send.send(take).expect("received"));
        recorder.feed([&[1.5], &[0.25]]);
        assert!(recorder.has_clipped());
        recorder.clear_clip();
        assert!(!recorder.has_clipped());
        recorder.end();
        assert!(receive.try_recv().is_err());
    }

    #[test]
    fn what_was_just_played_is_kept_bit_for_bit_although_nobody_recorded() {
        let recorder = Arc::new(Recorder::default());
        recorder.prepare(8000);
        assert!(recorder.last().is_none());
        let left = knocks(150.0, &[5.0, 100.0, 140.0]);
        let right: Vec<f32> = left.iter().map(|s| s * 0.25).collect();
        feed(&recorder, &left, &right);
        let take = recorder.last().expect("a take");
        // the last 120 s begin at 30 s; from 99.8 s, 200 ms before the first hit, to 1 s after the last one
        let from = (99.8 * 8000.0) as usize;
        assert!(take.frames().abs_diff((41.3 * 8000.0) as usize) < 2400, "{} frames", take.frames());
        assert!(take.channels == [&left[from..from + take.frames()], &right[from..from + take.frames()]]);
    }

    #[test]
    fn a_recording_begins_with_its_first_hit_and_ends_by_itself_in_silence() {
        let options = RecordOptions { from_first_hit: true, until_silence: true, ..RecordOptions::default() };
        let (recorder, receive) = started(8000, options);
        assert_eq!(recorder.state().map(|s| s.seconds), Some(0.0));
        let left = knocks(12.0, &[3.0, 4.5]);
        feed(&recorder, &left, &left);
        let take = wait(&receive);
        let from = (2.8 * 8000.0) as usize;
        assert!(take.channels == [&left[from..from + take.frames()]]);
        assert!((2.7..3.0).contains(&take.seconds()), "{} s", take.seconds());
        assert_eq!(recorder.state(), None);
    }

    #[test]
    fn a_recording_that_waits_for_a_hit_and_gets_none_is_none() {
        let options = RecordOptions { from_first_hit: true, ..RecordOptions::default() };
        let (recorder, receive) = started(8000, options);
        recorder.feed([&[1e-4; 8000], &[1e-4; 8000]]);
        recorder.stop(true);
        assert!(receive.recv_timeout(Duration::from_secs(60)).expect("an end").is_none());
    }

    #[test]
    fn nothing_before_the_end_of_the_count_in_is_recorded() {
        let count_in = Some(CountIn { beats: 4, tempo: 120.0 });
        let options = RecordOptions { count_in, ..RecordOptions::default() };
        let (recorder, receive) = started(8000, options);
        assert_eq!(recorder.state().map(|s| s.phase), Some(RecordingPhase::CountIn));
        assert_eq!(count_in.map(|c| c.clicks(8000).frames()), Some(16_000));
        let left = ramp(40_000);
        feed(&recorder, &left, &left);
        recorder.stop(true);
        assert!(wait(&receive).channels == [&left[16_000..]]);
    }

    #[test]
    fn a_recording_stopped_during_its_count_in_says_nothing() {
        let count_in = Some(CountIn { beats: 4, tempo: 120.0 });
        let (recorder, receive) =
            started(8000, RecordOptions { count_in, from_first_hit: true, ..RecordOptions::default() });
        recorder.feed([&[0.5; 1000], &[0.5; 1000]]);
        recorder.stop(true);
        // the sender goes with the recording's thread
        let answer = receive.recv_timeout(Duration::from_secs(60));
        assert_eq!(answer.err(), Some(mpsc::RecvTimeoutError::Disconnected));
    }

    #[test]
    fn a_recording_ends_by_itself_at_the_longest_length() {
        // at 1 Hz the longest length is 600 frames
        let (recorder, receive) = started(1, RecordOptions::default());
        let block = vec![0.5; 1000];
        recorder.feed([&block, &block]);
        let take = wait(&receive);
        assert_eq!(take.frames(), 600);
        assert!(take.notices[0].contains("longest"), "{:?}", take.notices);
        assert_eq!(recorder.state(), None);
    }

    #[test]
    fn what_comes_in_on_one_side_is_mono() {
        let (sound, silence) = (vec![0.5; 8], vec![0.0; 8]);
        for sides in
            [[sound.clone(), silence.clone()], [silence, sound.clone()], [sound.clone(), sound.clone()]]
        {
            let take = take_of(sides, 48_000);
            assert_eq!((take.channels.len(), &take.channels[0]), (1, &sound));
        }
    }

    #[test]
    fn a_stalled_machine_loses_sound_and_says_so() {
        let recorder = Recorder::default();
        recorder.prepare(8000);
        recorder.end.store(u64::MAX, Relaxed);
        let ring = recorder.ring().expect("a ring");
        let block = vec![0.1; 1 << 20];
        for _ in 0..4 {
            recorder.feed([&block, &block]);
        }
        // nobody has read since the start, and it is closed
        let take = recorder.collect(ring, 0, RecordOptions::default()).expect("a take");
        let missing = (4 * block.len()) as u64 - ring.capacity();
        assert_eq!(take.frames() as u64, ring.capacity());
        assert_eq!(
            take.notices,
            [format!("{:.0} ms are missing because the machine stalled.", missing as f64 / 8.0)]
        );
    }
}
