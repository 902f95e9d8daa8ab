//! Checks a file before it is decoded, and bounds what the decoding library reads of it.

use super::{
    edits::{self, EncoderDelay},
    guarded::{Allowance, GuardedSource},
    tags,
};
use crate::error::{Error, Result};
use std::{
    fs::File,
    io::{ErrorKind, Read, Seek, SeekFrom},
    path::Path,
};

/// Largest file that is read, bytes.
pub const MAX_FILE_BYTES: u64 = 2 << 30;

/// Bytes that the decoding library may read of a file until it knows its format: the index of an M4A
/// file (see [`edits`]) and some more.
const MAX_HEADER_BYTES: u64 = 40 << 20;
/// The same for CAF files, whose packet tables take 32 bytes of memory for a byte; 30 minutes of ALAC at
/// 384 kHz need half a megabyte.
const MAX_CAF_HEADER_BYTES: u64 = 4 << 20;

/// A recording, ready to be decoded.
pub(super) struct Opened {
    pub(super) source: GuardedSource<File>,
    /// Renewed for each packet.
    pub(super) allowance: Allowance,
    /// The start of the sound that is not part of it.
    pub(super) encoder_delay: EncoderDelay,
}

/// Opens a recording after the checks that need no decoding: it is a file, not empty, not too large, its
/// first bytes are those of an audio format, and an Ogg file has its last page.
pub(super) fn open(path: &Path) -> Result<Opened> {
    let fail = |trouble: &str| Error::file(path, trouble);
    let unreadable = |e: std::io::Error| match e.kind() {
        ErrorKind::NotFound => fail("there is no such file; check its name and place"),
        ErrorKind::PermissionDenied => fail("may not be read; allow it or copy the file elsewhere"),
        _ => fail(&format!("could not be read ({e}); check the disk and try again")),
    };
    let about = std::fs::metadata(path).map_err(unreadable)?;
    if about.is_dir() {
        return Err(fail("is a folder; give one audio file"));
    }
    if !about.is_file() {
        return Err(fail("is not a regular file; give one audio file"));
    }
    if about.len() == 0 {
        return Err(fail("is empty; record or export it again"));
    }
    if about.len() > MAX_FILE_BYTES {
        return Err(fail("is larger than 2 GiB; cut it into shorter recordings"));
    }
    let mut file = File::open(path).map_err(unreadable)?;
    let base = tags::id3_len(&mut file, about.len()).map_err(unreadable)?;
    file.seek(SeekFrom::Start(base)).map_err(unreadable)?;
    let mut head = Vec::new();
    file.by_ref().take(4096).read_to_end(&mut head).map_err(unreadable)?;
    // behind a tag there may be padding before the first frame
    if base == 0 && !is_audio(&head) {
        return Err(fail("is not audio; give a WAV, AIFF, FLAC, MP3, Ogg Vorbis, M4A, AAC or ALAC file"));
    }
    if let Some((channels, most)) = surplus_channels(&head) {
        return Err(fail(&format!(
            "has {channels} channels, more than the {most} that are read of such a file; export it with fewer"
        )));
    }
    if head.starts_with(b"OggS") && !ogg_is_complete(&mut file, about.len()).map_err(unreadable)? {
        return Err(fail("is cut short: its last page is missing; copy or export it again"));
    }
    let encoder_delay = match head.get(4..8) {
        Some(b"ftyp") => edits::encoder_delay(&mut file, about.len())
            .map_err(unreadable)?
            .ok_or_else(|| fail("is cut short: its index is missing; copy or export it again"))?,
        _ => EncoderDelay::default(),
    };
    let allowance = Allowance::new(MAX_HEADER_BYTES);
    if head.starts_with(b"caff") {
        allowance.renew(MAX_CAF_HEADER_BYTES);
    }
    let blocks = tags::flac_blocks_len(&mut file, base, about.len()).map_err(unreadable)?;
    let mut source = GuardedSource::new(file, base, about.len(), allowance.clone());
    if blocks > 0 {
        source = without_flac_blocks(source, blocks);
    }
    for (at, bytes) in rf64_patches(&head) {
        source = source.patched(at, &bytes);
    }
    Ok(Opened { source, allowance, encoder_delay })
}

/// A FLAC stream whose metadata blocks behind the streaminfo block, `count` bytes, are left out.
pub(super) fn without_flac_blocks<R: Read + Seek>(source: GuardedSource<R>, count: u64) -> GuardedSource<R> {
    // the streaminfo block becomes the last one
    source.without(tags::STREAMINFO_END, count).patched(4, &[0x80])
}

/// Whether the first bytes are those of a format that is read here. Probing alone is not enough: it
/// searches on for anything that resembles an MP3 frame, and finds it in pictures and text.
fn is_audio(head: &[u8]) -> bool {
    let at = |i: usize, mark: &[u8]| head.get(i..i + mark.len()) == Some(mark);
    let mpeg_sync = head.len() > 3 && head[0] == 0xff && head[1] & 0xe0 == 0xe0;
    let wave = (at(0, b"RIFF") || at(0, b"RF64") || at(0, b"BW64")) && at(8, b"WAVE");
    let aiff = at(0, b"FORM") && (at(8, b"AIFF") || at(8, b"AIFC"));
    wave || aiff
        || mpeg_sync
        || at(0, b"fLaC")
        || at(0, b"OggS")
        || at(0, b"ID3")
        || at(0, b"caff")
        || at(4, b"ftyp")
}

/// Channels of a wave file that has more than the decoding library reads, and how many it reads: it places
/// every channel, 26 at most in a plain file, 18 in an extensible one.
fn surplus_channels(head: &[u8]) -> Option<(u16, u16)> {
    const EXTENSIBLE: u16 = 0xfffe;
    let half = |i: usize| Some(u16::from_le_bytes(head.get(i..i + 2)?.try_into().ok()?));
    if head.get(8..12)? != b"WAVE" {
        return None;
    }
    let format = head.windows(4).position(|w| w == b"fmt ")?;
    let most = if half(format + 8)? == EXTENSIBLE { 18 } else { 26 };
    let channels = half(format + 10)?;
    (channels > most).then_some((channels, most))
}

/// Whether the last Ogg page ends with the file and is marked as the last (RFC 3533, section 6: header
/// type flag 4). Bytes behind the last page, such as tags, are passed over.
fn ogg_is_complete(file: &mut File, length: u64) -> std::io::Result<bool> {
    const MAX_PAGE: u64 = 65_307; // RFC 3533, section 6
    let start = length.saturating_sub(2 * MAX_PAGE);
    file.seek(SeekFrom::Start(start))?;
    let mut tail = Vec::new();
    file.take(2 * MAX_PAGE).read_to_end(&mut tail)?;
    let page_at = |i: usize| {
        let segments = usize::from(*tail.get(i + 26)?);
        let table = tail.get(i + 27..i + 27 + segments)?;
        let body: usize = table.iter().map(|&n| usize::from(n)).sum();
        Some((tail[i + 5], i + 27 + segments + body))
    };
    let last = tail.windows(5).rposition(|w| w == b"OggS\0");
    Ok(last.and_then(page_at).is_some_and(|(flags, end)| flags & 4 != 0 && end <= tail.len()))
}

/// Bytes to show in place of a file's own: RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088) are wave files
/// whose sizes stand in a `ds64` chunk; under 2 GiB the 32-bit fields can carry them.
fn rf64_patches(head: &[u8]) -> Vec<(u64, [u8; 4])> {
    let word = |i: usize| Some(u32::from_le_bytes(head.get(i..i + 4)?.try_into().ok()?));
    let read = || {
        if !(head.starts_with(b"RF64") || head.starts_with(b"BW64")) || head.get(12..16)? != b"ds64" {
            return None;
        }
        let data_size = word(28)?; // low half of the 64-bit size; the high half must be 0
        if word(32)? != 0 || data_size > u32::MAX - 1 {
            return None;
        }
        let mut chunk = 20 + word(16)? as usize;
        while head.get(chunk..chunk + 4)? != b"data" {
            let size = word(chunk + 4)? as usize;
            chunk = chunk.checked_add(8 + size + (size & 1))?;
        }
        // the outer size is left unknown: the decoder reads it as "to the end of the file"
        let mut patches = vec![(0, *b"RIFF"), (4, [0xff; 4])];
        if word(chunk + 4)? == u32::MAX {
            patches.push((chunk as u64 + 4, data_size.to_le_bytes()));
        }
        Some(patches)
    };
    read().unwrap_or_default()
}
