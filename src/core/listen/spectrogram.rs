//! The take as power per band and frame: what onsets are searched in.

use crate::{
    error::Result,
    parallel,
    progress::{Counter, Progress},
    spectrum::{Complex, RealFft, hann_f64},
    take::Take,
};
use std::ops::Range;

/// Most bands a frame has; fewer when the sample rate is low.
pub(super) const MAX_BANDS: usize = 22;

/// Band edges in Hz: about a third of an octave each, no narrower than one bin of the shortest window.
const BAND_EDGES_HZ: [f64; MAX_BANDS + 1] = [
    45.0, 130.0, 215.0, 300.0, 390.0, 480.0, 600.0, 740.0, 900.0, 1100.0, 1350.0, 1650.0, 2000.0, 2450.0,
    3000.0, 3700.0, 4500.0, 5500.0, 6700.0, 8200.0, 10_000.0, 12_500.0, 16_000.0,
];

/// Shortest analysis window, seconds: two hits 22 ms apart must not share one.
const MIN_WINDOW_S: f64 = 0.0105;

/// Frames that one thread analyses before it asks for more.
const FRAMES_PER_TURN: usize = 4096;

/// Power of each band in each frame, summed over channels, so that channels of opposite polarity do not cancel.
pub(super) struct Spectrogram {
    /// Samples from one frame to the next.
    pub hop: usize,
    /// Samples in a window.
    pub window: usize,
    /// Sample of the take at the centre of frame 0.
    pub first: usize,
    /// Samples of the take from there that were analysed.
    pub length: usize,
    /// Bands in use.
    pub bands: usize,
    /// Centre frequency of each band, Hz.
    pub centres_hz: Vec<f32>,
    /// Bins of the transform in each band.
    pub bins: Vec<f32>,
    /// Power per band, frame after frame; full-scale sine is about 0.5.
    pub power: Vec<[f32; MAX_BANDS]>,
}

impl Spectrogram {
    /// Sample of the take at the centre of frame `t`.
    pub fn centre(&self, frame: usize) -> usize {
        self.first + frame * self.hop
    }

    /// The frame whose centre is the last one not behind this sample of the take.
    pub fn frame(&self, sample: usize) -> usize {
        sample.saturating_sub(self.first) / self.hop
    }
}

/// Smallest 2^k or 3·2^k that is at least `least`, and divisible by four.
fn window_length(least: f64) -> usize {
    (3..20).flat_map(|k| [1usize << k, 3 << (k - 1)]).find(|&n| n as f64 >= least).unwrap_or(4096)
}

/// Analyses a `part` of a take (frames) with Hann windows, a quarter of a window apart; around it is silence.
/// `means` is the mean of each channel (its DC offset), which is subtracted;
/// progress is reported as `step`.
pub(super) fn analyse(
    take: &Take,
    part: Range<usize>,
    means: &[f32],
    step: &str,
    progress: &dyn Progress,
) -> Result<Spectrogram> {
    let rate = f64::from(take.sample_rate);
    let window = window_length(MIN_WINDOW_S * rate);
    let hop = window / 4;
    let frames = part.len();
    let count = frames / hop + 1;

    let bin_hz = rate / window as f64;
    let bands = BAND_EDGES_HZ.windows(2).take_while(|e| e[1] <= rate * 0.5 || e[0] < rate * 0.45).count();
    let ranges: Vec<_> = (0..bands)
        .map(|b| {
            let lo = (BAND_EDGES_HZ[b] / bin_hz).ceil() as usize;
            let hi = ((BAND_EDGES_HZ[b + 1] / bin_hz).ceil() as usize).min(window / 2);
            lo.min(window / 2 - 1)..hi.max(lo + 1).min(window / 2)
        })
        .collect();

    let shape: Vec<f32> = (0..window).map(|i| hann_f64(i, window) as f32).collect();
    let norm = 2.0 / (window as f32 * shape.iter().map(|w| w * w).sum::<f32>());

    let fft = RealFft::new(window);
    let runs = count.div_ceil(FRAMES_PER_TURN);
    let counter = Counter::new(progress, step, runs);
    let power = parallel::in_order(
        runs,
        || fft.clone(),
        |fft, run| {
            progress.check()?;
            let mut rows = vec![[0.0f32; MAX_BANDS]; FRAMES_PER_TURN.min(count - run * FRAMES_PER_TURN)];
            for (t, row) in (run * FRAMES_PER_TURN..).zip(&mut rows) {
                let first = (t * hop) as isize - (window / 2) as isize;
                for (channel, &mean) in take.channels.iter().zip(means) {
                    fill(&mut fft.input, &channel[part.clone()], first, mean);
                    for (x, w) in fft.input.iter_mut().zip(&shape) {
                        *x *= w;
                    }
                    let spectrum = fft.transform();
                    for (p, range) in row.iter_mut().zip(&ranges) {
                        *p += norm * spectrum[range.clone()].iter().map(Complex::norm_sqr).sum::<f32>();
                    }
                }
            }
            counter.one_done();
            Ok(rows)
        },
    );
    let power = power.into_iter().collect::<Result<Vec<_>>>()?.concat();
    let centres_hz = ranges.iter().map(|r| ((r.start + r.end) as f64 * 0.5 * bin_hz) as f32).collect();
    let bins = ranges.iter().map(|r| r.len() as f32).collect();
    Ok(Spectrogram { hop, window, first: part.start, length: frames, bands, centres_hz, bins, power })
}

/// Copies `channel[first..]` less `mean` into `out`, zeros outside the take.
pub(super) fn fill(out: &mut [f32], channel: &[f32], first: isize, mean: f32) {
    let len = channel.len() as isize;
    let from = first.clamp(0, len);
    let to = (first + out.len() as isize).clamp(from, len);
    out.fill(0.0);
    if to > from {
        let at = (from - first) as usize;
        for (y, x) in out[at..].iter_mut().zip(&channel[from as usize..to as usize]) {
            *y = x - mean;
        }
    }
}
