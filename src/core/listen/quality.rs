//! The quality of a recording: what stands in the way of a good kit, said before anybody blames the kit.

use super::envelope::TakeEnvelope;
use crate::{
    spectrum::{RealFft, hann},
    take::Take,
    units::{gain_to_db, power_to_db},
};

/// Samples in a row of the same height that count as a flat top.
const FLAT_SAMPLES: usize = 4;
/// Samples that differ by less than this part of the highest are of the same height: a step of 16 bits.
const SAME_HEIGHT: f32 = 1.0 / 32_768.0;
/// Flat tops reach at least this part of the highest sample.
const TOP: f32 = 0.98;
/// Flat tops from which a recording counts as clipped: a few may be the tops of a low tone.
const MIN_FLAT_TOPS: usize = 3;
/// A recording whose highest sample lies below this is very quiet, dB of full scale; common practice, no source.
const QUIET_DB: f32 = -40.0;
/// A noise floor less than this below the highest sample is heard in a kit, dB; our choice.
const NOISY_DB: f32 = 42.0;
/// Hum: frequencies of the mains in the world, Hz (IEC 60196).
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// Harmonics of the mains that are looked at, and how many of them have to stand out.
const HARMONICS: usize = 6;
const MIN_HARMONICS: usize = 3;
/// How far a harmonic stands out of the median of what surrounds it, dB, and how far that reaches to either side, Hz: not
/// as far as the next harmonic.
const HUM_DB: f32 = 12.0;
const SURROUNDING_HZ: f64 = 22.0;
/// Bins of the main lobe of a Hann window to either side of its middle (Harris 1978).
const LOBE_BINS: usize = 2;
/// Windows for hum, seconds, short enough to lie between hits; the quietest fifth of them is looked at.
const HUM_WINDOW_S: f64 = 0.3;
const QUIETEST: usize = 5;
/// A low pass this steep, dB within [`STEEP_HZ`], is that of a codec or of a lower sample rate, between these
/// frequencies, Hz.
const STEEP_DB: f32 = 22.0;
const STEEP_HZ: f64 = 700.0;
const CUT_RANGE_HZ: [f64; 2] = [9000.0, 20_500.0];
/// Window of the mean spectrum.
const SPECTRUM: usize = 4096;

/// What was measured of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quality {
    /// Highest sample, dB of full scale; very low for silence.
    pub peak_db: f32,
    /// Flat tops at the highest level.
    pub flat_tops: usize,
    /// Level below which the quietest tenth stays, dB of full scale (root mean square).
    pub floor_db: f32,
    /// Fundamental of a mains hum, Hz.
    pub hum_hz: Option<f64>,
    /// Where a steep low pass has cut the highs off, Hz.
    pub cut_hz: Option<f64>,
}

impl Quality {
    /// Measures a recording.
    pub fn of(take: &Take) -> Self {
        Self::unless(take, || false).expect("nothing stops it")
    }

    /// Measures a recording; `None` once `stopped` says so, which is asked from measure to measure.
    pub fn unless(take: &Take, stopped: impl Fn() -> bool) -> Option<Self> {
        let go_on = || (!stopped()).then_some(());
        let peak = take.channels.iter().flatten().fold(0.0f32, |a, x| a.max(x.abs()));
        go_on()?;
        let floor = TakeEnvelope::of(take).floor() / take.channels.len().max(1) as f32;
        go_on()?;
        let flat_tops = take.channels.iter().map(|c| flat_tops(c, peak)).sum();
        go_on()?;
        let hum_hz = hum_hz(take);
        go_on()?;
        let cut_hz = cut_hz(take);
        let (peak_db, floor_db) = (gain_to_db(peak.max(1e-9)), power_to_db(floor.max(1e-18)));
        Some(Self { peak_db, flat_tops, floor_db, hum_hz, cut_hz })
    }

    /// One sentence for each thing that is amiss, with what to do; none for a good recording.
    pub fn sentences(&self) -> Vec<String> {
        let mut said = Vec::new();
        if self.peak_db < QUIET_DB {
            said.push(format!("very quiet, {:.0} dB at its loudest: record it louder", self.peak_db));
        }
        if self.flat_tops >= MIN_FLAT_TOPS {
            let tops = self.flat_tops;
            said.push(format!("clipped in {tops} places: record it softer, its hits have lost their peaks"));
        }
        if self.peak_db - self.floor_db < NOISY_DB {
            let below = self.peak_db - self.floor_db;
            said.push(format!(
                "noise only {below:.0} dB below its loudest hit: record closer, or in a quieter room"
            ));
        }
        if let Some(hz) = self.hum_hz {
            said.push(format!("hum of the mains at {hz:.0} Hz: move the cable or use another socket"));
        }
        if let Some(hz) = self.cut_hz {
            let khz = hz / 1000.0;
            said.push(format!(
                "nothing above {khz:.0} kHz, as in lossy files: give the original, for brighter hats"
            ));
        }
        said
    }
}

/// Runs of samples of the same height near the highest one.
fn flat_tops(channel: &[f32], peak: f32) -> usize {
    let (mut runs, mut length) = (0, 0);
    for pair in channel.windows(2) {
        let flat = pair[0].abs() >= TOP * peak && (pair[0] - pair[1]).abs() < SAME_HEIGHT * peak;
        length = if flat { length + 1 } else { 0 };
        runs += usize::from(length == FLAT_SAMPLES - 1 && peak > 0.0);
    }
    runs
}

/// The mains frequency whose harmonics stand out of the quietest seconds of the take, all channels together.
fn hum_hz(take: &Take) -> Option<f64> {
    let rate = f64::from(take.sample_rate);
    let window = ((HUM_WINDOW_S * rate) as usize).next_power_of_two();
    let length = window.min(take.frames()).max(1);
    let energy = |at: usize| {
        let parts = take.channels.iter().map(|channel| &channel[at..at + length]);
        parts.flatten().map(|x| x * x).sum::<f32>()
    };
    let mut parts: Vec<(f32, usize)> =
        (0..take.frames() / length).map(|i| (energy(i * length), i * length)).collect();
    parts.sort_by(|a, b| a.0.total_cmp(&b.0));
    parts.truncate(parts.len().div_ceil(QUIETEST));
    let mut fft = RealFft::remembered(window);
    let mut power = vec![0.0f32; window / 2 + 1];
    let shape: Vec<f32> = (0..length).map(|i| hann(i, length)).collect();
    for channel in &take.channels {
        for &(_, at) in &parts {
            fft.input.fill(0.0);
            for ((to, from), hann) in fft.input.iter_mut().zip(&channel[at..at + length]).zip(&shape) {
                *to = from * hann;
            }
            power.iter_mut().zip(fft.power()).for_each(|(sum, bin)| *sum += bin);
        }
    }
    let bin_hz = rate / window as f64;
    let stands_out = |hz: f64| {
        let at = (hz / bin_hz).round() as usize;
        let around = ((SURROUNDING_HZ / bin_hz) as usize).max(LOBE_BINS);
        let Some(near) = power.get(at.saturating_sub(around)..=at + around) else { return false };
        let middle = near.len() / 2;
        let peak = near[middle - LOBE_BINS..=middle + LOBE_BINS].iter().copied().fold(0.0, f32::max);
        let mut sorted = near.to_vec();
        sorted.sort_by(f32::total_cmp);
        power_to_db(peak.max(1e-30)) - power_to_db(sorted[sorted.len() / 2].max(1e-30)) > HUM_DB
    };
    let count = |mains: f64| (1..=HARMONICS).filter(|k| stands_out(mains * *k as f64)).count();
    let best = MAINS_HZ.into_iter().max_by_key(|mains| count(*mains))?;
    (stands_out(best) && count(best) >= MIN_HARMONICS).then_some(best)
}

/// Where the mean spectrum of all channels falls off a cliff.
fn cut_hz(take: &Take) -> Option<f64> {
    let rate = f64::from(take.sample_rate);
    let mut fft = RealFft::remembered(SPECTRUM);
    let mut power = vec![0.0f64; SPECTRUM / 2 + 1];
    let shape: Vec<f32> = (0..SPECTRUM).map(|i| hann(i, SPECTRUM)).collect();
    for part in take.channels.iter().flat_map(|channel| channel.chunks_exact(SPECTRUM)) {
        for ((to, from), hann) in fft.input.iter_mut().zip(part).zip(&shape) {
            *to = from * hann;
        }
        power.iter_mut().zip(fft.power()).for_each(|(sum, bin)| *sum += f64::from(bin));
    }
    let bin_hz = rate / SPECTRUM as f64;
    let bins = |hz: f64| (hz / bin_hz) as usize;
    let level = |from: f64, to: f64| {
        let part = power.get(bins(from)..bins(to)).filter(|p| !p.is_empty())?;
        Some(power_to_db((part.iter().sum::<f64>() / part.len() as f64).max(1e-30) as f32))
    };
    let end = CUT_RANGE_HZ[1].min(0.5 * rate - 2.0 * STEEP_HZ);
    let steps = ((end - CUT_RANGE_HZ[0]) / 100.0).max(0.0) as usize;
    let fall = |hz: f64| Some(level(hz - STEEP_HZ, hz)? - level(hz + STEEP_HZ, hz + 2.0 * STEEP_HZ)?);
    let cuts = (0..steps).map(|i| CUT_RANGE_HZ[0] + 100.0 * i as f64);
    let steepest = cuts.filter_map(|hz| Some((hz, fall(hz)?))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (steepest.1 >= STEEP_DB).then_some(steepest.0 - 0.5 * STEEP_HZ)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f32::consts::TAU;

    const TEST_RATE: u32 = 48_000;

    /// Four seconds of faint noise with a decaying burst of noise in each.
    fn clean() -> Vec<f32> {
        let mut seed = 1u32;
        let mut noise = move || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 8_388_608.0 - 1.0
        };
        let burst = |i: u32| 0.5 * (-((i % TEST_RATE) as f32) / 3000.0).exp();
        (0..4 * TEST_RATE).map(|i| (1e-4 + burst(i)) * noise()).collect()
    }

    fn of(samples: Vec<f32>) -> Quality {
        Quality::of(&Take::from_samples("test", TEST_RATE, vec![samples]))
    }

    #[test]
    fn a_clean_recording_has_nothing_amiss() {
        assert_eq!(of(clean()).sentences(), Vec::<String>::new());
        assert!(of(Vec::new()).flat_tops == 0);
    }

    #[test]
    fn each_fault_is_named_alone() {
        let only = |samples: Vec<f32>, word: &str| {
            let said = of(samples).sentences();
            assert!(said.len() == 1 && said[0].contains(word), "{word}: {said:?}");
        };
        only(clean().iter().map(|x| (6.0 * x).clamp(-0.8, 0.8)).collect(), "clipped");
        only(clean().iter().map(|x| 0.005 * x).collect(), "very quiet");
        // the same noise from elsewhere in the recording, some 30 dB below the bursts
        let noise: Vec<f32> = clean().iter().map(|x| x / (1e-4 + x.abs()) * 0.02).collect();
        let noisy = clean().into_iter().zip(noise.into_iter().rev()).map(|(x, n)| x + n);
        only(noisy.collect(), "noise only");
        for mains in [50.0, 60.0] {
            only(with_hum(&clean(), mains), &format!("{mains:.0} Hz"));
        }
    }

    /// Samples with a hum of the mains, some 60 dB below the bursts.
    fn with_hum(samples: &[f32], mains_hz: f32) -> Vec<f32> {
        let hum = |i: usize| {
            let t = i as f32 / TEST_RATE as f32;
            (1..6).map(|k| 0.0006 / k as f32 * (TAU * mains_hz * k as f32 * t).sin()).sum::<f32>()
        };
        samples.iter().enumerate().map(|(i, x)| x + hum(i)).collect()
    }

    /// Samples behind a low pass at 16 kHz, as encoders of 128 kbit/s set it.
    fn low_passed(source: &[f32]) -> Vec<f32> {
        // a windowed sinc of 511 taps
        let cut = 16_000.0 / TEST_RATE as f32;
        let taps: Vec<f32> = (-255..=255)
            .map(|n: i32| {
                let x = n as f32;
                let sinc = if n == 0 { 2.0 * cut } else { (TAU * cut * x).sin() / (0.5 * TAU * x) };
                sinc * (0.5 + 0.5 * (0.5 * TAU * x / 256.0).cos())
            })
            .collect();
        let filtered = |i: usize| {
            let from = i.saturating_sub(510);
            source[from..=i].iter().rev().zip(&taps).map(|(x, t)| x * t).sum::<f32>()
        };
        (0..source.len()).map(filtered).collect()
    }

    #[test]
    fn hum_and_low_pass_are_found_whichever_channel_has_the_sound() {
        let faulty = with_hum(&low_passed(&clean()), 50.0);
        let silent = vec![0.0; faulty.len()];
        for channels in [vec![silent.clone(), faulty.clone()], vec![faulty.clone(), silent], vec![faulty]] {
            let quality = Quality::of(&Take::from_samples("test", TEST_RATE, channels));
            assert_eq!(quality.hum_hz, Some(50.0), "{quality:?}");
            assert!(quality.cut_hz.is_some_and(|hz| (hz - 16_000.0).abs() < 500.0), "{quality:?}");
        }
    }

    #[test]
    fn a_steep_low_pass_is_found_and_a_slow_fall_is_not() {
        let source = clean();
        let cut_hz = of(low_passed(&source)).cut_hz.expect("a cut");
        assert!((cut_hz - 16_000.0).abs() < 500.0, "{cut_hz}");
        let mut last = 0.0;
        let slow = source.iter().map(|x| {
            last += 0.3 * (x - last);
            last
        });
        assert_eq!(of(slow.collect()).cut_hz, None);
    }
}
