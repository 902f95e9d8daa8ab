//! WAV and AIFF come out sample for sample.

use super::support::{folder, read, refusal, steps, write_float_wav, write_wav};

#[test]
fn integer_wave_files_come_out_sample_for_sample() {
    let dir = folder();
    for bits in [8_u16, 16, 24, 32] {
        for channels in [1, 2] {
            let path = dir.path().join(format!("{bits}-{channels}.wav"));
            let left = steps(u32::from(bits));
            let mut right = left.clone();
            right.reverse();
            let both = [left, right];
            write_wav(&path, 44_100, bits, &both[..channels]);
            let take = read(&path).unwrap();
            assert_eq!((take.sample_rate, take.channels.len()), (44_100, channels));
            assert!(take.notices.is_empty());
            for (got, want) in take.channels.iter().zip(&both) {
                assert_eq!(got.len(), want.len());
                for (g, w) in got.iter().zip(want) {
                    let exact = f64::from(*w) / 2.0_f64.powi(i32::from(bits) - 1);
                    // 32-bit files lie between the steps of the 24-bit grid: half a step, and the clip
                    // of the topmost half step
                    let tolerance = if bits == 32 { 2.0_f64.powi(-23) } else { 0.0 };
                    assert!((f64::from(*g) - exact).abs() <= tolerance, "{bits} bits: {w} became {g}");
                }
            }
        }
    }
}

#[test]
fn every_sample_rate_is_kept() {
    let dir = folder();
    for rate in [8_000, 11_025, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000, 352_800, 384_000] {
        let path = dir.path().join("rate.wav");
        write_wav(&path, rate, 16, &[vec![100; 1000]]);
        let take = read(&path).unwrap();
        assert_eq!((take.sample_rate, take.frames()), (rate, 1000));
    }
    for rate in [1, 7_999, 384_001, 2_000_000] {
        let path = dir.path().join("odd-rate.wav");
        write_wav(&path, rate, 16, &[vec![100; 1000]]);
        assert!(refusal(&path).contains(&format!("{rate} Hz")));
    }
}

#[test]
fn floats_are_kept_mended_or_scaled_with_a_notice() {
    let dir = folder();
    let path = dir.path().join("float.wav");
    write_float_wav(&path, 48_000, &[vec![0.5, -0.25, 1.0 / 3.0, -1.0]]);
    let take = read(&path).unwrap();
    let third = (8_388_608.0_f32 / 3.0).round_ties_even() / 8_388_608.0;
    assert_eq!(take.channels[0], [0.5, -0.25, third, -1.0]);
    assert!(take.notices.is_empty());

    write_float_wav(&path, 48_000, &[vec![0.5, f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30]]);
    let take = read(&path).unwrap();
    assert_eq!(take.channels[0], [0.5, 0.0, 0.0, 0.0, 0.0]);
    assert!(take.notices.len() == 1 && take.notices[0].contains("4 samples"), "{:?}", take.notices);

    write_float_wav(&path, 48_000, &[vec![0.5, -3.0, 2.0]]);
    let take = read(&path).unwrap();
    assert_eq!(take.channels[0], [0.125, -0.75, 0.5]);
    assert!(take.notices.len() == 1 && take.notices[0].contains("12 dB"), "{:?}", take.notices);

    // Floats that hold unscaled 16-bit integers, as some tools write them.
    write_float_wav(&path, 48_000, &[vec![16_384.0, -32_767.0]]);
    assert_eq!(read(&path).unwrap().channels[0], [0.5, -32_767.0 / 32_768.0]);
}

/// An input that nothing was plugged into holds its own noise at most: the other one would sound from one side.
#[test]
fn a_channel_that_was_not_used_is_left_out_with_a_notice() {
    let dir = folder();
    let path = dir.path().join("input 1.wav");
    let sound = vec![0.0, 0.5, -0.25, 0.125];
    for (height, channels) in [(0.0, 1), (0.001, 1), (0.003, 2), (0.5, 2)] {
        let other = vec![0.0, height, -height, 0.0];
        for (silent, both) in [("right", [sound.clone(), other.clone()]), ("left", [other, sound.clone()])] {
            write_float_wav(&path, 48_000, &both);
            let take = read(&path).unwrap();
            assert_eq!(take.channels.len(), channels, "{silent}, {height}");
            if channels == 1 {
                let said =
                    format!("input 1.wav: its {silent} channel is silent, so the other one is used alone");
                assert_eq!((&take.channels[0], take.notices), (&sound, vec![said]));
            }
        }
    }
    write_float_wav(&path, 48_000, &[vec![0.0; 4], vec![0.0; 4]]);
    assert_eq!(read(&path).unwrap().channels.len(), 2, "silence is said elsewhere");
}

/// A wave file by hand: format chunk of `format` (after the fixed part), samples as bytes.
pub fn wave(tag: u16, channels: u16, rate: u32, bits: u16, extra: &[u8], data: &[u8]) -> Vec<u8> {
    let align = channels * bits / 8;
    let mut fmt = Vec::new();
    fmt.extend(tag.to_le_bytes());
    fmt.extend(channels.to_le_bytes());
    fmt.extend(rate.to_le_bytes());
    fmt.extend((rate * u32::from(align)).to_le_bytes());
    fmt.extend(align.to_le_bytes());
    fmt.extend(bits.to_le_bytes());
    fmt.extend(extra);
    let mut out = b"RIFF".to_vec();
    out.extend((4 + 8 + fmt.len() as u32 + 8 + data.len() as u32).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend((fmt.len() as u32).to_le_bytes());
    out.extend(fmt);
    out.extend(b"data");
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(data);
    out
}

#[test]
fn doubles_are_read() {
    let dir = folder();
    let path = dir.path().join("double.wav");
    let data: Vec<u8> = [0.5_f64, -0.125, 1.0 / 3.0].iter().flat_map(|v| v.to_le_bytes()).collect();
    std::fs::write(&path, wave(3, 1, 48_000, 64, &[], &data)).unwrap();
    let third = (8_388_608.0_f32 / 3.0).round_ties_even() / 8_388_608.0;
    assert_eq!(read(&path).unwrap().channels[0], [0.5, -0.125, third]);
}

#[test]
fn extensible_wave_files_with_24_bits_in_32_are_read() {
    let dir = folder();
    let path = dir.path().join("extensible.wav");
    let mut extra = vec![22, 0]; // size of the rest
    extra.extend(24_u16.to_le_bytes()); // valid bits
    extra.extend(4_u32.to_le_bytes()); // mask: front centre
    extra.extend([1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]); // PCM
    // valid bits stand at the top of the container (Microsoft, WAVEFORMATEXTENSIBLE)
    let samples = [1 << 22, -(1 << 21), 12_345, -8_388_608];
    let data: Vec<u8> = samples.iter().flat_map(|v: &i32| (v << 8).to_le_bytes()).collect();
    std::fs::write(&path, wave(0xfffe, 1, 48_000, 32, &extra, &data)).unwrap();
    let want: Vec<f32> = samples.iter().map(|&v| v as f32 / 8_388_608.0).collect();
    assert_eq!(read(&path).unwrap().channels[0], want);
}

/// RF64 after EBU Tech 3306: sizes of 0xffffffff, the true ones in `ds64`.
pub fn rf64(channels: u16, samples: &[i16]) -> Vec<u8> {
    let plain =
        wave(1, channels, 48_000, 16, &[], &samples.iter().flat_map(|v| v.to_le_bytes()).collect::<Vec<_>>());
    let data_bytes = samples.len() as u64 * 2;
    let mut out = b"RF64".to_vec();
    out.extend([0xff; 4]);
    out.extend(b"WAVEds64");
    out.extend(28_u32.to_le_bytes());
    out.extend((plain.len() as u64 + 28).to_le_bytes());
    out.extend(data_bytes.to_le_bytes());
    out.extend((samples.len() as u64 / u64::from(channels)).to_le_bytes());
    out.extend(0_u32.to_le_bytes());
    out.extend(&plain[12..36]); // the format chunk
    out.extend(b"data");
    out.extend([0xff; 4]);
    out.extend(&plain[44..]);
    out
}

#[test]
fn rf64_files_are_read_and_cut_ends_reported() {
    let dir = folder();
    let path = dir.path().join("field.wav");
    let samples: Vec<i16> = (0..4000).map(|i| (i * 7 % 5000) as i16).collect();
    let mut bytes = rf64(2, &samples);
    // A chunk after the samples is not audio.
    bytes.extend(b"junk\x04\0\0\0\x7f\x7f\x7f\x7f");
    std::fs::write(&path, &bytes).unwrap();
    let take = read(&path).unwrap();
    assert_eq!((take.channels.len(), take.frames()), (2, 2000));
    let left: Vec<f32> = samples.iter().step_by(2).map(|&v| f32::from(v) / 32_768.0).collect();
    assert_eq!(take.channels[0], left);

    std::fs::write(&path, &bytes[..bytes.len() - 1000]).unwrap();
    assert!(refusal(&path).contains("cut short"));
}

/// AIFF (or AIFC with `compression`) after Apple's description: COMM with an 80-bit rate, SSND.
pub fn aiff(
    compression: Option<&[u8; 4]>,
    rate: u32,
    bits: u16,
    channels: u16,
    frames: u32,
    data: &[u8],
) -> Vec<u8> {
    let mut comm = channels.to_be_bytes().to_vec();
    comm.extend(frames.to_be_bytes());
    comm.extend(bits.to_be_bytes());
    let shift = rate.leading_zeros();
    comm.extend((16_383 + 31 - shift as u16).to_be_bytes());
    comm.extend((u64::from(rate) << (32 + shift)).to_be_bytes());
    if let Some(kind) = compression {
        comm.extend(kind);
        comm.extend([0, 0]); // an empty name, padded
    }
    let mut out = b"FORM".to_vec();
    out.extend((4 + 8 + comm.len() as u32 + 16 + data.len() as u32).to_be_bytes());
    out.extend(if compression.is_some() { b"AIFC" } else { b"AIFF" });
    out.extend(b"COMM");
    out.extend((comm.len() as u32).to_be_bytes());
    out.extend(comm);
    out.extend(b"SSND");
    out.extend((8 + data.len() as u32).to_be_bytes());
    out.extend([0; 8]);
    out.extend(data);
    out
}

#[test]
fn aiff_and_aifc_files_come_out_sample_for_sample() {
    let dir = folder();
    let path = dir.path().join("old.aiff");
    for bits in [8_u16, 16, 24, 32] {
        let values = steps(u32::from(bits));
        let bytes = usize::from(bits / 8);
        let data: Vec<u8> = values.iter().flat_map(|v| v.to_be_bytes()[4 - bytes..].to_vec()).collect();
        std::fs::write(&path, aiff(None, 96_000, bits, 1, values.len() as u32, &data)).unwrap();
        let take = read(&path).unwrap();
        assert_eq!((take.sample_rate, take.frames()), (96_000, values.len()));
        for (g, w) in take.channels[0].iter().zip(&values) {
            let exact = f64::from(*w) / 2.0_f64.powi(i32::from(bits) - 1);
            let tolerance = if bits == 32 { 2.0_f64.powi(-23) } else { 0.0 };
            assert!((f64::from(*g) - exact).abs() <= tolerance, "{bits} bits: {w} became {g}");
        }
    }
    let little: Vec<u8> = [1000_i16, -2000, 3000].iter().flat_map(|v| v.to_le_bytes()).collect();
    std::fs::write(&path, aiff(Some(b"sowt"), 44_100, 16, 1, 3, &little)).unwrap();
    assert_eq!(read(&path).unwrap().channels[0], [1000.0 / 32_768.0, -2000.0 / 32_768.0, 3000.0 / 32_768.0]);
    let floats: Vec<u8> = [0.5_f32, -0.75].iter().flat_map(|v| v.to_be_bytes()).collect();
    std::fs::write(&path, aiff(Some(b"fl32"), 44_100, 32, 1, 2, &floats)).unwrap();
    assert_eq!(read(&path).unwrap().channels[0], [0.5, -0.75]);
}

#[test]
fn more_than_two_channels_are_mixed_down_with_a_notice() {
    let dir = folder();
    let path = dir.path().join("surround.wav");
    // 5.1 in WAVE order: left, right, centre, low, surround left, surround right
    const DOWN: f32 = std::f32::consts::FRAC_1_SQRT_2; // 3 dB lower
    let unit = 8192_i16;
    for (lone, want) in
        [(0, [1.0, 0.0]), (1, [0.0, 1.0]), (2, [DOWN, DOWN]), (4, [DOWN, 0.0]), (5, [0.0, DOWN])]
    {
        let frame: Vec<u8> =
            (0..6).flat_map(|c| if c == lone { unit.to_le_bytes() } else { [0, 0] }).collect();
        let mut extra = vec![22, 0, 16, 0];
        extra.extend(0x3f_u32.to_le_bytes());
        extra.extend([1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        std::fs::write(&path, wave(0xfffe, 6, 48_000, 16, &extra, &frame.repeat(10))).unwrap();
        let take = read(&path).unwrap();
        // a side that stays silent is left out
        let want: Vec<f32> = want.into_iter().filter(|gain| *gain > 0.0).collect();
        assert_eq!(take.channels.len(), want.len());
        assert!(take.notices[0].contains("6 channels were mixed down to stereo"), "{:?}", take.notices);
        // all gains are divided by their sum: front, centre, low and surround
        for (channel, want) in take.channels.iter().zip(want) {
            assert!(
                (channel[5] - 0.25 * want / (1.0 + 3.0 * DOWN)).abs() < 1e-4,
                "channel {lone}: {} {want}",
                channel[5]
            );
        }
    }
}
