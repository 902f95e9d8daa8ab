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

/// A recording of 16 bits has a third less in it than the grid of 24 bits has room for.
#[test]
fn flac_uses_no_more_bits_than_a_recording_has() {
    let noise = |bits: u32| {
        let mut seed = 1_u32;
        let step = 1.0 / (1 << (bits - 1)) as f32;
        let samples = (0..40_000).map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            ((seed as i32 >> (32 - bits)) as f32) * step
        });
        samples.collect::<Vec<f32>>()
    };
    for (bits, stored) in [(5, 8), (8, 8), (9, 16), (16, 16), (17, 24), (24, 24)] {
        for channels in [1, 2] {
            let samples = vec![noise(bits); channels];
            let take = Take::from_samples("take.wav", 44_100, samples.clone());
            let flac = take.flac().unwrap();
            // RFC 9639, section 8.2: five bits, one less than the depth
            let depth = ((flac[20] & 1) << 4 | flac[21] >> 4) + 1;
            assert_eq!(u32::from(depth), stored, "{bits} bits");
            let most = 40_000 * channels * stored as usize / 8 + 1_000;
            assert!(flac.len() < most, "{} bytes of {most} for {bits} bits", flac.len());
            let back = Take::from_flac("take.wav", 44_100, flac, 40_000, &Quiet).unwrap();
            same(&back.channels, &samples, &format!("{bits} bits, {channels} channels"));
        }
    }
}
