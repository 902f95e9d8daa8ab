//! The edit list of an M4A file: how many frames of its sound an encoder put in front.
//!
//! AAC encoders put priming samples before the sound (1,024 or 2,112 frames, as a rule): the encoder delay, which the
//! file's edit list tells players to skip (ISO/IEC 14496-12, section 8.6.6). The decoding library does not read edit lists.
//! Padding at the end stays: the list tells it in milliseconds only.

use std::io::{Read, Seek, SeekFrom};

/// Largest `moov` box that is looked into, bytes.
const MAX_MOOV: u64 = 32 << 20;

/// Frames to skip at the start of the first audio track, 0 when the file says nothing about it; `None`
/// when it has no index (`moov`), which most writers put at its very end.
pub(super) fn encoder_delay(file: &mut (impl Read + Seek), length: u64) -> std::io::Result<Option<u64>> {
    let Some(moov) = find_moov(file, length)? else { return Ok(None) };
    let frames = boxes(&moov).filter(|b| b.kind == *b"trak").find_map(|trak| skipped(trak.body));
    Ok(Some(frames.unwrap_or(0)))
}

fn find_moov(file: &mut (impl Read + Seek), length: u64) -> std::io::Result<Option<Vec<u8>>> {
    let mut at = 0;
    // a file has a handful of boxes at its top; the bound is against invented ones
    for _ in 0..1000 {
        if at + 8 > length {
            break;
        }
        file.seek(SeekFrom::Start(at))?;
        let mut head = [0; 16];
        file.read_exact(&mut head[..8])?;
        let mut size = u64::from(u32::from_be_bytes([head[0], head[1], head[2], head[3]]));
        let mut body = at + 8;
        match size {
            0 => size = length - at,
            1 if at + 16 <= length => {
                file.read_exact(&mut head[8..])?;
                size = u64::from_be_bytes(head[8..].try_into().unwrap_or_default());
                body = at + 16;
            }
            _ => (),
        }
        let Some(end) = at.checked_add(size).filter(|&end| end <= length && end >= body) else { break };
        if &head[4..8] == b"moov" {
            if end - body > MAX_MOOV {
                break;
            }
            file.seek(SeekFrom::Start(body))?;
            let mut moov = vec![0; (end - body) as usize];
            file.read_exact(&mut moov)?;
            return Ok(Some(moov));
        }
        at = end;
    }
    Ok(None)
}

struct Mp4Box<'a> {
    kind: [u8; 4],
    body: &'a [u8],
}

/// The boxes in `bytes`, up to the first that does not fit.
fn boxes(bytes: &[u8]) -> impl Iterator<Item = Mp4Box<'_>> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let size = u32::from_be_bytes(rest.get(..4)?.try_into().ok()?) as usize;
        let kind = rest.get(4..8)?.try_into().ok()?;
        let body = rest.get(8..size)?;
        rest = &rest[size..];
        Some(Mp4Box { kind, body })
    })
}

fn child<'a>(bytes: &'a [u8], kind: &[u8; 4]) -> Option<&'a [u8]> {
    boxes(bytes).find(|b| &b.kind == kind).map(|b| b.body)
}

/// Frames that an audio track's edit list skips; `None` for other tracks and other lists.
fn skipped(trak: &[u8]) -> Option<u64> {
    let handler = child(child(trak, b"mdia")?, b"hdlr")?;
    if handler.get(8..12)? != b"soun" {
        return None;
    }
    let list = child(child(trak, b"edts")?, b"elst")?;
    let long = *list.first()? == 1;
    let count = u32::from_be_bytes(list.get(4..8)?.try_into().ok()?);
    let width = if long { 20 } else { 12 };
    // an entry whose media time is -1 is silence before the sound
    list.get(8..)?.chunks_exact(width).take(count as usize).find_map(|entry| {
        let time = if long {
            i64::from_be_bytes(entry[8..16].try_into().ok()?)
        } else {
            i64::from(i32::from_be_bytes(entry[4..8].try_into().ok()?))
        };
        u64::try_from(time).ok()
    })
}
