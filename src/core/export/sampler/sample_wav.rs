//! One stroke as a WAV file of 24 bits that says what it is: key and loop (`smpl`), keys and velocities (`inst`), a name
//! (`cue ` and `LIST adtl`).
//!
//! The chunks are those of Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft, 1991) and New
//! Multimedia Data Types and Data Techniques 3.0 (Microsoft, 1994).

use super::{
    riff::{chunk, list, words},
    strokes::Stroke,
};
use crate::{
    error::{Error, Result},
    export::wav::step_24_bit,
};

/// Format of samples as integers, and the channels left and right.
const PCM: u16 = 1;
const CHANNELS: u16 = 2;
const BYTES_PER_SAMPLE: u16 = 3;
/// Names of the points that have labels: the start of the sound, and its loop.
const START: u32 = 1;
const LOOP: u32 = 2;

/// What a sample is.
pub(super) struct Tag {
    /// Name to show.
    pub label: String,
    /// Key that it was recorded at.
    pub root: u8,
    /// Lowest and highest key that play it.
    pub keys: [u8; 2],
    /// Lowest and highest velocity that play it.
    pub velocities: [u8; 2],
}

/// The file of one stroke.
///
/// # Errors
/// A stroke longer than a WAV file holds.
pub(super) fn bytes(tag: &Tag, stroke: &Stroke, rate: u32) -> Result<Vec<u8>> {
    let data = samples(stroke);
    if data.len() > (u32::MAX - 4096) as usize {
        return Err(Error::invalid(format!("{} is longer than a WAV file can be; shorten it", tag.label)));
    }
    let chunks = [
        chunk(b"fmt ", &format(rate)),
        chunk(b"data", &data),
        chunk(b"smpl", &sampler(tag, stroke, rate)),
        chunk(b"inst", &instrument(tag)),
        chunk(b"cue ", &cues(stroke)),
        list(b"LIST", b"adtl", &labels(tag, stroke)),
    ];
    Ok(list(b"RIFF", b"WAVE", &chunks))
}

fn format(rate: u32) -> Vec<u8> {
    let frame = CHANNELS * BYTES_PER_SAMPLE;
    let mut bytes = [PCM, CHANNELS].map(u16::to_le_bytes).concat();
    bytes.extend(words(&[rate, rate * u32::from(frame)]));
    bytes.extend([frame, 8 * BYTES_PER_SAMPLE].map(u16::to_le_bytes).concat());
    bytes
}

/// Rounded without dither, as by [`crate::export::WavOut`].
fn samples(stroke: &Stroke) -> Vec<u8> {
    let [left, right] = &stroke.sound;
    let step = |sample: f32| step_24_bit(sample).to_le_bytes();
    let pairs = left.iter().zip(right);
    pairs.flat_map(|(&l, &r)| [step(l), step(r)]).flat_map(|bytes| [bytes[0], bytes[1], bytes[2]]).collect()
}

/// Maker and product 0, nanoseconds of a frame, the key, its fraction, no SMPTE offset, the loops. A loop's end is its
/// last frame; it is repeated for ever.
fn sampler(tag: &Tag, stroke: &Stroke, rate: u32) -> Vec<u8> {
    let nanoseconds = (1e9 / f64::from(rate)).round() as u32;
    let loops = stroke.loop_frames.map(|[start, end]| [LOOP, 0, start as u32, end as u32 - 1, 0, 0]);
    let mut bytes = words(&[0, 0, nanoseconds, u32::from(tag.root), 0, 0, 0, loops.iter().count() as u32, 0]);
    loops.iter().for_each(|l| bytes.extend(words(l)));
    bytes
}

/// Key, fine tuning, gain, lowest and highest key and velocity.
fn instrument(tag: &Tag) -> Vec<u8> {
    let ([low, high], [soft, loud]) = (tag.keys, tag.velocities);
    vec![tag.root, 0, 0, low, high, soft, loud]
}

fn cues(stroke: &Stroke) -> Vec<u8> {
    let point =
        |name: u32, frame: u32| [words(&[name, frame]), b"data".to_vec(), words(&[0, 0, frame])].concat();
    let mut points = vec![point(START, 0)];
    points.extend(stroke.loop_frames.map(|[start, _]| point(LOOP, start as u32)));
    [words(&[points.len() as u32]), points.concat()].concat()
}

fn labels(tag: &Tag, stroke: &Stroke) -> Vec<Vec<u8>> {
    let label =
        |name: u32, text: &str| chunk(b"labl", &[&words(&[name])[..], text.as_bytes(), b"\0"].concat());
    let mut labels = vec![label(START, &tag.label)];
    labels.extend(stroke.loop_frames.map(|_| label(LOOP, "loop")));
    labels
}
