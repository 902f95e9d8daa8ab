//! What sounds all the time in a take: the lines of a hum in it.
//!
//! Hits come and go; a hum stays. So each frequency is represented by what its power exceeds in nine tenths of the
//! windows (minimum statistics: Martin, "Noise power spectral density estimation based on optimal smoothing and minimum
//! statistics", 2001, uses minima likewise). Notes vanish, and noise, whose power in a bin is exponentially distributed, falls
//! by 10 dB, while a line keeps its level.

use crate::{
    spectrum::{RealFft, hann, parabolic_peak},
    take::Take,
    units::{db_to_power, power_to_db},
};
use std::ops::Range;

/// Least length of a window, seconds: 49 Hz (the note G1) and 50 Hz are two lines...
const LONG_S: f64 = 0.9;
/// ...and of one that lies between dense hits.
const SHORT_S: f64 = 0.25;
/// Most windows that are looked at, spread over the take.
const MOST_WINDOWS: usize = 240;
/// Windows whose power lies below this are silent, full scale squared: -85 dB, above the rounding of 16 bits.
const SILENT: f32 = 3e-9;
/// A stretch of this length without any change is digital silence, seconds.
const SILENCE_S: f64 = 0.01;
/// Highest frequency at which lines are sought, Hz.
const TOP_HZ: f64 = 2000.0;
/// Highest frequency of noise that is heard, Hz.
const AUDIBLE_TO_HZ: f64 = 20_000.0;
/// Frequencies of the mains in the world, Hz (IEC 60196), and how far they may be off, Hz: in the European grid 0.2 Hz
/// (Commission Regulation (EU) 2017/1485, annex III), a little more for the clocks of recorders (our choice).
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const MAINS_OFF_HZ: f64 = 0.3;
/// Harmonics that belong together give the same fundamental within this, Hz.
const TOGETHER_HZ: f64 = 0.12;
/// Harmonics that are looked at, and how many of them have to stand out.
const HARMONICS: usize = 8;
const MIN_HARMONICS: usize = 3;
/// How far a line stands out of the median of what surrounds it, dB, and how far that reaches to either side, Hz: not as
/// far as the next harmonic. Assembled takes with hum: 14 to 29 dB; takes without: 9 dB at most, recorded
/// ones 15, but never at three harmonics that agree.
const LINE_DB: f32 = 11.0;
const SURROUNDING_HZ: f64 = 20.0;
/// No higher line lies so near, Hz: it would be a sideband of a note with vibrato.
const BESIDE_HZ: f64 = 10.0;
/// Lines further below the highest are the rounding of what sounds, dB...
const ROUNDING_DB: f32 = 70.0;
/// ...and below this nobody hears a hum, dB of full scale (our choice).
const AUDIBLE_DB: f32 = -90.0;
/// A tone stands this far out of noise, dB.
const TONE_DB: f32 = 25.0;
/// What noise exceeds in all windows but one of so many.
const QUIETEST_SHARE: usize = 10;
/// Sum of the bins of noise over its mean power, where a sine's peak is its amplitude squared (Hann window: Harris 1978).
const NOISE_SUM: f32 = 3.0;
/// Bins of the main lobe of a Hann window to either side of its middle (Harris 1978).
const LOBE_BINS: usize = 2;

/// Power that is always there, per frequency.
pub(super) struct SteadySpectrum {
    power: Vec<f32>,
    bin_hz: f64,
    /// Windows that it was taken from.
    windows: usize,
}

impl SteadySpectrum {
    /// Of a part of a take, all channels together; `None` where too little of it sounds.
    pub(super) fn of(take: &Take, part: Range<usize>) -> Option<Self> {
        Self::with_window(take, part, LONG_S, TOP_HZ)
    }

    fn with_window(take: &Take, part: Range<usize>, least_s: f64, top_hz: f64) -> Option<Self> {
        let rate = f64::from(take.sample_rate);
        let mut window = ((least_s * rate) as usize).next_power_of_two();
        if part.len() < window {
            window /= 2;
        }
        let last = part.len().checked_sub(window)?;
        let hop = (window / 4).max(last / MOST_WINDOWS);
        let starts = (0..=last).step_by(hop).map(|at| part.start + at);
        let bin_hz = rate / window as f64;
        let bins = ((top_hz / bin_hz) as usize).min(window / 2);
        let mut fft = RealFft::remembered(window);
        let shape: Vec<f32> = (0..window).map(|i| hann(i, window)).collect();
        // a sine's peak in the spectrum is its amplitude squared
        let norm = (4.0 / window as f32).powi(2);
        let mut rows = Vec::new();
        for at in starts.filter(|&at| sounds(take, at..at + window)) {
            let mut row = vec![0.0f32; bins];
            for channel in &take.channels {
                for ((to, from), hann) in fft.input.iter_mut().zip(&channel[at..at + window]).zip(&shape) {
                    *to = from * hann;
                }
                row.iter_mut().zip(fft.power()).for_each(|(sum, bin)| *sum += norm * bin);
            }
            rows.push(row);
        }
        if rows.is_empty() {
            return None;
        }
        let mut column = vec![0.0; rows.len()];
        let power = (0..bins).map(|b| {
            column.iter_mut().zip(&rows).for_each(|(to, row)| *to = row[b]);
            *column.select_nth_unstable_by(rows.len() / QUIETEST_SHARE, f32::total_cmp).1
        });
        Some(Self { power: power.collect(), bin_hz, windows: rows.len() })
    }

    /// The fundamental of a mains hum in a part of a take, Hz.
    pub(super) fn hum_in(take: &Take, part: Range<usize>) -> Option<f64> {
        let found = |least_s| Self::with_window(take, part.clone(), least_s, TOP_HZ)?.hum_hz();
        found(LONG_S).or_else(|| found(SHORT_S))
    }

    /// Mean power of the noise between the lines of a hum in a take, of one channel: the less of what long windows show,
    /// which tell lines apart better, and of what short ones show, which lie between dense hits.
    pub(super) fn noise_beside_hum(take: &Take, mains_hz: f64) -> Option<f32> {
        let shown = |least_s| {
            let steady = Self::with_window(take, 0..take.frames(), least_s, AUDIBLE_TO_HZ)?;
            Some(steady.noise(mains_hz) / take.channels.len() as f32)
        };
        [LONG_S, SHORT_S].into_iter().filter_map(shown).reduce(f32::min)
    }

    /// Mean power of the noise between lines, all channels together.
    fn noise(&self, mains_hz: f64) -> f32 {
        // a line takes less than half of the bins from one harmonic to the next
        let sum: f32 = self
            .power
            .chunks(((mains_hz / self.bin_hz) as usize).max(1))
            .map(|bins| {
                let mut bins = bins.to_vec();
                let middle = bins.len() / 2;
                bins.len() as f32 * *bins.select_nth_unstable_by(middle, f32::total_cmp).1
            })
            .sum();
        // of n exponentially distributed powers the least but k is on average this share of their mean (Rényi 1953)
        let quietest: f32 =
            (0..=self.windows / QUIETEST_SHARE).map(|i| 1.0 / (self.windows - i) as f32).sum();
        sum / NOISE_SUM / quietest
    }

    /// The fundamental of a mains hum, Hz.
    fn hum_hz(&self) -> Option<f64> {
        MAINS_HZ.into_iter().find(|mains| {
            let of = |k: usize| self.line(*mains * k as f64).map(|hz| hz / k as f64);
            let mut found: Vec<f64> =
                (1..=HARMONICS).filter_map(of).filter(|hz| (hz - mains).abs() < MAINS_OFF_HZ).collect();
            found.sort_by(f64::total_cmp);
            found.windows(MIN_HARMONICS).any(|group| group[MIN_HARMONICS - 1] - group[0] < TOGETHER_HZ)
        })
    }

    /// Whether any tone sounds all the time.
    pub(super) fn has_tone(&self) -> bool {
        (LOBE_BINS..self.power.len()).any(|at| self.stands_out_db(at).is_some_and(|db| db > TONE_DB))
    }

    /// Where the line near `hz` lies, if it stands out.
    fn line(&self, hz: f64) -> Option<f64> {
        let middle = (hz / self.bin_hz).round() as usize;
        let near = self.power.get(middle - LOBE_BINS..=middle + LOBE_BINS)?;
        let highest = (0..near.len()).max_by(|&a, &b| near[a].total_cmp(&near[b]))?;
        let at = middle - LOBE_BINS + highest;
        let beside = ((BESIDE_HZ / self.bin_hz) as usize).min(at);
        let highest = |bins: &[f32]| bins.iter().copied().fold(0.0, f32::max);
        let no_sideband = self.power[at] >= highest(self.power.get(at - beside..=at + beside)?);
        let rounding = highest(&self.power) * db_to_power(-ROUNDING_DB);
        let heard = self.power[at] > rounding.max(db_to_power(AUDIBLE_DB));
        self.stands_out_db(at).filter(|db| *db > LINE_DB && no_sideband && heard)?;
        let [a, b, c] =
            [at - 1, at, at + 1].map(|i| self.power.get(i).map_or(0.0, |p| f64::from(p.max(1e-30)).ln()));
        Some((at as f64 + parabolic_peak(a, b, c)) * self.bin_hz)
    }

    /// How far a bin stands out of the median of what surrounds it, dB.
    fn stands_out_db(&self, at: usize) -> Option<f32> {
        let around = ((SURROUNDING_HZ / self.bin_hz) as usize).max(2 * LOBE_BINS);
        let from = at.saturating_sub(around);
        let mut near = self.power.get(from..=at + around)?.to_vec();
        let middle = near.len() / 2;
        let median = *near.select_nth_unstable_by(middle, f32::total_cmp).1;
        Some(power_to_db(self.power[at].max(1e-30)) - power_to_db(median.max(1e-30)))
    }
}

/// Whether a part of a take has sound without silence in it.
fn sounds(take: &Take, part: Range<usize>) -> bool {
    let power = |samples: &[f32]| samples.iter().map(|x| x * x).sum::<f32>() / samples.len() as f32;
    let all: f32 = take.channels.iter().map(|channel| power(&channel[part.clone()])).sum();
    all > SILENT && !holds_digital_silence(take, part)
}

/// Whether a part of a take holds a stretch without any change.
pub(super) fn holds_digital_silence(take: &Take, part: Range<usize>) -> bool {
    let silence = (SILENCE_S * f64::from(take.sample_rate)) as usize;
    let is_still = |at: usize| {
        let mut channels = take.channels.iter().map(|channel| &channel[at..at + silence]);
        channels.all(|samples| samples.iter().all(|x| *x == samples[0]))
    };
    (part.start..part.end.saturating_sub(silence)).step_by(silence.max(1)).any(is_still)
}
