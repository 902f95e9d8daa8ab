//! Damaged files never cause a panic.

use super::{
    support::{encoded, folder, read, sound},
    uncompressed::{aiff, rf64, wave},
};
use kitwright_core::take::Take;
use proptest::prelude::*;
use std::sync::OnceLock;

/// One small file of each kind; the compressed kinds only with ffmpeg.
fn specimens() -> &'static Vec<(String, Vec<u8>)> {
    static ALL: OnceLock<Vec<(String, Vec<u8>)>> = OnceLock::new();
    ALL.get_or_init(|| {
        let data: Vec<u8> = (0..4000_i32).flat_map(|i| ((i * 37 % 9000) as i16).to_le_bytes()).collect();
        let mut all = vec![
            ("a.wav".into(), wave(1, 2, 48_000, 16, &[], &data)),
            ("a.aiff".into(), aiff(None, 48_000, 16, 2, 2000, &data)),
            ("b.wav".into(), rf64(1, &[1, 2, 3, 4, 5, 6])),
            (
                "a.flac".into(),
                Take::from_samples("a", 48_000, sound(48_000, 0.2, 2)).flac().unwrap().to_vec(),
            ),
        ];
        for (extension, codec) in [
            ("mp3", "libmp3lame"),
            ("ogg", "libvorbis"),
            ("m4a", "aac"),
            ("m4a", "alac"),
            ("caf", "alac"),
            ("aac", "aac"),
            ("flac", "flac"),
        ] {
            if let Some(path) = encoded(extension, codec, 48_000, 2) {
                all.push((format!("{codec}.{extension}"), std::fs::read(path).unwrap()));
            }
        }
        all
    })
}

/// Reads bytes as a file: a valid take or an error.
fn survives(name: &str, bytes: &[u8]) {
    let dir = folder();
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    let result = read(&path);
    if let Ok(take) = result {
        assert!(take.channels.iter().flatten().all(|s| s.abs() <= 1.0));
        assert!(take.channels.iter().all(|c| c.len() == take.frames()) && take.frames() > 0);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn files_cut_anywhere_never_panic(which in any::<prop::sample::Index>(), share in 0.0..1.0_f64) {
        let (name, bytes) = which.get(specimens());
        survives(name, &bytes[..(bytes.len() as f64 * share) as usize]);
    }

    #[test]
    fn files_with_changed_bytes_never_panic(
        which in any::<prop::sample::Index>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), any::<bool>()), 1..12),
    ) {
        let (name, bytes) = which.get(specimens());
        let mut bytes = bytes.clone();
        for (at, value, early) in changes {
            let span = if early { bytes.len().min(200) } else { bytes.len() };
            let i = at.index(span);
            bytes[i] = value;
        }
        survives(name, &bytes);
    }

    #[test]
    fn random_bytes_never_panic(
        start in prop::sample::select(vec![&b"RIFF"[..], b"RF64", b"FORM", b"fLaC", b"OggS", b"ID3\x04", b"caff", b"\0\0\0\x20ftypM4A ", b"\xff\xfb\x90\x64", b"\xff\xf1\x50\x80", b""]),
        rest in prop::collection::vec(any::<u8>(), 0..4000),
    ) {
        survives("random.wav", &[start, &rest].concat());
    }
}
