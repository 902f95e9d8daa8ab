//! WAV files of 24 bit.

use crate::{
    error::{Error, Result},
    staging::unwritten,
};
use hound::{SampleFormat, WavSpec, WavWriter};
use std::{
    fs::File,
    io::BufWriter,
    path::{Path, PathBuf},
};

/// Limit of the samples in a WAV file, bytes: its sizes are 32-bit numbers.
const MAX_BYTES: u64 = u32::MAX as u64 - 4096;
/// Steps of 24 bits in 1.0: 2^23.
const FULL_SCALE_24_BIT: f64 = 8_388_608.0;

/// Bytes of a frame of 24-bit samples.
pub(super) fn frame_bytes(channels: u16) -> u64 {
    3 * u64::from(channels)
}

/// Maximum length of a WAV file of 24 bits at `rate` Hz, seconds.
pub(super) fn max_seconds(rate: u32, channels: u16) -> f64 {
    (MAX_BYTES / frame_bytes(channels)) as f64 / f64::from(rate)
}

/// A sample as a whole number of 24 bits: rounded to the nearest step, clipped at ±1.0; NaN becomes 0.
pub(super) fn step_24_bit(sample: f32) -> i32 {
    let steps = (f64::from(sample) * FULL_SCALE_24_BIT).round_ties_even();
    steps.clamp(-FULL_SCALE_24_BIT, FULL_SCALE_24_BIT - 1.0) as i32
}

/// A WAV file being written.
pub struct WavOut {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    bytes: u64,
}

impl WavOut {
    /// Begins a file of 24-bit samples at `rate` Hz.
    ///
    /// # Errors
    /// One sentence when the file cannot be made.
    pub fn create(path: &Path, rate: u32, channels: u16) -> Result<Self> {
        let spec =
            WavSpec { channels, sample_rate: rate, bits_per_sample: 24, sample_format: SampleFormat::Int };
        let writer = WavWriter::create(path, spec).map_err(|e| cannot_write(path, e))?;
        Ok(Self { path: path.to_owned(), writer, bytes: 0 })
    }

    /// Adds samples of ±1.0, one slice per channel, all of one length; what lies beyond is clipped, NaN
    /// becomes 0. Rounded to the nearest step without dither, so that the same kit gives the same file and
    /// silence stays silence: the error of rounding, about -149 dBFS rms, lies below any converter's noise.
    ///
    /// # Errors
    /// One sentence when the file would be longer than a WAV file can be, or cannot be written.
    pub fn write(&mut self, channels: &[&[f32]]) -> Result<()> {
        let frames = channels.first().map_or(0, |c| c.len());
        self.bytes += (frames * channels.len() * 3) as u64;
        if self.bytes > MAX_BYTES {
            return Err(Error::file(
                &self.path,
                "would be longer than a WAV file can be; render a shorter song",
            ));
        }
        for i in 0..frames {
            for channel in channels {
                self.writer.write_sample(step_24_bit(channel[i])).map_err(|e| cannot_write(&self.path, e))?;
            }
        }
        Ok(())
    }

    /// Completes the file.
    ///
    /// # Errors
    /// One sentence when the file cannot be written.
    pub fn finish(self) -> Result<()> {
        let path = self.path;
        self.writer.finalize().map_err(|e| cannot_write(&path, e))
    }
}

/// Writes a whole file; see [`WavOut::write`].
///
/// # Errors
/// As [`WavOut::create`], [`WavOut::write`] and [`WavOut::finish`].
pub fn write_wav(path: &Path, rate: u32, channels: &[&[f32]]) -> Result<()> {
    let mut out = WavOut::create(path, rate, channels.len() as u16)?;
    out.write(channels)?;
    out.finish()
}

fn cannot_write(path: &Path, e: hound::Error) -> Error {
    match e {
        hound::Error::IoError(e) => unwritten(path, &e),
        other => Error::file(path, format!("could not be saved ({other}): save elsewhere")),
    }
}
