//! What a running recording keeps of the ring that the audio thread fills.

use super::{capture_ring::CaptureRing, loudness_gate::LoudnessGate, record_options::RecordOptions};

/// Reads on in the ring.
pub(super) struct CaptureFollower<'a> {
    ring: &'a CaptureRing,
    /// First frame that was not read yet.
    read: u64,
    pub gate: LoudnessGate,
    /// What was read and is kept so far: the last frames that the gate has seen.
    pub channels: [Vec<f32>; 2],
}

impl<'a> CaptureFollower<'a> {
    /// From this frame of the ring on.
    pub fn new(ring: &'a CaptureRing, from: u64) -> Self {
        Self { ring, read: from, gate: LoudnessGate::new(ring.rate), channels: Default::default() }
    }

    /// Returns how many frames were lost.
    pub fn read_to(&mut self, until: u64) -> u64 {
        let before = self.channels[0].len();
        let lost = self.ring.read(self.read, until, &mut self.channels);
        let [left, right] = &self.channels;
        self.gate.follow([&left[before..], &right[before..]]);
        self.read = until;
        lost
    }

    /// Keeps only the last two seconds while no hit has come: more than the lead-in of 0.2 s.
    pub fn forget_old(&mut self) {
        let surplus = self.channels[0].len().saturating_sub(2 * self.ring.rate as usize);
        if surplus > 0 {
            self.channels.iter_mut().for_each(|c| drop(c.drain(..surplus)));
        }
    }

    /// What the options leave of it; `None` without a hit where they ask for one.
    pub fn cut(mut self, options: RecordOptions) -> Option<[Vec<f32>; 2]> {
        // the gate counts frames from the first that was read
        let forgotten = self.gate.frames() - self.channels[0].len() as u64;
        if options.until_silence
            && let Some(end) = self.gate.end()
        {
            let length = end.saturating_sub(forgotten) as usize;
            self.channels.iter_mut().for_each(|c| c.truncate(length));
        }
        if options.from_first_hit {
            let start = self.gate.start()?.saturating_sub(forgotten) as usize;
            self.channels.iter_mut().for_each(|c| drop(c.drain(..start.min(c.len()))));
        }
        Some(self.channels)
    }
}
