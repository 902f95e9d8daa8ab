//! Files that are no recording, or too long, are refused in one sentence.

use super::support::{encoded, folder, read, refusal, write_wav};
use kitwright_core::{error::Error, progress::Flag, take::Take};
#[cfg(unix)]
use std::path::Path;

#[test]
fn files_that_are_no_recording_are_refused_in_one_sentence() {
    let dir = folder();
    let at = |name: &str| dir.path().join(name);
    assert!(refusal(&at("nowhere.wav")).contains("no such file"));
    std::fs::create_dir(at("folder.wav")).unwrap();
    assert!(refusal(&at("folder.wav")).contains("folder"));
    std::fs::write(at("empty.wav"), b"").unwrap();
    assert!(refusal(&at("empty.wav")).contains("empty"));
    std::fs::write(at("letter.wav"), "Dear neighbour, about the drums last night".repeat(100)).unwrap();
    assert!(refusal(&at("letter.wav")).contains("not audio"));
    std::fs::write(at("noise.mp3"), (0..50_000_u32).map(|i| ((i * i) >> 7) as u8).collect::<Vec<_>>())
        .unwrap();
    refusal(&at("noise.mp3"));
    write_wav(&at("none.wav"), 44_100, 16, &[Vec::new()]);
    assert!(refusal(&at("none.wav")).contains("no samples"));
    // 2 GiB and a byte, without writing them
    let huge = std::fs::File::create(at("huge.wav")).unwrap();
    huge.set_len((2 << 30) + 1).unwrap();
    assert!(refusal(&at("huge.wav")).contains("larger than 2 GiB"));
    // A UTF-16 text begins like an MP3 frame.
    let utf16: Vec<u8> =
        [0xff, 0xfe].into_iter().chain("kick and snare ".repeat(99).bytes().flat_map(|b| [b, 0])).collect();
    std::fs::write(at("notes.txt"), utf16).unwrap();
    refusal(&at("notes.txt"));
}

#[cfg(unix)]
#[test]
fn pipes_and_devices_are_refused_without_waiting() {
    let dir = folder();
    let pipe = dir.path().join("pipe.wav");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    for path in [&pipe, Path::new("/dev/null")] {
        assert!(refusal(path).contains("not a regular file"));
    }
}

#[test]
fn thirty_minutes_are_read_and_a_second_more_is_not() {
    let dir = folder();
    let path = dir.path().join("long.wav");
    write_wav(&path, 8_000, 8, &[vec![3; 8_000 * 1800]]);
    assert_eq!(read(&path).unwrap().seconds(), 1800.0);
    write_wav(&path, 8_000, 8, &[vec![3; 8_000 * 1801]]);
    assert!(refusal(&path).contains("longer than 30 minutes"));
}

#[test]
fn cancelled_reading_returns_cancelled() {
    let dir = folder();
    let path = dir.path().join("take.wav");
    write_wav(&path, 48_000, 16, &[vec![3; 48_000]]);
    let flag = Flag(true.into());
    assert_eq!(Take::read(&path, &flag).unwrap_err(), Error::Cancelled);
}

#[test]
fn cut_files_of_every_format_are_refused_or_skipped_without_ffmpeg() {
    let dir = folder();
    for (extension, codec) in [
        ("wav", "pcm_s16le"),
        ("aiff", "pcm_s16be"),
        ("flac", "flac"),
        ("mp3", "libmp3lame"),
        ("ogg", "libvorbis"),
        ("m4a", "aac"),
        ("m4a", "alac"),
        ("caf", "alac"),
    ] {
        let Some(path) = encoded(extension, codec, 48_000, 2) else { return };
        let bytes = std::fs::read(&path).unwrap();
        for share in [0.999, 0.9, 0.5, 0.1, 0.01] {
            let cut = dir.path().join(format!("cut.{extension}"));
            // Lengths that are stated in packets may be off by one: see PACKET_SLACK.
            if share == 0.999 && ["mp3", "caf"].contains(&extension) {
                continue;
            }
            std::fs::write(&cut, &bytes[..(bytes.len() as f64 * share) as usize]).unwrap();
            let text = refusal(&cut);
            assert!(text.contains("cut short") || share == 0.01, "{text}");
            eprintln!("{extension} {share}: {text}");
        }
    }
}
