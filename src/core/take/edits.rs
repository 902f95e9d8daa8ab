//! The edit list of an M4A file: how many frames of its sound an encoder put in front.
//!
//! AAC encoders put priming samples before the sound (1,024 or 2,112 frames, as a rule): the encoder delay, which the
//! file's edit list tells players to skip (ISO/IEC 14496-12, section 8.6.6). The decoding library does not read edit lists.
//! Padding at the end stays: the list tells it in milliseconds only.

use std::io::{Read, Seek, SeekFrom};

/// Largest `moov` box that is looked into, bytes.
const MAX_MOOV: u64 = 32 << 20;

/// What to skip at the start of a sound, in units of its track; none by default.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct EncoderDelay {
    /// In units of the track's own timescale, which need not be its sample rate.
    time: u64,
    /// Units per second.
    timescale: u32,
}

impl EncoderDelay {
    /// The nearest number of frames at `rate` Hz; 0 without a timescale.
    pub(super) fn frames(self, rate: u32) -> u64 {
        let (time, timescale) = (u128::from(self.time), u128::from(self.timescale));
        let frames = (time * u128::from(rate) + timescale / 2).checked_div(timescale).unwrap_or(0);
        u64::try_from(frames).unwrap_or(u64::MAX)
    }
}

/// What to skip at the start of the first audio track, nothing when the file says nothing about it; `None`
/// when it has no index (`moov`), which most writers put at its very end.
pub(super) fn encoder_delay(
    file: &mut (impl Read + Seek),
    length: u64,
) -> std::io::Result<Option<EncoderDelay>> {
    let Some(moov) = find_moov(file, length)? else { return Ok(None) };
    let delay = boxes(&moov).filter(|b| b.kind == *b"trak").find_map(|trak| skipped(trak.body));
    Ok(Some(delay.unwrap_or_default()))
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

/// What an audio track's edit list skips; `None` for other tracks and other lists.
fn skipped(trak: &[u8]) -> Option<EncoderDelay> {
    let media = child(trak, b"mdia")?;
    let handler = child(media, b"hdlr")?;
    if handler.get(8..12)? != b"soun" {
        return None;
    }
    let list = child(child(trak, b"edts")?, b"elst")?;
    let long = *list.first()? == 1;
    let count = u32::from_be_bytes(list.get(4..8)?.try_into().ok()?);
    let width = if long { 20 } else { 12 };
    // an entry whose media time is -1 is silence before the sound
    let time = list.get(8..)?.chunks_exact(width).take(count as usize).find_map(|entry| {
        let time = if long {
            i64::from_be_bytes(entry[8..16].try_into().ok()?)
        } else {
            i64::from(i32::from_be_bytes(entry[4..8].try_into().ok()?))
        };
        u64::try_from(time).ok()
    })?;
    Some(EncoderDelay { time, timescale: timescale(media)? })
}

/// Units per second of a track's media times (ISO/IEC 14496-12, section 8.4.2).
fn timescale(media: &[u8]) -> Option<u32> {
    let header = child(media, b"mdhd")?;
    // two times of creation and modification stand before it, of 64 bits in version 1
    let at = if *header.first()? == 1 { 20 } else { 12 };
    Some(u32::from_be_bytes(header.get(at..at + 4)?.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn mp4_box(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
        [&(8 + body.len() as u32).to_be_bytes()[..], kind, body].concat()
    }

    fn words(all: &[u32]) -> Vec<u8> {
        all.iter().flat_map(|w| w.to_be_bytes()).collect()
    }

    /// What a file skips whose audio track has these bodies of `mdhd` and `elst`.
    fn delay(media_header: &[u8], edit_list: &[u8]) -> EncoderDelay {
        let handler = [&words(&[0, 0])[..], b"soun", &[0; 13]].concat();
        let media = [mp4_box(b"mdhd", media_header), mp4_box(b"hdlr", &handler)].concat();
        let edits = mp4_box(b"edts", &mp4_box(b"elst", edit_list));
        let track = [mp4_box(b"mdia", &media), edits].concat();
        let file = [mp4_box(b"ftyp", b"M4A "), mp4_box(b"moov", &mp4_box(b"trak", &track))].concat();
        encoder_delay(&mut Cursor::new(&file), file.len() as u64).unwrap().expect("an index")
    }

    #[test]
    fn delays_are_converted_from_the_timescale_of_the_track() {
        // one edit: duration, media time, rate; before it silence, whose media time is -1
        let list = |time: u32| words(&[0, 2, 500, u32::MAX, 0x1_0000, 1000, time, 0x1_0000]);
        let header = |timescale: u32| words(&[0, 1, 2, timescale, 4, 0]);
        assert_eq!(delay(&header(44_100), &list(2112)).frames(44_100), 2112);
        assert_eq!(delay(&header(90_000), &list(4310)).frames(44_100), 2112, "2111.9 frames");
        // SBR doubles the rate of the track; its core alone is decoded
        assert_eq!(delay(&header(44_100), &list(2048)).frames(22_050), 1024);
        // version 1: times of 64 bits
        let long_header = words(&[0x0100_0000, 0, 1, 0, 2, 1000, 0, 4, 0]);
        let long_list = words(&[0x0100_0000, 1, 0, 1000, 0, 48, 0x1_0000]);
        assert_eq!(delay(&long_header, &long_list).frames(48_000), 2304, "48 ms");
    }

    #[test]
    fn a_track_without_a_timescale_has_no_delay() {
        let list = words(&[0, 1, 1000, 2112, 0x1_0000]);
        assert_eq!(delay(&words(&[0, 1, 2, 0, 4, 0]), &list).frames(48_000), 0);
        assert_eq!(delay(&[], &list), EncoderDelay::default());
        let most = EncoderDelay { time: u64::MAX, timescale: 1 };
        assert_eq!(most.frames(384_000), u64::MAX, "no overflow");
    }
}
