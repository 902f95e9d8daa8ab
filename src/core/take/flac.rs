//! Takes as FLAC, packed: how kit files and hosts keep them, bit for bit. `flac_read` reads them.
//!
//! The format is RFC 9639. The encoder's own stream writer refuses rates above 96 kHz, so frames come
//! from it and the stream's header is written here; rates that a frame header cannot say (above 65,535
//! Hz and no multiple of 10) are written as 48 kHz, and the kit document tells the true rate.

use super::Take;
use crate::{
    error::{Error, Result},
    parallel,
    progress::{Counter, Progress, Quiet},
};
use flacenc::{
    bitsink::ByteSink,
    component::{BitRepr, Frame, FrameHeader, FrameOffset, StreamInfo},
    config,
    error::{Verified, Verify},
    source::{Context, Fill, FrameBuf},
};
use std::sync::Arc;

/// Bits of a sample in a take.
const BITS: usize = 24;
/// Bits of a sample in FLAC, the fewest that hold a recording are used. (FLAC has a way of its own for low bits that are
/// never used, for single blocks; the encoder does not know it.)
const DEPTHS: [usize; 2] = [8, 16];
const FULL_SCALE_24_BIT: f32 = 8_388_608.0; // 2^23
/// Frames per block: the encoder's default, within the streamable subset up to 384 kHz.
const BLOCK: usize = 4096;
/// Written where a frame header cannot say the true rate.
const NOMINAL_RATE: u32 = 48_000;

impl Take {
    /// The take as FLAC of 8, 16 or 24 bits, the fewest that hold it to the bit, encoded at the first call and kept.
    /// Takes never change, so every save after the first costs no encoding.
    ///
    /// # Errors
    /// [`Error::Cancelled`], or a sentence when the encoder fails; nothing is kept then.
    pub fn flac_with(&self, progress: &dyn Progress) -> Result<Arc<[u8]>> {
        if let Some(bytes) = self.flac.get() {
            return Ok(bytes.clone());
        }
        let bytes: Arc<[u8]> = encode(self, progress)?.into();
        // two threads may have encoded the same take: both made the same bytes
        Ok(self.flac.get_or_init(|| bytes).clone())
    }

    /// [`Take::flac_with`] without progress.
    ///
    /// # Errors
    /// A sentence when the encoder fails.
    pub fn flac(&self) -> Result<Arc<[u8]>> {
        self.flac_with(&Quiet)
    }

    /// Bits of a sample that hold every sample of the take: 8, 16 or 24.
    fn bits(&self) -> usize {
        let holds = |bits: usize| {
            let low = (1 << (BITS - bits)) - 1;
            self.channels.iter().flatten().all(|&s| to_integer(s) & low == 0)
        };
        DEPTHS.into_iter().find(|&bits| holds(bits)).unwrap_or(BITS)
    }

    /// Distance of the steps on which all its samples lie, full scale being 1: that of 8, 16 or 24 bits.
    pub(crate) fn quantisation_step(&self) -> f32 {
        1.0 / (1_u32 << (self.bits() - 1)) as f32
    }
}

/// A sample on the 24-bit grid as an integer of 24 bits.
fn to_integer(sample: f32) -> i32 {
    (sample * FULL_SCALE_24_BIT) as i32
}

/// Blocks that one thread packs before it asks for more.
const BLOCKS_PER_TURN: usize = 64;

fn encode(take: &Take, progress: &dyn Progress) -> Result<Vec<u8>> {
    let fail = |e: &dyn std::fmt::Display| {
        Error::file(&take.name, format!("could not be packed as FLAC ({e}); import it again"))
    };
    let packer = Packer::new(take).map_err(|e| fail(&e))?;
    let blocks = take.frames().div_ceil(BLOCK);
    let runs = blocks.div_ceil(BLOCKS_PER_TURN);
    let counter = Counter::new(progress, "packing the recording", runs);
    let (packed, md5) = std::thread::scope(|scope| {
        let md5 = scope.spawn(|| digest(take, packer.bits, progress));
        let packed = parallel::in_order(
            runs,
            || packer.buffer.clone(),
            |buffer, run| {
                progress.check()?;
                let numbers = run * BLOCKS_PER_TURN..((run + 1) * BLOCKS_PER_TURN).min(blocks);
                let frames = numbers.map(|number| packer.frame(number, buffer));
                let frames = frames.collect::<std::result::Result<Vec<_>, _>>().map_err(|e| fail(&e))?;
                counter.one_done();
                Ok(frames)
            },
        );
        (packed, md5.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });

    let (rate, channels) = (packer.rate, take.channels.len());
    let (bits, frames) = (packer.bits, take.frames() as u64);
    let mut header = Header { rate, channels, bits, frames, ..Header::default() };
    header.md5 = md5?;
    let mut out = vec![0; HEADER_BYTES];
    for run in packed {
        for frame in run? {
            header.note_size(frame.len() as u32);
            out.extend_from_slice(&frame);
        }
    }
    out[..HEADER_BYTES].copy_from_slice(&header.bytes());
    Ok(out)
}

/// The samples of a block, channels interleaved, of so many bits.
fn interleaved_integers(take: &Take, bits: usize, number: usize) -> impl Iterator<Item = i32> {
    let frames = number * BLOCK..((number + 1) * BLOCK).min(take.frames());
    frames.flat_map(move |i| take.channels.iter().map(move |c| to_integer(c[i]) >> (BITS - bits)))
}

/// MD5 of all samples, as the streaminfo block keeps it (RFC 9639, section 8.2).
fn digest(take: &Take, bits: usize, progress: &dyn Progress) -> Result<[u8; 16]> {
    let mut digest = Context::new(bits, take.channels.len());
    let width = bits / 8;
    let mut bytes = Vec::with_capacity(BLOCK * take.channels.len() * width);
    for number in 0..take.frames().div_ceil(BLOCK) {
        progress.check()?;
        bytes.clear();
        bytes.extend(
            interleaved_integers(take, bits, number).flat_map(|s| s.to_le_bytes().into_iter().take(width)),
        );
        let failed =
            |e| Error::file(&take.name, format!("could not be packed as FLAC ({e}); import it again"));
        digest.fill_le_bytes(&bytes, width).map_err(failed)?;
    }
    Ok(digest.md5_digest())
}

type Failure = Box<dyn std::error::Error>;

/// Packs blocks of a take, each by itself.
struct Packer<'a> {
    take: &'a Take,
    /// As small as they get...
    packed: Verified<config::Encoder>,
    /// ...or as they are.
    plain: Verified<config::Encoder>,
    info: StreamInfo,
    rate: u32,
    bits: usize,
    /// For each thread to copy.
    buffer: FrameBuf,
}

impl<'a> Packer<'a> {
    fn new(take: &'a Take) -> std::result::Result<Self, Failure> {
        let settings = |plain: bool| {
            let mut encoder = config::Encoder::default();
            encoder.subframe_coding.use_fixed = !plain;
            // would save 2 to 4 % of the bytes of guitar takes, for more than twice the time
            encoder.subframe_coding.use_lpc = false;
            encoder.into_verified().map_err(|(_, e)| e)
        };
        let (channels, bits) = (take.channels.len(), take.bits());
        Ok(Self {
            take,
            bits,
            packed: settings(false)?,
            plain: settings(true)?,
            // the rate in here is not written: see `Header`
            info: StreamInfo::new(NOMINAL_RATE as usize, channels, bits)?,
            rate: written_rate(take.sample_rate),
            buffer: FrameBuf::with_size(channels, BLOCK)?,
        })
    }

    /// The bytes of frame `number`, its header saying the take's rate.
    fn frame(&self, number: usize, buffer: &mut FrameBuf) -> std::result::Result<Vec<u8>, Failure> {
        let Self { packed, plain, info, .. } = self;
        buffer.fill_interleaved(&interleaved_integers(self.take, self.bits, number).collect::<Vec<_>>())?;
        let mut frame = flacenc::encode_fixed_size_frame(packed, buffer, number, info)?;
        // a lone full-scale sample in a smooth sound makes the encoder choose a code of megabytes
        if frame.count_bits() > info.channels() * frame.block_size() * self.bits {
            frame = flacenc::encode_fixed_size_frame(plain, buffer, number, info)?;
        }
        let size = frame.block_size();
        let (header, subframes) = frame.into_parts();
        let channels = header.channel_assignment().clone();
        let offset = FrameOffset::Frame(number as u32);
        let header = FrameHeader::new(size, channels, self.bits, self.rate as usize, offset)?;
        let mut sink = ByteSink::new();
        Frame::new(header, subframes.into_iter())?.write(&mut sink)?;
        Ok(sink.into_inner())
    }
}

/// The rate to write: what a frame header can say (RFC 9639, section 9.1.2).
pub(super) fn written_rate(rate: u32) -> u32 {
    let sayable = rate <= 65_535 || (rate.is_multiple_of(10) && rate <= 655_350);
    if sayable { rate } else { NOMINAL_RATE }
}

/// Signature, block header and the streaminfo block (RFC 9639, sections 6, 8.1 and 8.2).
const HEADER_BYTES: usize = 4 + 4 + 34;

#[derive(Default)]
struct Header {
    rate: u32,
    channels: usize,
    bits: usize,
    frames: u64,
    smallest: Option<u32>,
    largest: u32,
    md5: [u8; 16],
}

impl Header {
    fn note_size(&mut self, bytes: u32) {
        self.smallest = Some(self.smallest.map_or(bytes, |s| s.min(bytes)));
        self.largest = self.largest.max(bytes);
    }

    fn bytes(&self) -> [u8; HEADER_BYTES] {
        let mut out = [0; HEADER_BYTES];
        out[..4].copy_from_slice(b"fLaC");
        out[4] = 0x80; // the last metadata block, of type 0 (streaminfo)
        out[7] = 34;
        let block = (BLOCK as u16).to_be_bytes();
        out[8..10].copy_from_slice(&block);
        out[10..12].copy_from_slice(&block);
        out[12..15].copy_from_slice(&self.smallest.unwrap_or(0).to_be_bytes()[1..]);
        out[15..18].copy_from_slice(&self.largest.to_be_bytes()[1..]);
        // 20 bits rate, 3 bits channels - 1, 5 bits depth - 1, 36 bits frames
        let packed = u64::from(self.rate) << 44
            | (self.channels as u64 - 1) << 41
            | (self.bits as u64 - 1) << 36
            | self.frames & 0xf_ffff_ffff;
        out[18..26].copy_from_slice(&packed.to_be_bytes());
        out[26..].copy_from_slice(&self.md5);
        out
    }
}
