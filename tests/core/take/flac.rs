//! FLAC inside kit files keeps every bit.

use super::support::{same, sound};
use kitwright_core::{progress::Quiet, take::Take};

#[test]
fn flac_keeps_every_bit_at_every_rate() {
    for rate in [8_000, 11_025, 44_100, 48_000, 88_200, 96_000, 100_001, 176_400, 192_000, 352_800, 384_000] {
        for channels in [1, 2] {
            let mut samples = sound(rate, 0.11, channels);
            samples[0][7] = -1.0;
            samples[0][8] = 1.0;
            let take = Take::from_samples("take.wav", rate, samples);
            let bytes = take.flac().unwrap();
            let frames = take.frames() as u64;
            let back = Take::from_flac("take.wav", rate, bytes.clone(), frames, &Quiet).unwrap();
            assert_eq!(back.sample_rate, rate);
            same(&back.channels, &take.channels, &format!("{rate} Hz, {channels} channels"));
            assert_eq!(
                back.flac().unwrap().as_ptr(),
                bytes.as_ptr(),
                "the bytes are kept, not encoded again"
            );
            assert!(
                Take::from_flac("take.wav", rate, bytes, frames - 1, &Quiet).is_err(),
                "longer than it should be"
            );
        }
    }
}

#[test]
fn flac_of_any_length_and_content_is_kept() {
    for frames in [1, 2, 15, 16, 17, 31, 63, 64, 4095, 4096, 4097, 8192] {
        for kind in 0..4 {
            let samples = (0..frames)
                .map(|i| match kind {
                    0 => 0.0,
                    1 => {
                        if i % 2 == 0 {
                            1.0
                        } else {
                            -1.0
                        }
                    }
                    2 => (i * 2_654_435_761_usize % 16_777_216) as f32 / 8_388_608.0 - 1.0,
                    _ => (i as f32 * 0.05).sin(),
                })
                .collect::<Vec<f32>>();
            let take = Take::from_samples("take.wav", 48_000, vec![samples.clone(), samples]);
            let back =
                Take::from_flac("take.wav", 48_000, take.flac().unwrap(), frames as u64, &Quiet).unwrap();
            same(&back.channels, &take.channels, &format!("{frames} frames of kind {kind}"));
        }
    }
}
