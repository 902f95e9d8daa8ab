//! Headers with false sizes are refused before memory is reserved.

use super::{
    super::own_process::{read_with_limit, read_within},
    support::{folder, read, refusal, write_wav},
    uncompressed::wave,
};

/// A CAF file after Apple's specification 1.0: description, further `chunks`, eight bytes of samples.
fn caf(
    kind: &[u8; 4],
    flags: u32,
    bytes_per_packet: u32,
    frames_per_packet: u32,
    channels: u32,
    bits: u32,
    chunks: &[(&[u8; 4], Vec<u8>)],
) -> Vec<u8> {
    let mut out = b"caff\0\x01\0\0desc".to_vec();
    out.extend(32_u64.to_be_bytes());
    out.extend(48_000_f64.to_be_bytes());
    out.extend(kind);
    for word in [flags, bytes_per_packet, frames_per_packet, channels, bits] {
        out.extend(word.to_be_bytes());
    }
    for (kind, body) in chunks {
        out.extend(*kind);
        out.extend((body.len() as u64).to_be_bytes());
        out.extend(body);
    }
    out.extend(b"data");
    out.extend(12_u64.to_be_bytes());
    out.extend([0; 12]);
    out
}

/// An M4A file of one track of raw samples, whose version 2 sample entry (QuickTime File Format) says
/// `frames_per_packet`.
fn m4a(frames_per_packet: u32) -> Vec<u8> {
    let atom =
        |kind: &[u8; 4], body: &[u8]| [&(8 + body.len() as u32).to_be_bytes()[..], kind, body].concat();
    let words = |all: &[u32]| all.iter().flat_map(|w| w.to_be_bytes()).collect::<Vec<_>>();
    let mut entry = vec![0; 6];
    entry.extend([0, 1, 0, 2, 0, 0, 0, 0, 0, 0]); // data reference 1, version 2
    entry.extend([0, 3, 0, 16, 0xff, 0xfe, 0, 0, 0, 1, 0, 0]); // constants of this version
    entry.extend(72_u32.to_be_bytes());
    entry.extend(48_000_f64.to_be_bytes());
    // one channel, a constant, 16 bits, signed and packed, bytes and frames of a packet
    entry.extend(words(&[1, 0x7f00_0000, 16, 12, 2, frames_per_packet]));
    let stsd = [words(&[0, 1]), atom(b"lpcm", &entry)].concat();
    let stbl = [
        atom(b"stsd", &stsd),
        atom(b"stts", &words(&[0, 1, 4, 1])),
        atom(b"stsc", &words(&[0, 1, 1, 4, 1])),
        atom(b"stsz", &words(&[0, 2, 4])),
        atom(b"stco", &words(&[0, 1, 24])),
    ]
    .concat();
    let handler = [&words(&[0, 0])[..], b"soun", &[0; 13]].concat();
    let minf = [atom(b"smhd", &[0; 8]), atom(b"stbl", &stbl)].concat();
    let mdia =
        [atom(b"mdhd", &words(&[0, 0, 0, 48_000, 4, 0])), atom(b"hdlr", &handler), atom(b"minf", &minf)]
            .concat();
    let mut track = words(&[7, 0, 0, 1, 0, 4]);
    track.resize(84, 0);
    let mut movie = words(&[0, 0, 0, 48_000, 4]);
    movie.resize(100, 0);
    let trak = [atom(b"tkhd", &track), atom(b"mdia", &mdia)].concat();
    let moov = [atom(b"mvhd", &movie), atom(b"trak", &trak)].concat();
    [atom(b"ftyp", b"M4A \0\0\0\0"), atom(b"mdat", &[1; 8]), atom(b"moov", &moov)].concat()
}

/// Files with one false header each, and a part of the error's sentence.
fn files_with_false_headers() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let huge = u32::MAX;
    let mut many = vec![0; 12];
    many[8..].copy_from_slice(&5000_u32.to_be_bytes());
    for label in 0..5000_u32 {
        many.extend((0x1_0000 | label).to_be_bytes());
        many.extend([0; 16]);
    }
    let mut table = (1_u64 << 40).to_be_bytes().to_vec();
    table.extend([0; 16]);
    table.resize(6 << 20, 0); // six million packets of one byte each
    vec![
        ("floats.caf", caf(b"lpcm", 1, 8, huge, 1, 64, &[]), "4294967295 frames"),
        ("ima.caf", caf(b"ima4", 0, 34, huge, 1, 4, &[]), "4294967295 frames"),
        ("labels.caf", caf(b"lpcm", 0, 2, 1, 1, 16, &[(b"chan", many)]), "5000 channels"),
        ("packets.caf", caf(b"alac", 0, 1, 0, 1, 16, &[(b"pakt", table)]), "more tags than sound"),
        ("frames.m4a", m4a(huge), "4294967295 frames"),
        ("channels.aiff", super::uncompressed::aiff(None, 48_000, 8, 65_535, 1, &[0; 8]), "65535 channels"),
    ]
}

#[test]
fn a_valid_file_of_each_kind_is_read() {
    let dir = folder();
    let files = [
        ("a.caf", caf(b"lpcm", 1, 8, 1, 1, 64, &[]), 1),
        ("b.caf", caf(b"lpcm", 2, 2, 1, 1, 16, &[]), 4),
        ("a.m4a", m4a(1), 4),
        ("64.aiff", super::uncompressed::aiff(None, 48_000, 8, 64, 2, &[1; 128]), 2),
    ];
    for (name, bytes, frames) in files {
        std::fs::write(dir.path().join(name), bytes).unwrap();
        assert_eq!(read(&dir.path().join(name)).unwrap().frames(), frames, "{name}");
    }
}

#[test]
fn headers_with_false_sizes_are_refused_within_300_megabytes() {
    let dir = folder();
    for (name, bytes, sentence) in files_with_false_headers() {
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let text = read_within(&path, 300);
        assert!(text.contains("refused") && text.contains(sentence), "{name}: {text}");
    }
}

#[test]
fn tags_before_the_audio_change_nothing() {
    let dir = folder();
    let path = dir.path().join("tagged.flac");
    let take = kitwright_core::take::Take::from_samples("a", 48_000, super::support::sound(48_000, 0.1, 2));
    let plain = take.flac().unwrap();
    let mut tagged = b"ID3\x04\0\0\0\0\x01\x00".to_vec();
    tagged.resize(10 + 128, 0);
    tagged.extend(b"fLaC\0\0\0\x22");
    tagged.extend(&plain[8..42]);
    tagged.extend(b"\x04\0\0\x08\0\0\0\0\0\0\0\0"); // no comments
    tagged.extend(b"\x81\0\x10\0"); // padding, the last block
    tagged.resize(tagged.len() + 4096, 0);
    tagged.extend(&plain[42..]);
    std::fs::write(&path, tagged).unwrap();
    super::support::same(&read(&path).unwrap().channels, &take.channels, "tagged");
}

#[test]
fn a_flac_of_a_million_comments_is_read_in_little_memory() {
    let dir = folder();
    let path = dir.path().join("comments.flac");
    let take = kitwright_core::take::Take::from_samples("a", 48_000, vec![vec![0.5; 100]]);
    let plain = take.flac().unwrap();
    let mut bytes = b"fLaC\0\0\0\x22".to_vec();
    bytes.extend(&plain[8..42]);
    for block in 0..4 {
        let last = if block == 3 { 0x80 } else { 0 };
        let count = 3_000_000_u32;
        let size = 8 + 5 * count;
        bytes.extend([last | 4]);
        bytes.extend(&size.to_be_bytes()[1..]);
        bytes.extend(0_u32.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(b"\x01\0\0\0=".repeat(count as usize));
    }
    bytes.extend(&plain[42..]);
    std::fs::write(&path, bytes).unwrap();
    assert!(read_within(&path, 300).contains("read 100 frames"));
}

#[test]
fn wave_files_of_too_many_channels_are_refused_by_their_number() {
    let dir = folder();
    let path = dir.path().join("array.wav");
    write_wav(&path, 48_000, 16, &vec![vec![5; 10]; 4]);
    assert_eq!(read(&path).unwrap().channels.len(), 2);
    std::fs::write(&path, wave(1, 32, 48_000, 16, &[], &[1; 640])).unwrap();
    assert!(refusal(&path).contains("32 channels"), "{}", refusal(&path));
}

#[test]
fn recordings_over_the_memory_limit_are_refused_before_they_are_read() {
    let dir = folder();
    let path = dir.path().join("half-an-hour.wav");
    // 30 minutes in stereo at 384 kHz, 8 bits: a sparse file of 1.4 GB, 5.5 GB of samples.
    let bytes = 2 * 384_000 * 1800_u32;
    let mut head = wave(1, 2, 384_000, 8, &[], &[]);
    head[4..8].copy_from_slice(&(36 + bytes).to_le_bytes());
    head[40..44].copy_from_slice(&bytes.to_le_bytes());
    std::fs::write(&path, &head).unwrap();
    std::fs::File::options().write(true).open(&path).unwrap().set_len(44 + u64::from(bytes)).unwrap();
    let text = read_within(&path, 300);
    assert!(text.contains("needs 5.5 GB of memory, more than the 1.5 GB"), "{text}");

    // Two seconds: 768 kB of samples. A length that is not stated is checked while reading.
    write_wav(&path, 48_000, 16, &[vec![100; 96_000], vec![100; 96_000]]);
    assert!(read_with_limit(&path, 300, 1).contains("read 96000 frames"));
    assert!(read_with_limit(&path, 300, 0).contains("--memory"));
    let mut streamed = std::fs::read(&path).unwrap();
    streamed[4..8].copy_from_slice(&[0xff; 4]);
    streamed[40..44].copy_from_slice(&[0xff; 4]);
    std::fs::write(&path, streamed).unwrap();
    assert!(read_with_limit(&path, 300, 1).contains("read 96000 frames"));
    assert!(read_with_limit(&path, 300, 0).contains("--memory"));
}

#[test]
fn a_damaged_stream_is_not_reported_as_a_disk_error() {
    let dir = folder();
    let path = dir.path().join("damaged.flac");
    let take = kitwright_core::take::Take::from_samples("a", 48_000, super::support::sound(48_000, 1.0, 2));
    let mut bytes = take.flac().unwrap().to_vec();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 2000].fill(0);
    std::fs::write(&path, bytes).unwrap();
    let text = refusal(&path);
    assert!(text.contains("damaged") || text.contains("cut short"), "{text}");
    assert!(!text.contains("disk"), "{text}");
}
