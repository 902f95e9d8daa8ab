//! The spectrum of a pad's hit, computed on another thread.

use kitwright_core::{
    kit::Slice,
    spectrum::{Complex, RealFft},
    take::Take,
    units::power_to_db,
};
use std::{
    sync::{Arc, Mutex, mpsc},
    thread::JoinHandle,
};

/// Bands of the spectrum, equally wide on a logarithmic axis.
pub const SHOWN_BANDS: usize = 96;
/// Edges of the spectrum, Hz.
pub const SHOWN_RANGE_HZ: [f64; 2] = [20.0, 20_000.0];
/// Frames that are analysed, from the beginning of the hit.
const HIT_FRAMES: usize = 1 << 15;

/// One number a band: power, or dB below the strongest.
pub type Levels = [f32; SHOWN_BANDS];

/// The spectrum of the chosen pad's hit. One at a time: the pad editor shows one pad.
#[derive(Debug, Default)]
pub struct HitSpectrum {
    key: Option<(usize, u64, u64)>,
    ready: Option<Arc<Levels>>,
    // a receiver is not `Sync`, and windows move between threads
    coming: Option<Mutex<mpsc::Receiver<Levels>>>,
    workers: Vec<JoinHandle<()>>,
}

impl HitSpectrum {
    /// The levels of a slice, once they are computed; the first call starts the work, and a repaint is asked for
    /// when it is done.
    pub fn get(&mut self, take: &Arc<Take>, slice: Slice, ctx: &egui::Context) -> Option<Arc<Levels>> {
        let key = (Arc::as_ptr(take) as usize, slice.start, slice.end);
        if self.key != Some(key) {
            self.start(take.clone(), slice, ctx.clone());
            self.key = Some(key);
        }
        if let Some(coming) = self.coming.as_mut().and_then(|c| c.get_mut().ok())
            && let Ok(levels) = coming.try_recv()
        {
            self.ready = Some(Arc::new(levels));
            self.coming = None;
        }
        self.ready.clone()
    }

    /// Whether a spectrum is being computed.
    pub fn is_working(&self) -> bool {
        self.coming.is_some()
    }

    fn start(&mut self, take: Arc<Take>, slice: Slice, ctx: egui::Context) {
        let (send, coming) = mpsc::channel();
        self.ready = None;
        self.coming = Some(Mutex::new(coming));
        self.workers.retain(|w| !w.is_finished());
        let worker = std::thread::Builder::new().name("kitwright spectrum".into()).spawn(move || {
            // no receiver is left once another pad was chosen
            let _ = send.send(levels(&take, slice.start as usize, slice.end as usize));
            ctx.request_repaint();
        });
        self.workers.extend(worker);
    }
}

impl Drop for HitSpectrum {
    fn drop(&mut self) {
        for worker in self.workers.drain(..) {
            // a panic there has already been reported by its own thread
            let _ = worker.join();
        }
    }
}

/// Power in each band of the mean of the channels, under a half window that fades the end out.
fn levels(take: &Take, start: usize, end: usize) -> Levels {
    let length = end.min(take.frames()).saturating_sub(start).min(HIT_FRAMES);
    let mut fft = RealFft::new(HIT_FRAMES);
    for (i, sample) in fft.input.iter_mut().take(length).enumerate() {
        let fade = (std::f32::consts::FRAC_PI_2 * i as f32 / length as f32).cos().powi(2);
        *sample = take.channels.iter().map(|c| c[start + i]).sum::<f32>() * fade;
    }
    let power = band_power(fft.transform(), f64::from(take.sample_rate) / HIT_FRAMES as f64);
    let strongest = power.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
    power.map(|p| power_to_db((p / strongest).max(1e-12)))
}

/// Lower edge of a band, Hz; that of `SHOWN_BANDS` is the upper edge of the last.
pub fn edge_hz(band: usize) -> f64 {
    SHOWN_RANGE_HZ[0] * (SHOWN_RANGE_HZ[1] / SHOWN_RANGE_HZ[0]).powf(band as f64 / SHOWN_BANDS as f64)
}

/// Power in each band; a bin's power is spread evenly over its width, so that bands narrower than a bin
/// get their share.
pub fn band_power(bins: &[Complex<f32>], hz_per_bin: f64) -> Levels {
    // power below the upper edge of each bin; bin k reaches from k - 1/2 to k + 1/2, the constant is left out
    let mut below = vec![0.0_f64; bins.len()];
    for k in 1..bins.len() {
        below[k] = below[k - 1] + f64::from(bins[k].norm_sqr());
    }
    let until = |hz: f64| {
        let place = (hz / hz_per_bin - 0.5).clamp(0.0, (bins.len() - 1) as f64);
        let k = place.floor() as usize;
        let next = (k + 1).min(bins.len() - 1);
        below[k] + (below[next] - below[k]) * place.fract()
    };
    std::array::from_fn(|band| (until(edge_hz(band + 1)) - until(edge_hz(band))).max(0.0) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_is_strongest_in_its_own_band() {
        let tone =
            (0..20_000).map(|i| (i as f32 * 1000.0 / 48_000.0 * std::f32::consts::TAU).sin() * 0.5).collect();
        let take = Take::from_samples("t", 48_000, vec![tone]);
        let levels = levels(&take, 0, 20_000);
        let band = ((1000.0_f64 / 20.0).ln() / 1000.0_f64.ln() * SHOWN_BANDS as f64) as usize;
        assert_eq!(levels[band], 0.0);
        assert!(levels[band + 12] < -40.0 && levels[band - 12] < -40.0);
    }

    #[test]
    fn silence_and_empty_slices_give_finite_levels() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.0; 100]]);
        for (start, end) in [(0, 100), (50, 50), (90, 5000), (5000, 9000)] {
            assert!(levels(&take, start, end).iter().all(|l| l.is_finite()), "{start} to {end}");
        }
    }
}
