//! The compressed formats, beside another decoder.

use super::support::{encoded, ffmpeg_decode, folder, has_ffmpeg, read, same, sound};
use kitwright_core::{take::Take, units::power_to_db};

#[test]
fn flac_is_read_alike_by_another_decoder_or_skipped_without_ffmpeg() {
    if !has_ffmpeg() {
        return;
    }
    let dir = folder();
    for rate in [8_000, 44_100, 96_000, 192_000, 384_000] {
        let take = Take::from_samples("take.wav", rate, sound(rate, 0.5, 2));
        let path = dir.path().join(format!("{rate}.flac"));
        std::fs::write(&path, take.flac().unwrap()).unwrap();
        let (other_rate, other) = ffmpeg_decode(&path, 2);
        assert_eq!(other_rate, rate);
        same(&other, &take.channels, &format!("{rate} Hz"));
        same(&read(&path).unwrap().channels, &take.channels, "read back");
    }
}

#[test]
fn the_measured_lossless_formats_are_read_exactly_or_skipped_without_ffmpeg() {
    for (extension, codec) in
        [("flac", "flac"), ("m4a", "alac"), ("caf", "alac"), ("wav", "pcm_s24le"), ("aiff", "pcm_s24be")]
    {
        for channels in [1, 2] {
            let Some(path) = encoded(extension, codec, 48_000, channels) else { return };
            let take = read(&path).unwrap();
            // The encoders get 24-bit samples; some of them write 16 bits.
            let want = ffmpeg_decode(&path, channels).1;
            assert_eq!(take.channels[0].len(), 96_000);
            same(&take.channels, &want, &format!("{extension} {codec} {channels}"));
        }
    }
}

#[test]
fn the_lossy_formats_sound_like_the_reference_or_are_skipped_without_ffmpeg() {
    for (extension, codec) in [("mp3", "libmp3lame"), ("ogg", "libvorbis"), ("m4a", "aac"), ("aac", "aac")] {
        for rate in [44_100, 48_000] {
            let Some(path) = encoded(extension, codec, rate, 2) else { return };
            let take = read(&path).unwrap();
            assert_eq!((take.sample_rate, take.channels.len()), (rate, 2), "{extension}");
            assert!(take.lossy.is_some(), "{extension} is not known to be lossy");
            let (_, want) = ffmpeg_decode(&path, 2);
            let shift = take.frames().abs_diff(want[0].len());
            assert!(
                shift <= 4096,
                "{extension}: {} frames, the reference gives {}",
                take.frames(),
                want[0].len()
            );
            let (lag, error_db) = best_match(&take.channels[0], &want[0]);
            eprintln!(
                "{extension} at {rate}: {} frames, reference {}, lag {lag}, difference {error_db:.0} dB",
                take.frames(),
                want[0].len()
            );
            // Both follow one standard; they differ by rounding only.
            assert!(error_db < -80.0, "{extension}: differs from the reference by {error_db:.1} dB");
            assert_eq!(lag, 0, "{extension}: the encoder's delay is cut as the reference cuts it");
        }
    }
}

/// Lag in frames (of `ours` behind `theirs`) with the smallest difference, and that difference in dB.
fn best_match(ours: &[f32], theirs: &[f32]) -> (i64, f64) {
    let mut best = (0, f64::INFINITY);
    for lag in -2200_i64..=2200 {
        let error = |n: usize| {
            (0..n)
                .filter_map(|i| {
                    let o = *ours.get(usize::try_from(i as i64 + 3000 + lag).ok()?)?;
                    let d = f64::from(o) - f64::from(*theirs.get(i + 3000)?);
                    Some(d * d)
                })
                .sum::<f64>()
        };
        if error(500) < best.1 || best.1.is_infinite() {
            let e = error(4000);
            if e < best.1 {
                best = (lag, e);
            }
        }
    }
    let power: f64 = theirs[3000..7000].iter().map(|&s| f64::from(s) * f64::from(s)).sum();
    (best.0, power_to_db((best.1 / power).max(1e-20)))
}
