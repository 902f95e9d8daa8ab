//! Takes read from FLAC: a long one in several stretches at once, so that a host need not wait for a project.

use super::{
    Take,
    decode::{Limits, MAX_PACKET_BYTES, decode},
    edits::EncoderDelay,
    flac::written_rate,
    guarded::{Allowance, GuardedSource},
    source::without_flac_blocks,
    tags,
    trouble::Stop,
};
use crate::{
    error::{Error, Result},
    parallel,
    progress::{Beside, Progress},
};
use std::{
    io::{Cursor, Read, Seek},
    ops::Range,
    sync::Arc,
    thread::available_parallelism,
};
use symphonia::core::{formats::probe::Hint, io::MediaSourceStream};

/// Frames of FLAC (blocks) that a stretch has at least: fewer are read sooner than a thread begins.
const MIN_BLOCKS: u64 = 32;
/// Stretches at most.
const MAX_STRETCHES: usize = 8;
/// Samples of a take that is read in stretches, at most: meanwhile they take twice their memory (256 MB).
const MAX_SAMPLES: u64 = 32 << 20;

impl Take {
    /// A take from the bytes of a kit file or a host's state, which are kept for the next save.
    /// `sample_rate` in Hz is the true one, whatever the bytes say; more than `max_frames` frames are
    /// refused before they use memory.
    ///
    /// # Errors
    /// One sentence that names the take: not FLAC, damaged, cut short, too long, more than two channels.
    pub fn from_flac(
        name: impl Into<String>,
        sample_rate: u32,
        bytes: Arc<[u8]>,
        max_frames: u64,
        progress: &dyn Progress,
    ) -> Result<Take> {
        let name = name.into();
        if !bytes.starts_with(b"fLaC") {
            return Err(Error::file(name, "is not FLAC; the kit file is damaged"));
        }
        let mut take = match read_in_stretches(&name, &bytes, max_frames, progress) {
            Some(take) => take,
            // what is wrong is said by reading it from its start
            None => read_whole(&name, &bytes, max_frames, progress)?,
        };
        if take.sample_rate != written_rate(sample_rate) {
            return Err(Error::file(
                name,
                format!(
                    "is at {} Hz where {sample_rate} Hz should be; the kit file is damaged",
                    take.sample_rate
                ),
            ));
        }
        take.sample_rate = sample_rate;
        take.notices.clear();
        take.flac = bytes.into();
        Ok(take)
    }
}

fn read_whole(name: &str, bytes: &Arc<[u8]>, max_frames: u64, progress: &dyn Progress) -> Result<Take> {
    let (mut inner, length) = (Cursor::new(bytes.clone()), bytes.len() as u64);
    let damaged = |e| Error::file(name, format!("cannot be read ({e}); the kit file is damaged"));
    let blocks = tags::flac_blocks_len(&mut inner, 0, length).map_err(damaged)?;
    let allowance = Allowance::new(MAX_PACKET_BYTES);
    let mut source = GuardedSource::new(inner, 0, length, allowance.clone());
    if blocks > 0 {
        source = without_flac_blocks(source, blocks);
    }
    read(name, source, allowance, max_frames, progress).map_err(|stop| stop.about(name))
}

fn read<R: Read + Seek + Send + Sync + 'static>(
    name: &str,
    source: GuardedSource<R>,
    allowance: Allowance,
    max_frames: u64,
    progress: &dyn Progress,
) -> std::result::Result<Take, Stop> {
    let stream = MediaSourceStream::new(Box::new(source), Default::default());
    let limits = Limits { encoder_delay: EncoderDelay::default(), max_frames: Some(max_frames), allowance };
    decode(stream, Hint::new().with_extension("flac"), name.to_owned(), limits, progress)
}

/// Bytes before the first frame: signature, block header, streaminfo block (RFC 9639, sections 6, 8.1 and 8.2).
const HEADER_BYTES: usize = tags::STREAMINFO_END as usize;

/// The take read in several stretches at once; `None` where it is short, where it is not as this program writes it, or
/// where anything is wrong with it.
fn read_in_stretches(
    name: &str,
    bytes: &Arc<[u8]>,
    max_frames: u64,
    progress: &dyn Progress,
) -> Option<Take> {
    let layout =
        Layout::of(bytes).filter(|l| l.frames <= max_frames && l.frames * l.channels <= MAX_SAMPLES)?;
    let stretches = layout.stretches(bytes);
    if stretches.len() < 2 {
        return None;
    }
    let read_stretch = |stretch: &Stretch| {
        let allowance = Allowance::new(MAX_PACKET_BYTES);
        let end = stretch.bytes.end as u64;
        let source = GuardedSource::new(Cursor::new(bytes.clone()), 0, end, allowance.clone())
            .without(HEADER_BYTES as u64, (stretch.bytes.start - HEADER_BYTES) as u64)
            .patched(0, &without_length(&bytes[..HEADER_BYTES]));
        let take = read(name, source, allowance, stretch.frames, &Beside(progress)).ok()?;
        (take.frames() as u64 == stretch.frames).then_some(take)
    };
    let parts = parallel::in_order(stretches.len(), || (), |(), i| read_stretch(&stretches[i]));
    let mut parts = parts.into_iter().collect::<Option<Vec<Take>>>()?.into_iter();
    let mut take = parts.next()?;
    take.channels.iter_mut().for_each(|c| c.reserve_exact(layout.frames as usize - c.len()));
    for part in parts {
        if part.sample_rate != take.sample_rate || part.channels.len() != take.channels.len() {
            return None;
        }
        take.channels.iter_mut().zip(&part.channels).for_each(|(all, new)| all.extend_from_slice(new));
    }
    progress.report("reading the recording", 1.0);
    Some(take)
}

/// A header that says nothing of the stream's length.
fn without_length(header: &[u8]) -> Vec<u8> {
    let mut header = header.to_vec();
    header[21] &= 0xf0;
    header[22..26].fill(0);
    header
}

/// What the header of a stream says, where every block but the last has the same length.
struct Layout {
    /// Frames (samples of each channel) in all.
    frames: u64,
    /// Frames of a block.
    block: u64,
    channels: u64,
}

/// A stretch of whole blocks.
struct Stretch {
    /// Place in the stream.
    bytes: Range<usize>,
    /// Frames that it holds.
    frames: u64,
}

impl Layout {
    fn of(bytes: &[u8]) -> Option<Self> {
        let head = bytes.get(..HEADER_BYTES)?;
        // one block of metadata, the streaminfo block, which is the last one
        if head[4..8] != [0x80, 0, 0, 34] || head[8..10] != head[10..12] {
            return None;
        }
        let block = u64::from(u16::from_be_bytes([head[8], head[9]]));
        let packed = u64::from_be_bytes(head[18..26].try_into().ok()?);
        let (frames, channels) = (packed & 0xf_ffff_ffff, (packed >> 41 & 7) + 1);
        (block > 0 && frames > 0).then_some(Self { frames, block, channels })
    }

    /// Stretches of about the same number of bytes; one where the stream is short or a block is not found.
    fn stretches(&self, bytes: &[u8]) -> Vec<Stretch> {
        let blocks = self.frames.div_ceil(self.block);
        let threads = available_parallelism().map_or(1, |n| n.get()).min(MAX_STRETCHES);
        let count = threads.min((blocks / MIN_BLOCKS) as usize).max(1);
        let mut starts = vec![(HEADER_BYTES, 0)];
        for i in 1..count {
            let near = HEADER_BYTES + (bytes.len() - HEADER_BYTES) / count * i;
            let last = starts.last().map_or(0, |s| s.1);
            starts.extend(next_block(bytes, near).filter(|s| last < s.1 && s.1 < blocks));
        }
        let ends = starts.iter().skip(1).map(|&(at, number)| (at, number * self.block));
        let ends: Vec<_> = ends.chain([(bytes.len(), self.frames)]).collect();
        let stretch = |(start, end): (&(usize, u64), &(usize, u64))| Stretch {
            bytes: start.0..end.0,
            frames: end.1 - start.1 * self.block,
        };
        starts.iter().zip(&ends).map(stretch).collect()
    }
}

/// The first block that begins at byte `from` or later: its place and its number. What only looks like one is found out
/// by what is read of it.
fn next_block(bytes: &[u8], from: usize) -> Option<(usize, u64)> {
    (from..bytes.len()).find_map(|at| Some((at, block_number(&bytes[at..])?)))
}

/// Number of a block whose header begins here (RFC 9639, section 9.1): blocks of fixed length, its checksum right.
fn block_number(header: &[u8]) -> Option<u64> {
    if header.get(..2)? != [0xff, 0xf8] {
        return None;
    }
    let [sizes, _channels, first] = *header.get(2..5)?.first_chunk()?;
    // coded like UTF-8, of up to seven bytes
    let more = match first.leading_ones() {
        0 => 0,
        ones @ 2..=7 => ones as usize - 1,
        _ => return None,
    };
    let mut number = u64::from(first & if more == 0 { 0x7f } else { 0x3f >> more });
    for &byte in header.get(5..5 + more)? {
        if byte & 0xc0 != 0x80 {
            return None;
        }
        number = number << 6 | u64::from(byte & 0x3f);
    }
    let size_bytes = match sizes >> 4 {
        6 => 1,
        7 => 2,
        _ => 0,
    };
    let rate_bytes = match sizes & 0xf {
        12 => 1,
        13 | 14 => 2,
        _ => 0,
    };
    let end = 5 + more + size_bytes + rate_bytes;
    (crc8(header.get(..end)?) == *header.get(end)?).then_some(number)
}

/// Checksum of a block's header (RFC 9639, section 9.1.8): polynomial x^8 + x^2 + x + 1.
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 != 0 { crc << 1 ^ 0x07 } else { crc << 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::progress::Quiet;

    /// Noise under a slow swell.
    fn take(frames: usize, channels: usize) -> Take {
        let mut seed = 1_u32;
        let mut noise = move || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
        };
        let channel = (0..frames).map(|i| noise() * (0.3 + 0.2 * (i as f32 / 9000.0).sin()));
        let channel: Vec<f32> = channel.collect();
        Take::from_samples("noise", 48_000, vec![channel; channels])
    }

    #[test]
    fn a_take_read_in_stretches_has_the_same_samples() {
        for (frames, channels) in [(4096 * 400 + 17, 1), (4096 * 150, 2), (4096 * 64 + 1, 1)] {
            let take = take(frames, channels);
            let bytes = take.flac().unwrap();
            let layout = Layout::of(&bytes).unwrap();
            assert_eq!((layout.frames, layout.channels), (frames as u64, channels as u64));
            let cores = available_parallelism().map_or(1, |n| n.get());
            assert_eq!(layout.stretches(&bytes).len() > 1, cores > 1);
            let read = read_in_stretches("noise", &bytes, frames as u64, &Quiet);
            assert_eq!(read.is_some(), cores > 1);
            assert!(read.is_none_or(|read| read.channels == take.channels));
            let read = Take::from_flac("noise", 48_000, bytes.clone(), frames as u64, &Quiet).unwrap();
            assert!(read.channels == take.channels);
            assert!(Arc::ptr_eq(&read.flac().unwrap(), &bytes), "kept for the next save");
        }
    }

    #[test]
    fn every_block_is_found_by_its_number() {
        let bytes = take(4096 * 70 + 5, 1).flac().unwrap();
        let (mut at, mut numbers) = (HEADER_BYTES, Vec::new());
        while let Some((place, number)) = next_block(&bytes, at) {
            numbers.push(number);
            at = place + 1;
        }
        assert_eq!(numbers, (0..71).collect::<Vec<_>>());
    }

    #[test]
    fn a_damaged_block_is_refused_as_when_it_is_read_whole() {
        let bytes = take(4096 * 200, 1).flac().unwrap();
        for place in [bytes.len() / 3, bytes.len() / 2 + 1000, bytes.len() - 3] {
            let mut damaged = bytes.to_vec();
            damaged[place] ^= 0x55;
            let damaged: Arc<[u8]> = damaged.into();
            let whole = read_whole("noise", &damaged, u64::MAX, &Quiet).map(|take| take.channels);
            let read = Take::from_flac("noise", 48_000, damaged, u64::MAX, &Quiet).map(|take| take.channels);
            assert_eq!(read, whole, "damaged at {place}");
        }
    }
}
