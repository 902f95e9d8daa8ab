//! Tags in front of the sound, which the decoding library must not see: it would keep them all, as
//! objects that are up to forty times as large as their bytes.

use std::io::{Read, Result, Seek, SeekFrom};

/// Most tags or blocks that are passed over.
const MAX_TAGS: usize = 1000;
/// Signature, block header and body of the streaminfo block (RFC 9639, section 8.2).
pub(super) const STREAMINFO_END: u64 = 4 + 4 + 34;

/// Bytes of the ID3v2 tags at the start of a file, 0 when there are none (ID3v2.4.0, section 3.1: a
/// 28-bit size in four bytes of seven bits, which counts neither header nor footer of ten bytes each).
pub(super) fn id3_len(file: &mut (impl Read + Seek), length: u64) -> Result<u64> {
    let mut at = 0;
    for _ in 0..MAX_TAGS {
        let mut head = [0; 10];
        if at + 10 > length {
            break;
        }
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let size = head[6..].iter().fold(0, |size, &b| size << 7 | u64::from(b & 0x7f));
        if !head.starts_with(b"ID3") || head[6..].iter().any(|b| b & 0x80 != 0) {
            break;
        }
        let footer = if head[5] & 0x10 != 0 { 10 } else { 0 };
        at = (at + 10 + size + footer).min(length);
    }
    Ok(at)
}

/// Bytes of the metadata blocks behind the streaminfo block of a FLAC stream that begins at `base`
/// (RFC 9639, section 8.1: one bit "last", seven bits type, 24 bits size). 0 when there are none, or when
/// the stream begins with another block, which the decoding library refuses.
pub(super) fn flac_blocks_len(file: &mut (impl Read + Seek), base: u64, length: u64) -> Result<u64> {
    let mut head = [0; 8];
    if base + STREAMINFO_END > length {
        return Ok(0);
    }
    file.seek(SeekFrom::Start(base))?;
    file.read_exact(&mut head)?;
    if head != [b'f', b'L', b'a', b'C', 0, 0, 0, 34] {
        return Ok(0);
    }
    let start = base + STREAMINFO_END;
    let mut at = start;
    for _ in 0..MAX_TAGS {
        let mut head = [0; 4];
        if at + 4 > length {
            break;
        }
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        at = (at + 4 + u64::from(u32::from_be_bytes([0, head[1], head[2], head[3]]))).min(length);
        if head[0] & 0x80 != 0 {
            break;
        }
    }
    Ok(at - start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    #[test]
    fn id3_tags_are_measured_with_footers_and_several_of_them() {
        let mut bytes = b"ID3\x04\0\x10\0\0\x01\x02".to_vec(); // 130 bytes and a footer
        bytes.resize(10 + 130 + 10, 7);
        bytes.extend(b"ID3\x03\0\0\0\0\0\x05.....sound");
        let length = bytes.len() as u64;
        assert_eq!(id3_len(&mut Cursor::new(&bytes), length).unwrap(), length - 5);
        assert_eq!(id3_len(&mut Cursor::new(b"fLaC......"), 10).unwrap(), 0);
        assert_eq!(id3_len(&mut Cursor::new(b"ID3\x04\0\0\x7f\x7f\x7f\x7f"), 10).unwrap(), 10);
    }

    #[test]
    fn flac_blocks_are_measured_to_the_last_one() {
        let mut bytes = b"..fLaC\0\0\0\x22".to_vec();
        bytes.resize(2 + 42, 1);
        bytes.extend(b"\x04\0\0\x03abc\x81\0\0\x02deframes");
        let length = bytes.len() as u64;
        assert_eq!(flac_blocks_len(&mut Cursor::new(&bytes), 2, length).unwrap(), 7 + 6);
        bytes[6] = 0x80;
        assert_eq!(flac_blocks_len(&mut Cursor::new(&bytes), 2, length).unwrap(), 0);
    }
}
