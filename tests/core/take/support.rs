//! Sounds and files for the tests on takes.

use kitwright_core::{progress::Quiet, take::Take};
use std::{
    path::{Path, PathBuf},
    process::Command,
    sync::OnceLock,
};

pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

pub fn read(path: &Path) -> kitwright_core::error::Result<Take> {
    Take::read(path, &Quiet)
}

/// The error of a refused file: one sentence.
pub fn refusal(path: &Path) -> String {
    let text = read(path).unwrap_err().to_string();
    assert!(text.contains(&path.display().to_string()), "{text}");
    assert!(!text.contains('\n') && !text.trim_end_matches('.').contains(". "), "not one sentence: {text}");
    text
}

/// Equality without printing a whole recording when it fails.
pub fn same(got: &[Vec<f32>], want: &[Vec<f32>], what: &str) {
    assert_eq!(got.len(), want.len(), "{what}: channels");
    for (g, w) in got.iter().zip(want) {
        assert_eq!(g.len(), w.len(), "{what}: frames");
        let first = g.iter().zip(w).position(|(a, b)| a != b);
        assert!(first.is_none(), "{what}: differs from frame {first:?} on");
    }
}

/// A decaying two-partial sound, different in each channel, peak below 0.8.
pub fn sound(rate: u32, seconds: f64, channels: usize) -> Vec<Vec<f32>> {
    let frames = (f64::from(rate) * seconds) as usize;
    (0..channels)
        .map(|c| {
            (0..frames)
                .map(|i| {
                    let t = i as f64 / f64::from(rate);
                    let w = std::f64::consts::TAU * t;
                    let level = 0.5 * (-3.0 * t).exp();
                    (level * ((220.0 + 30.0 * c as f64) * w).sin() + 0.3 * level * (1130.0 * w).sin()) as f32
                })
                .collect()
        })
        .collect()
}

pub fn write_wav(path: &Path, rate: u32, bits: u16, channels: &[Vec<i32>]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).unwrap();
    for i in 0..channels[0].len() {
        for channel in channels {
            out.write_sample(channel[i]).unwrap();
        }
    }
    out.finalize().unwrap();
}

pub fn write_float_wav(path: &Path, rate: u32, channels: &[Vec<f32>]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut out = hound::WavWriter::create(path, spec).unwrap();
    for i in 0..channels[0].len() {
        for channel in channels {
            out.write_sample(channel[i]).unwrap();
        }
    }
    out.finalize().unwrap();
}

/// Sample values of a bit depth: ends, middle, and some between.
pub fn steps(bits: u32) -> Vec<i32> {
    let top = (1_i64 << (bits - 1)) - 1;
    let mut all = vec![0, 1, -1, top, -top - 1];
    all.extend((0..500).map(|i| (i * 7_919_137 * 263) % top * if i % 2 == 0 { 1 } else { -1 }));
    all.into_iter().map(|v| v as i32).collect()
}

pub fn has_ffmpeg() -> bool {
    static FOUND: OnceLock<bool> = OnceLock::new();
    *FOUND.get_or_init(|| {
        let found = Command::new("ffmpeg").arg("-version").output().is_ok_and(|o| o.status.success());
        if !found {
            eprintln!("skipped: ffmpeg is not installed, so MP3, Ogg Vorbis, AAC and ALAC were not compared");
        }
        found
    })
}

/// Two seconds of [`sound`] encoded by ffmpeg; `None` without it.
pub fn encoded(extension: &str, codec: &str, rate: u32, channels: usize) -> Option<PathBuf> {
    static FOLDER: OnceLock<tempfile::TempDir> = OnceLock::new();
    if !has_ffmpeg() {
        return None;
    }
    let dir = FOLDER
        .get_or_init(folder)
        .path()
        .join(format!("{:?}", std::thread::current().id()).replace(['(', ')'], ""));
    std::fs::create_dir_all(&dir).unwrap();
    // raw samples: the channel layout of a written file would follow into some formats
    let source = dir.join(format!("source-{rate}-{channels}.raw"));
    let samples = sound(rate, 2.0, channels);
    let frames = 0..samples[0].len();
    let raw: Vec<u8> = frames
        .flat_map(|i| samples.iter().map(move |c| ((c[i] * 8_388_607.0) as i32).to_le_bytes()))
        .flat_map(|b| [b[0], b[1], b[2]])
        .collect();
    std::fs::write(&source, raw).unwrap();
    let path = dir.join(format!("{codec}-{rate}-{channels}.{extension}"));
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-y", "-f", "s24le"])
        .args(["-ar", &rate.to_string(), "-ac", &channels.to_string()])
        .arg("-i")
        .arg(&source)
        .args(["-c:a", codec, "-b:a", "192k"])
        .arg(&path)
        .output()
        .unwrap();
    assert!(out.status.success(), "ffmpeg: {}", String::from_utf8_lossy(&out.stderr));
    Some(path)
}

/// What ffmpeg decodes: rate and channels.
pub fn ffmpeg_decode(path: &Path, channels: usize) -> (u32, Vec<Vec<f32>>) {
    let raw = path.with_extension("decoded.wav");
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-y", "-i"])
        .arg(path)
        .args(["-c:a", "pcm_f32le", "-fflags", "+bitexact"])
        .arg(&raw)
        .output()
        .unwrap();
    assert!(out.status.success(), "ffmpeg: {}", String::from_utf8_lossy(&out.stderr));
    let mut reader = hound::WavReader::open(&raw).unwrap();
    let rate = reader.spec().sample_rate;
    assert_eq!(usize::from(reader.spec().channels), channels, "{}", path.display());
    let all: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
    (rate, (0..channels).map(|c| all.iter().skip(c).step_by(channels).copied().collect()).collect())
}
