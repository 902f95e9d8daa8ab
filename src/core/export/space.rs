//! Space that a song needs on the disk, checked before anything is rendered.

use super::{MAX_TAIL_S, Score, wav};
use crate::{
    error::{Error, Result},
    kit::Kit,
};
use std::path::Path;

/// Whether `files` stereo files of `score` at `rate` Hz can be written to `out` and beside it: each must
/// fit into a WAV file, and all of them, with the longest tail, into the free space of the disk.
///
/// # Errors
/// One sentence that names `out` and the limit.
pub(super) fn check_song(score: &Score, rate: u32, files: usize, out: &Path) -> Result<()> {
    let max_seconds = wav::max_seconds(rate, 2);
    if score.seconds > max_seconds || score.seconds.is_nan() {
        return Err(Error::file(
            out,
            format!(
                "would last {}, a WAV file of {rate} Hz holds {} at most: render a shorter song or choose a \
                 lower rate",
                hours(score.seconds),
                hours(max_seconds)
            ),
        ));
    }
    let frames = ((score.seconds + MAX_TAIL_S) * f64::from(rate)) as u64;
    check_free(out, frames * wav::frame_bytes(2) * files as u64)
}

/// Whether a kit's folder can be written to `dir`: the takes, which FLAC makes no larger than their samples, the pads, the
/// groove and the picture.
///
/// # Errors
/// One sentence that names `dir` and the limit.
pub(super) fn check_kit(kit: &Kit, dir: &Path) -> Result<()> {
    let takes: u64 = kit.takes.iter().map(|t| (t.frames() * t.channels.len()) as u64 * 3).sum();
    check_free(dir, takes + kit.sounding().count() as u64 * PAD_BYTES + GROOVE_BYTES)
}

/// A pad's file with the longest tail, and the groove with its picture, bytes.
const PAD_BYTES: u64 = 20 * 48_000 * 6;
const GROOVE_BYTES: u64 = 12_000_000;

/// Whether the disk that `out` lies on has `bytes` free.
///
/// # Errors
/// One sentence when it has not. A disk that does not report its free space passes.
pub(super) fn check_free(out: &Path, bytes: u64) -> Result<()> {
    let folder = out.ancestors().skip(1).map(|p| if p.as_os_str().is_empty() { Path::new(".") } else { p });
    let Some(free) = folder.into_iter().find_map(|folder| fs4::available_space(folder).ok()) else {
        return Ok(());
    };
    if bytes <= free {
        return Ok(());
    }
    Err(Error::file(
        out,
        format!(
            "needs {} MB, and its disk has {} MB free: make room or write elsewhere",
            bytes.div_ceil(1_000_000),
            free / 1_000_000
        ),
    ))
}

fn hours(seconds: f64) -> String {
    let minutes = (seconds / 60.0).ceil();
    format!("{:.0} h {:.0} min", (minutes / 60.0).floor(), minutes % 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_larger_than_the_free_space_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("not/yet/song.wav");
        assert!(check_free(&out, 1).is_ok());
        let text = check_free(&out, u64::MAX).unwrap_err().to_string();
        assert!(text.contains("song.wav") && text.contains("free"), "{text}");
    }

    #[test]
    fn a_song_longer_than_a_wav_file_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("song.wav");
        let song = |seconds: f64| check_song(&Score::stroke(36, 1.0, seconds), 48_000, 1, &out);
        assert!(song(1.0).is_ok());
        for seconds in [14_914.0, 1e300, f64::INFINITY, f64::NAN] {
            let text = song(seconds).unwrap_err().to_string();
            assert!(text.contains("4 h 9 min at most"), "{text}");
        }
    }
}
