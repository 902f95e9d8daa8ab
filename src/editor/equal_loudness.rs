//! Two sounds brought to the same loudness, so that comparing them by ear compares nothing but the sound.

use kitwright_core::{
    listen::describe,
    take::{Take, sample_range},
    units::db_to_gain,
};

/// Softer sounds have no loudness to speak of, LUFS; common practice, no source.
const SILENCE_LUFS: f32 = -90.0;

/// Highest peak of either sound, dB of full scale: that of the output ceiling.
const MAX_PEAK_DB: f32 = -1.0;

/// Both sounds at the loudness of the second (momentary maximum, ITU-R BS.1770-4), which is how loud the pad plays in
/// its kit; softer where one of them would peak above -1 dB of full scale. A silent one stays as it is.
pub fn equally_loud(sounds: [Take; 2]) -> [Take; 2] {
    let measured = sounds.each_ref().map(|sound| {
        let d = describe(sound, 0, sound.frames());
        (d.loudness_lufs, peak_db(sound))
    });
    if measured.iter().any(|(lufs, _)| *lufs <= SILENCE_LUFS) {
        return sounds;
    }
    let highest = |(lufs, peak_db): &(f32, f32)| lufs - peak_db + MAX_PEAK_DB;
    let wanted = measured.iter().map(highest).fold(measured[1].0, f32::min);
    let mut louder = sounds;
    for (sound, (lufs, _)) in louder.iter_mut().zip(measured) {
        let gain = db_to_gain(wanted - lufs);
        sound.channels.iter_mut().flatten().for_each(|s| *s *= gain);
    }
    louder
}

/// Sample peak of the whole sound, dB of full scale; a description reads only its beginning.
fn peak_db(sound: &Take) -> f32 {
    let [lowest, highest] = sample_range(&sound.channels, 0, sound.frames());
    kitwright_core::units::gain_to_db(highest.max(-lowest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebur128::{EbuR128, Mode};

    /// Momentary maximum by the library, in steps of 1 ms.
    fn loudness(sound: &Take) -> f64 {
        let channels = sound.channels.len() as u32;
        let mut meter = EbuR128::new(channels, sound.sample_rate, Mode::M).expect("a meter");
        let silence = vec![0.0; sound.sample_rate as usize];
        let padded: Vec<Vec<f32>> =
            sound.channels.iter().map(|c| [&silence[..], c, &silence].concat()).collect();
        let step = sound.sample_rate as usize / 1000;
        let mut loudest = f64::MIN;
        for from in (0..padded[0].len() - step).step_by(step) {
            let part: Vec<&[f32]> = padded.iter().map(|c| &c[from..from + step]).collect();
            meter.add_frames_planar_f32(&part).expect("taken");
            loudest = loudest.max(meter.loudness_momentary().expect("measured"));
        }
        loudest
    }

    fn tone(hz: f32, gain: f32, decay: f32, channels: usize) -> Take {
        let sample = |i: usize| {
            let t = i as f32 / 48_000.0;
            gain * (std::f32::consts::TAU * hz * t).sin() * (-decay * t).exp()
        };
        Take::from_samples("tone", 48_000, vec![(0..24_000).map(sample).collect(); channels])
    }

    #[test]
    fn a_dull_long_sound_and_a_short_bright_one_become_equally_loud_and_no_louder_than_the_second() {
        for (a, b) in [
            (tone(60.0, 0.9, 3.0, 1), tone(6000.0, 0.02, 80.0, 2)),
            (tone(400.0, 0.001, 10.0, 2), tone(400.0, 0.5, 10.0, 1)),
            (tone(400.0, 0.5, 200.0, 1), tone(400.0, 0.8, 2.0, 1)),
        ] {
            let second = loudness(&b);
            let before = (loudness(&a) - second).abs();
            let [a, b] = equally_loud([a, b]);
            let after = (loudness(&a) - loudness(&b)).abs();
            assert!(before > 3.0 && after < 0.3, "{before} LU before, {after} LU after");
            let peak = peak_db(&a).max(peak_db(&b));
            assert!(peak <= MAX_PEAK_DB + 0.01, "{peak} dB");
            let softer = second - loudness(&b);
            assert!(softer >= -0.1, "{softer} LU softer than it was");
            assert!(softer < 0.1 || peak > MAX_PEAK_DB - 0.01, "{softer} LU softer without need");
        }
    }

    #[test]
    fn silence_is_left_as_it_is() {
        let silent = Take::from_samples("silent", 48_000, vec![vec![0.0; 4800]]);
        let sound = tone(400.0, 0.1, 10.0, 1);
        let before = sound.channels.clone();
        let [a, b] = equally_loud([silent, sound]);
        assert!(a.channels[0].iter().all(|s| *s == 0.0));
        assert_eq!(b.channels, before);
    }
}
