//! The quality of a recording: what stands in the way of a good kit, said before anybody blames the kit.

use super::hum::{SteadySpectrum, holds_digital_silence};
use crate::{
    spectrum::{RealFft, hann},
    take::{LossyCodec, Take},
    units::{gain_to_db, power_to_db},
};

/// Samples in a row of the same height that count as a flat top.
const FLAT_SAMPLES: usize = 4;
/// Samples that differ by less than this part of the highest are of the same height: a step of 16 bits.
const SAME_HEIGHT: f32 = 1.0 / 32_768.0;
/// What a clipped wave cuts off is steep: two samples before and behind its flat top it is lower by this many steps at
/// least. Round tops of low tones in 16 bits fall by six at most (a parabola that is flat for four samples).
const STEEP_STEPS: f32 = 8.0;
/// Flat tops reach at least this part of the highest sample.
const TOP: f32 = 0.98;
/// Flat tops from which a recording counts as clipped: a few may be the tops of a low tone.
const MIN_FLAT_TOPS: usize = 3;
/// A recording whose highest sample lies below this is very quiet, dB of full scale; common practice, no source.
const QUIET_DB: f32 = -40.0;
/// A recording whose highest sample lies below this is silent, dB of full scale: less than a step of 16 bits.
const SILENT_DB: f32 = -96.0;
/// What is said of a silent recording.
pub const SILENT: &str = "silent; choose the input and turn it up, then record again";
/// A noise floor less than this below the highest sample is heard in a kit, dB; our choice.
const NOISY_DB: f32 = 42.0;
/// What is left at the quietest is noise if all bands are at their quietest together, within this, dB. Assembled takes:
/// 2.7 dB at most; an arpeggio that rings on: 10 dB (`tests/SCORES.md`).
const TOGETHER_DB: f32 = 4.0;
/// Of this many windows one is that quiet: short pauses are enough.
const QUIETEST_SHARE: usize = 50;
/// Fewest windows with sound that show a floor.
const FLOOR_WINDOWS: usize = 5;
/// Bands of a floor: a third of an octave each, but this many bins at least, so that noise varies little in them.
const FLOOR_BAND_BINS: usize = 8;
/// Lowest bin of a floor: a constant offset reaches the one below (Hann window: Harris 1978).
const FIRST_BIN: usize = 2;
/// A low pass this steep, dB within [`STEEP_HZ`], is that of a codec or of a lower sample rate, between these
/// frequencies, Hz.
const STEEP_DB: f32 = 22.0;
const STEEP_HZ: f64 = 700.0;
const CUT_RANGE_HZ: [f64; 2] = [9000.0, 20_500.0];
/// A cut above this takes nothing from a hat, Hz (our choice): converters of 44.1 kHz cut there as well.
const HIGHEST_CUT_HZ: f64 = 19_000.0;
/// Window of the mean spectrum.
const SPECTRUM: usize = 4096;

/// What was measured of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quality {
    /// Highest sample, dB of full scale; very low for silence.
    pub peak_db: f32,
    /// Flat tops at the highest level.
    pub flat_tops: usize,
    /// Level of the noise between hits, dB of full scale (root mean square), without the lines of a hum; `None` where hits
    /// ring on into each other or all else is digital silence.
    pub floor_db: Option<f32>,
    /// Fundamental of a mains hum, Hz.
    pub hum_hz: Option<f64>,
    /// Where a steep low pass has cut the highs off, Hz.
    pub cut_hz: Option<f64>,
    /// The lossy codec of its file.
    pub lossy: Option<LossyCodec>,
}

impl Quality {
    /// Measures a recording.
    pub fn of(take: &Take) -> Self {
        Self::unless(take, &|| false).expect("nothing stops it")
    }

    /// Measures a recording; `None` once `stopped` says so, which is asked from measure to measure.
    // not generic, so that it is compiled here and optimised
    pub fn unless(take: &Take, stopped: &dyn Fn() -> bool) -> Option<Self> {
        let go_on = || (!stopped()).then_some(());
        let peak = take.channels.iter().flatten().fold(0.0f32, |a, x| a.max(x.abs()));
        go_on()?;
        let flat_tops = take.channels.iter().map(|c| flat_tops(c, peak)).sum();
        go_on()?;
        let hum_hz = SteadySpectrum::hum_in(take, 0..take.frames());
        go_on()?;
        // a note that always sounds is no noise
        let note =
            hum_hz.is_none() && SteadySpectrum::of(take, 0..take.frames()).is_some_and(|s| s.has_tone());
        go_on()?;
        let spectra = Spectra::of(take);
        let peak_db = gain_to_db(peak.max(1e-9));
        let floor_db = spectra.floor_db().filter(|_| !note).map(|floor_db| match hum_hz {
            // a hum is said by itself
            Some(mains_hz) => {
                let noise = SteadySpectrum::noise_beside_hum(take, mains_hz);
                noise.map_or(floor_db, |power| floor_db.min(power_to_db(power.max(1e-18))))
            }
            None => floor_db,
        });
        let cut_hz = spectra.cut_hz();
        Some(Self { peak_db, flat_tops, floor_db, hum_hz, cut_hz, lossy: take.lossy })
    }

    /// Whether there is nothing to hear in it.
    pub fn is_silent(&self) -> bool {
        self.peak_db < SILENT_DB
    }

    /// One sentence for each thing that is amiss, with what to do; none for a good recording.
    pub fn sentences(&self) -> Vec<String> {
        if self.is_silent() {
            return vec![SILENT.to_owned()];
        }
        let mut said = Vec::new();
        if self.peak_db < QUIET_DB {
            said.push(format!("very quiet, {:.0} dB at its loudest: record it louder", self.peak_db));
        }
        if self.flat_tops >= MIN_FLAT_TOPS {
            let tops = self.flat_tops;
            said.push(format!("clipped in {tops} places: record it softer, its hits have lost their peaks"));
        }
        if let Some(below) = self.floor_db.map(|floor_db| self.peak_db - floor_db).filter(|b| *b < NOISY_DB) {
            said.push(format!(
                "noise only {below:.0} dB below its loudest sound: record closer, or in a quieter room"
            ));
        }
        if let Some(hz) = self.hum_hz {
            said.push(format!("hum of the mains at {hz:.0} Hz: move the cable or use another socket"));
        }
        let above = self.cut_hz.map(|hz| format!("nothing above {:.0} kHz", hz / 1000.0));
        let highs = match (self.lossy.map(LossyCodec::name), above) {
            (Some(codec), Some(above)) => Some(format!("lossy file ({codec}), {above}")),
            (Some(codec), None) => Some(format!("lossy file ({codec})")),
            (None, Some(above)) => Some(format!("{above}, as in lossy files")),
            (None, None) => None,
        };
        said.extend(highs.map(|highs| format!("{highs}: give the original, for brighter and cleaner hats")));
        said
    }
}

/// Runs of samples of the same height near the highest one that a steep wave runs into and out of.
fn flat_tops(channel: &[f32], peak: f32) -> usize {
    let step = SAME_HEIGHT.max(SAME_HEIGHT * peak);
    let falls = |top: f32, at: Option<usize>| {
        let beside = at.and_then(|i| channel.get(i));
        beside.is_none_or(|x| top.abs() - x * top.signum() >= STEEP_STEPS * step)
    };
    let (mut tops, mut from) = (0, 0);
    for to in 1..=channel.len() {
        let top = channel[from];
        let flat = |x: &f32| top.abs() >= TOP * peak && (x - channel[to - 1]).abs() < SAME_HEIGHT * peak;
        if channel.get(to).is_some_and(flat) {
            continue;
        }
        let long = to - from >= FLAT_SAMPLES && peak > 0.0;
        tops += usize::from(long && falls(top, from.checked_sub(2)) && falls(top, Some(to + 1)));
        from = to;
    }
    tops
}

/// The spectra of a take, window by window, all channels together.
struct Spectra {
    rate: f64,
    /// Power of each bin, all windows together.
    power: Vec<f64>,
    /// Power of each band of each window with sound in it.
    rows: Vec<Vec<f32>>,
}

impl Spectra {
    fn of(take: &Take) -> Self {
        let mut fft = RealFft::remembered(SPECTRUM);
        let mut power = vec![0.0f64; SPECTRUM / 2 + 1];
        let shape: Vec<f32> = (0..SPECTRUM).map(|i| hann(i, SPECTRUM)).collect();
        // the power of a window's samples, by Parseval's theorem
        let norm = 2.0 / (SPECTRUM as f32 * shape.iter().map(|x| x * x).sum::<f32>());
        let edges: Vec<usize> =
            std::iter::successors(Some(FIRST_BIN), |&e| Some((e * 5 / 4).max(e + FLOOR_BAND_BINS)))
                .take_while(|e| *e < power.len())
                .collect();
        let mut rows = Vec::new();
        for at in (0..(take.frames() + 1).saturating_sub(SPECTRUM)).step_by(SPECTRUM) {
            let mut row = vec![0.0f32; edges.len().saturating_sub(1)];
            for channel in &take.channels {
                for ((to, from), hann) in fft.input.iter_mut().zip(&channel[at..at + SPECTRUM]).zip(&shape) {
                    *to = from * hann;
                }
                let bins: Vec<f32> = fft.power().collect();
                power.iter_mut().zip(&bins).for_each(|(sum, bin)| *sum += f64::from(*bin));
                for (sum, band) in row.iter_mut().zip(edges.windows(2)) {
                    *sum += norm * bins[band[0]..band[1]].iter().sum::<f32>() / take.channels.len() as f32;
                }
            }
            if !holds_digital_silence(take, at..at + SPECTRUM) {
                rows.push(row);
            }
        }
        Self { rate: f64::from(take.sample_rate), power, rows }
    }

    /// What the quietest fiftieth of the windows stays below, if all bands are quietest together: notes that ring on into
    /// each other leave one band after the other.
    fn floor_db(&self) -> Option<f32> {
        if self.rows.len() < FLOOR_WINDOWS {
            return None;
        }
        let quietest = |mut powers: Vec<f32>| {
            let at = powers.len() / QUIETEST_SHARE;
            *powers.select_nth_unstable_by(at, f32::total_cmp).1
        };
        let all = quietest(self.rows.iter().map(|row| row.iter().sum()).collect());
        let bands = self.rows[0].len();
        let each: f32 = (0..bands).map(|b| quietest(self.rows.iter().map(|row| row[b]).collect())).sum();
        let [all, each] = [all, each].map(|power| power_to_db(power.max(1e-18)));
        (all - each < TOGETHER_DB).then_some(all)
    }

    /// Where the mean spectrum falls off a cliff.
    fn cut_hz(&self) -> Option<f64> {
        let bin_hz = self.rate / SPECTRUM as f64;
        let bins = |hz: f64| (hz / bin_hz) as usize;
        let level = |from: f64, to: f64| {
            let part = self.power.get(bins(from)..bins(to)).filter(|p| !p.is_empty())?;
            Some(power_to_db((part.iter().sum::<f64>() / part.len() as f64).max(1e-30) as f32))
        };
        let end = CUT_RANGE_HZ[1].min(0.5 * self.rate - 2.0 * STEEP_HZ);
        let steps = ((end - CUT_RANGE_HZ[0]) / 100.0).max(0.0) as usize;
        let fall = |hz: f64| Some(level(hz - STEEP_HZ, hz)? - level(hz + STEEP_HZ, hz + 2.0 * STEEP_HZ)?);
        let cuts = (0..steps).map(|i| CUT_RANGE_HZ[0] + 100.0 * i as f64);
        let steepest = cuts.filter_map(|hz| Some((hz, fall(hz)?))).max_by(|a, b| a.1.total_cmp(&b.1))?;
        let cut_hz = steepest.0 - 0.5 * STEEP_HZ;
        (steepest.1 >= STEEP_DB && cut_hz < HIGHEST_CUT_HZ).then_some(cut_hz)
    }
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
