//! The parameters of the stages, from a pad's tone settings and trims.

use crate::{
    engine::dsp::eq::EqSection,
    kit::{self, Band, Compressor, LOW_BAND_EDGE, Limiter, MAX_DIPS, Slope, Tone, ToneStage},
    settings::PadTrims,
};

/// Filters of the EQ: low shelf, bell, high shelf, dips, the bell that follows the note, tilt.
pub const EQ_FILTERS: usize = 3 + MAX_DIPS + 2;
const NOTE_BELL: usize = 3 + MAX_DIPS;
const TILT_ID: usize = NOTE_BELL + 1;

/// Discrete settings; the chain crossfades when one changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchedParams {
    pub order: [ToneStage; 7],
    /// By stage: whether it is in use.
    pub on: [bool; 7],
    /// By stage: whether its input is heard, at its output's loudness.
    pub bypassed: [bool; 7],
    /// The same for the chain as a whole.
    pub whole_bypassed: bool,
    pub low_cut: bool,
    pub high_cut: bool,
    pub low_slope: Slope,
    pub high_slope: Slope,
    pub eq: [bool; EQ_FILTERS],
    pub character: crate::kit::Character,
}

impl Default for SwitchedParams {
    fn default() -> Self {
        SmoothedParams::new(&Tone::default(), &PadTrims::default(), None, [false; 7]).1
    }
}

/// Continuous settings, which glide: frequencies, times, ratios and Q as base-2 logarithms, levels in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmoothedParams {
    pub low_cut: f32,
    pub high_cut: f32,
    /// Threshold, release, make-up gain.
    pub limiter: [f32; 3],
    pub colour: [f32; 3],
    /// Frequency, gain, Q.
    pub eq: [[f32; 3]; EQ_FILTERS],
    /// Threshold, ratio, knee, attack, release, make-up gain, amount.
    pub punch: [f32; 7],
    pub low_band: [f32; 7],
    pub low_band_hz: f32,
}

impl SmoothedParams {
    /// The continuous and the discrete settings of a tone with trims; `note_hz` is the fundamental, Hz.
    pub fn new(
        tone: &Tone,
        trims: &PadTrims,
        note_hz: Option<f32>,
        bypassed: [bool; 7],
    ) -> (Self, SwitchedParams) {
        let (low_on, low_hz) = cut(tone.low_cut.on, tone.low_cut.hz, trims.low_cut_hz, 20.0, f32::max);
        let (high_on, high_hz) =
            cut(tone.high_cut.on, tone.high_cut.hz, trims.high_cut_hz, 20_000.0, f32::min);
        let (eq, eq_on) = eq(tone, trims, note_hz);
        let smoothed = Self {
            low_cut: log2(low_hz),
            high_cut: log2(high_hz),
            limiter: limiter(&tone.limiter),
            colour: limiter(&tone.colour),
            eq,
            punch: compressor(&tone.punch, trims.punch),
            low_band: compressor(&tone.low_band, trims.low_hold),
            low_band_hz: log2(LOW_BAND_EDGE.clamp(tone.low_band_hz)),
        };
        let on = ToneStage::ALL.map(|stage| match stage {
            ToneStage::Cuts => low_on || high_on,
            ToneStage::Limiter => tone.limiter.on,
            ToneStage::Saturation => drive(tone, trims).is_some(),
            ToneStage::Eq => eq_on.contains(&true),
            ToneStage::Punch => tone.punch.on && trims.punch > 0.0,
            ToneStage::LowBand => tone.low_band.on && trims.low_hold > 0.0,
            ToneStage::Colour => tone.colour.on,
        });
        let switched = SwitchedParams {
            order: tone.order,
            on,
            bypassed,
            whole_bypassed: !trims.tone,
            low_cut: low_on,
            high_cut: high_on,
            low_slope: tone.low_cut.slope,
            high_slope: tone.high_cut.slope,
            eq: eq_on,
            character: tone.saturation.character,
        };
        (smoothed, switched)
    }

    /// Moves `1 / steps` of the way towards `target`.
    pub fn approach(&mut self, target: &Self, steps: u32) {
        if steps <= 1 {
            *self = *target;
            return;
        }
        let share = 1.0 / steps as f32;
        let step = |now: &mut f32, target: &f32| *now += (*target - *now) * share;
        step(&mut self.low_cut, &target.low_cut);
        step(&mut self.high_cut, &target.high_cut);
        step(&mut self.low_band_hz, &target.low_band_hz);
        for (now, target) in [
            (&mut self.limiter[..], &target.limiter[..]),
            (&mut self.colour[..], &target.colour[..]),
            (self.eq.as_flattened_mut(), target.eq.as_flattened()),
            (&mut self.punch[..], &target.punch[..]),
            (&mut self.low_band[..], &target.low_band[..]),
        ] {
            now.iter_mut().zip(target).for_each(|(n, g)| step(n, g));
        }
    }

    /// Coefficients of filter `index` of the EQ.
    pub fn section(&self, index: usize, sample_rate: f64) -> EqSection {
        let [hz, gain_db, q] = self.eq[index].map(f64::from);
        let (hz, q) = (libm::exp2(hz), libm::exp2(q));
        match index {
            0 => EqSection::low_shelf(hz, gain_db, q, sample_rate),
            2 => EqSection::high_shelf(hz, gain_db, q, sample_rate),
            TILT_ID => EqSection::tilt(gain_db, sample_rate),
            _ => EqSection::bell(hz, gain_db, q, sample_rate),
        }
    }
}

/// Drive in dB and mix, 0 to 1; `None` when the saturation is off.
pub fn drive(tone: &Tone, trims: &PadTrims) -> Option<(f32, f32)> {
    let s = &tone.saturation;
    match (s.on, trims.drive_db) {
        (true, trim) => Some(((s.drive_db + trim).clamp(-24.0, 48.0), s.mix)),
        (false, trim) if trim > 0.0 => Some((trim, 1.0)),
        _ => None,
    }
}

/// Whether a cut is on, and its cutoff: of the document's and the trim's, the one that cuts more.
fn cut(on: bool, hz: f32, trim: f32, off_at: f32, stricter: fn(f32, f32) -> f32) -> (bool, f32) {
    let built = if on { hz } else { off_at };
    (on || trim != off_at, stricter(built, trim))
}

fn eq(tone: &Tone, trims: &PadTrims, note_hz: Option<f32>) -> ([[f32; 3]; EQ_FILTERS], [bool; EQ_FILTERS]) {
    let mut smoothed = [[log2(1000.0), 0.0, 0.0]; EQ_FILTERS];
    let mut on = [false; EQ_FILTERS];
    let mut put = |i: usize, band: &Band| {
        // A band at 0 dB is off; a later gain fades it in.
        on[i] = band.on && band.gain_db != 0.0;
        smoothed[i] = [log2(band.hz), if on[i] { band.gain_db } else { 0.0 }, log2(band.q)];
    };
    let dip = |d: &Band| Band { gain_db: d.gain_db * tone.dip_amount, ..*d };
    let dips = tone.dips.iter().take(MAX_DIPS).map(dip);
    tone.bands.iter().copied().chain(dips).enumerate().for_each(|(i, band)| put(i, &band));
    put(NOTE_BELL, &Band { hz: note_hz.unwrap_or(tone.note_bell.hz), ..tone.note_bell });
    let tilt_db = kit::TILT.clamp(tone.tilt_db + trims.tilt_db);
    put(TILT_ID, &Band { on: true, gain_db: tilt_db, ..Band::default() });
    (smoothed, on)
}

fn limiter(l: &Limiter) -> [f32; 3] {
    [l.threshold_db, log2(l.release_ms), l.makeup_db]
}

fn compressor(c: &Compressor, amount: f32) -> [f32; 7] {
    let times = [log2(c.attack_ms), log2(c.release_ms)];
    [c.threshold_db, log2(c.ratio.max(1.0)), c.knee_db, times[0], times[1], c.makeup_db, amount]
}

fn log2(x: f32) -> f32 {
    libm::log2(f64::from(x.max(1e-3))) as f32
}
