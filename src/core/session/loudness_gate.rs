//! Where a recording begins and ends: its first hit, and the silence after its last one.

/// Length of one window, s.
const WINDOW_S: f64 = 0.005;
/// A window is loud when its peak lies above -46 dB of full scale and 12 dB above the noise (our choice: above a
/// quiet room, below a soft knock).
const LOUD: f32 = 0.005;
const ABOVE_NOISE: f32 = 4.0;
/// Windows whose lowest peak is the first estimate of the noise floor: 100 ms. A hit among them is found afterwards.
const LEARNED: usize = 20;
/// How fast the noise is followed upwards, for each window: 2 dB a second. Downwards it is followed at once.
const NOISE_RISE: f32 = 1.001_15;
/// Lowest noise, so that it can rise: -80 dB of full scale.
const LEAST_NOISE: f32 = 1e-4;
/// Kept before the first hit, and after the last loud window, s.
const BEFORE_S: f64 = 0.2;
const AFTER_S: f64 = 1.0;
/// Silence that ends a recording, s (our choice: longer than the gap between two trials of a stroke).
const SILENCE_S: f64 = 4.0;

/// Follows a signal, frame by frame, whatever the blocks.
#[derive(Debug)]
pub(super) struct LoudnessGate {
    window: u64,
    rate: f64,
    /// Frames seen, and the peak of the unfinished window.
    frames: u64,
    peak: f32,
    loudest: f32,
    /// Peaks of the first windows.
    learned: Vec<f32>,
    /// Peak of the noise, from the windows before the first hit.
    noise: f32,
    /// First frame of the first loud window, and first frame after the last one.
    first: Option<u64>,
    last: u64,
}

impl LoudnessGate {
    pub fn new(rate: u32) -> Self {
        let window = ((WINDOW_S * f64::from(rate)) as u64).max(1);
        let rate = f64::from(rate);
        Self {
            window,
            rate,
            frames: 0,
            peak: 0.0,
            loudest: 0.0,
            learned: Vec::new(),
            noise: 0.0,
            first: None,
            last: 0,
        }
    }

    /// Takes the next frames.
    pub fn follow(&mut self, [left, right]: [&[f32]; 2]) {
        for (l, r) in left.iter().zip(right) {
            self.peak = self.peak.max(l.abs()).max(r.abs());
            self.frames += 1;
            if self.frames.is_multiple_of(self.window) {
                self.end_window();
            }
        }
    }

    fn end_window(&mut self) {
        let peak = std::mem::take(&mut self.peak);
        self.loudest = self.loudest.max(peak);
        if self.learned.len() == LEARNED {
            return self.judge(peak, self.frames);
        }
        self.learned.push(peak);
        if self.learned.len() == LEARNED {
            self.noise = self.learned.iter().copied().fold(f32::MAX, f32::min).max(LEAST_NOISE);
            for window in 0..LEARNED {
                self.judge(self.learned[window], (window as u64 + 1) * self.window);
            }
        }
    }

    /// A window of this peak ends at frame `end`.
    fn judge(&mut self, peak: f32, end: u64) {
        if peak > LOUD.max(ABOVE_NOISE * self.noise) {
            self.first.get_or_insert(end - self.window);
            self.last = end;
        } else if self.first.is_none() {
            self.noise = peak.min(self.noise * NOISE_RISE).max(LEAST_NOISE);
        }
    }

    /// Frames seen.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Whether anything was louder than a quiet room, be it all the time.
    pub fn was_loud(&self) -> bool {
        self.loudest > LOUD
    }

    /// Frame where the recording begins: shortly before the first hit; `None` before there was one.
    pub fn start(&self) -> Option<u64> {
        Some(self.first?.saturating_sub((BEFORE_S * self.rate) as u64))
    }

    /// First frame after the recording, once the silence after the last loud window is long enough.
    pub fn end(&self) -> Option<u64> {
        self.first?;
        let silent = self.frames >= self.last + (SILENCE_S * self.rate) as u64;
        silent.then(|| self.end_now())
    }

    /// First frame after the recording if it ended now: 1 s after the last loud window, at most all frames.
    pub fn end_now(&self) -> u64 {
        (self.last + (AFTER_S * self.rate) as u64).min(self.frames)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise of this peak with knocks at these seconds.
    fn signal(seconds: f64, noise: f32, knocks: &[f64]) -> Vec<f32> {
        (0..(seconds * 48_000.0) as usize)
            .map(|i| {
                let knock = |&at: &f64| {
                    let t = i as f64 / 48_000.0 - at;
                    if t < 0.0 { 0.0 } else { 0.4 * (-60.0 * t).exp() as f32 }
                };
                noise * if i.is_multiple_of(2) { 1.0 } else { -1.0 } + knocks.iter().map(knock).sum::<f32>()
            })
            .collect()
    }

    #[test]
    fn a_recording_begins_before_its_first_hit_and_ends_after_its_last() {
        // silence, a quiet room, a hum as loud as soft knocks
        for noise in [0.0, 0.001, 0.02] {
            let x = signal(12.0, noise, &[2.5, 5.9]);
            for block in [1, 64, 4097, 576_000] {
                let mut gate = LoudnessGate::new(48_000);
                let mut end = None;
                for part in x.chunks(block) {
                    gate.follow([part, part]);
                    end = end.or(gate.end());
                }
                let (start, end) = (gate.start().unwrap() as f64 / 48_000.0, end.unwrap() as f64 / 48_000.0);
                assert!((start - 2.3).abs() < 0.006, "noise {noise}, blocks of {block}: starts at {start}");
                assert!((6.9..7.1).contains(&end), "noise {noise}, blocks of {block}: ends at {end}");
            }
        }
    }

    #[test]
    fn noise_alone_begins_nothing_and_a_hit_at_once_is_found() {
        let hum = signal(6.0, 0.02, &[]);
        let mut gate = LoudnessGate::new(48_000);
        gate.follow([&hum, &hum]);
        assert_eq!((gate.start(), gate.end()), (None, None));
        let knock = signal(1.0, 0.0, &[0.01]);
        let mut gate = LoudnessGate::new(48_000);
        gate.follow([&knock, &knock]);
        assert_eq!(gate.start(), Some(0), "there are no 200 ms before it");
    }
}
