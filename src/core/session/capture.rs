//! What comes in at the side input: recorded, kept afterwards, measured.

use super::{Job, Preview, RecordOptions, Recording, Session};
#[cfg(doc)]
use super::{KEPT_SECONDS, MAX_RECORDING_SECONDS};
use crate::error::Error;
use std::sync::Arc;

impl Session {
    /// Starts recording the side input, for at most [`MAX_RECORDING_SECONDS`]; a kit made of it is shaped by
    /// `fit`, 0 to 1. A count-in is heard as clicks in the main output. Does nothing while a recording runs or while no
    /// engine is attached.
    pub fn record(&self, fit: f32, options: RecordOptions) {
        let Some(rate) = self.preparer.sample_rate().filter(|_| self.recording().is_none()) else { return };
        if let Some(count_in) = options.count_in {
            let take = Arc::new(count_in.clicks(rate.round() as u32));
            self.preparer.preview(Preview { end: take.frames() as u64, take, start: 0 });
        }
        let (open_kit, jobs) = (self.open_kit.clone(), self.jobs.queue());
        self.recorder.start(options, move |take| match take {
            Some(take) => {
                open_kit.set_recorded(take);
                jobs.push(Job::KeepRecording { fit });
            }
            None => open_kit.report(Error::invalid(
                "no hit came in at the side input, so nothing was kept; send a track to it in the host, or play louder",
            )),
        });
    }

    /// Keeps what came in at the side input during the last [`KEPT_SECONDS`], although nobody recorded it: queues it as
    /// [`Job::KeepRecording`]. Returns whether there was anything.
    pub fn keep_last(&self, fit: f32) -> bool {
        let Some(take) = self.recorder.last() else { return false };
        self.open_kit.set_recorded(take);
        self.start(Job::KeepRecording { fit });
        true
    }

    /// Stops the recording and queues it as [`Job::KeepRecording`].
    pub fn stop_recording(&self) {
        self.recorder.stop(true);
    }

    /// Stops the recording and discards it.
    pub fn discard_recording(&self) {
        self.recorder.stop(false);
    }

    /// The running recording, if any.
    pub fn recording(&self) -> Option<Recording> {
        self.recorder.state()
    }

    /// Highest magnitude at the side input since the last call, as a fraction of full scale.
    pub fn take_side_input_peak(&self) -> f32 {
        self.recorder.take_peak()
    }

    /// Whether the side input has reached full scale since [`Session::clear_side_input_clip`].
    pub fn side_input_has_clipped(&self) -> bool {
        self.recorder.has_clipped()
    }

    /// Forgets that the side input has clipped.
    pub fn clear_side_input_clip(&self) {
        self.recorder.clear_clip();
    }

    /// Whether the side input has ever exceeded -60 dB of full scale.
    pub fn side_input_has_signal(&self) -> bool {
        self.recorder.has_signal()
    }

    /// For the audio thread: a block of the side input, left and right, at the engine's rate. Lock-free: it fills a
    /// ring that holds the last [`KEPT_SECONDS`].
    pub fn feed_side_input(&self, channels: [&[f32]; 2]) {
        self.recorder.feed(channels);
    }
}
