//! The stages of a tone chain and their state.

use super::settings::{EQ_FILTERS, SmoothedParams, SwitchedParams};
use crate::{
    engine::dsp::{
        compressor::{Compressor, CompressorSettings},
        crossover::Crossover,
        eq::{EqSection, Filter, process_in_turn},
        glide::Glide,
        limiter::Limiter,
        loudness::{LoudnessMatcher, LoudnessPower, SHORT_TERM_MS},
        math::exp2_fast,
        saturation::Saturation,
    },
    kit::{Character, Slope, ToneStage},
    units::db_to_gain,
};

/// Most frames that one call processes.
pub const TONE_BLOCK: usize = 256;

/// All stages, on or off. Plain data: a copy has its own state.
#[derive(Debug, Clone, Copy)]
pub struct ToneStages {
    pub switched: SwitchedParams,
    sample_rate: f64,
    /// Settings last applied.
    applied: Option<SmoothedParams>,
    low_cut: [Filter; 2],
    high_cut: [Filter; 2],
    limiter: Limiter,
    saturation: Saturation,
    eq: [Filter; EQ_FILTERS],
    punch: CompressorStage,
    low_band: CompressorStage,
    crossover: Crossover,
    colour: Limiter,
    /// Loudness before and after each stage, and before and after the chain.
    matchers: [LoudnessMatcher; 7],
    whole: LoudnessMatcher,
    /// Whether loudness is measured all the time.
    tracks_loudness: bool,
}

impl ToneStages {
    pub fn new(sample_rate: f64) -> Self {
        let filter = Filter::new(EqSection::UNITY);
        Self {
            switched: SwitchedParams::default(),
            sample_rate,
            applied: None,
            low_cut: [filter; 2],
            high_cut: [filter; 2],
            limiter: Limiter::new(0.0, 60.0, 0.0, sample_rate),
            saturation: Saturation::new(sample_rate),
            eq: [filter; EQ_FILTERS],
            punch: CompressorStage::new(sample_rate),
            low_band: CompressorStage::new(sample_rate),
            crossover: Crossover::new(250.0, sample_rate),
            colour: Limiter::new(0.0, 60.0, 0.0, sample_rate),
            matchers: [LoudnessMatcher::new(SHORT_TERM_MS, sample_rate); 7],
            whole: LoudnessMatcher::new(SHORT_TERM_MS, sample_rate),
            tracks_loudness: true,
        }
    }

    /// Applies continuous settings; only what differs from the last ones is computed.
    pub fn apply(&mut self, smoothed: &SmoothedParams) {
        let rate = self.sample_rate;
        let old = self.applied.replace(*smoothed);
        let differs =
            |part: &dyn Fn(&SmoothedParams) -> [f32; 7]| old.is_none_or(|o| part(&o) != part(smoothed));
        let slopes = self.switched;
        // Slopes change only with a crossfade, which applies everything again.
        if differs(&|p| padded(&[p.low_cut])) {
            let fourth = slopes.low_slope == Slope::TwentyFour;
            set_sections(
                &mut self.low_cut,
                EqSection::low_cut(f64::from(smoothed.low_cut).exp2_libm(), fourth, rate),
            );
        }
        if differs(&|p| padded(&[p.high_cut])) {
            let fourth = slopes.high_slope == Slope::TwentyFour;
            set_sections(
                &mut self.high_cut,
                EqSection::high_cut(f64::from(smoothed.high_cut).exp2_libm(), fourth, rate),
            );
        }
        for i in 0..EQ_FILTERS {
            if differs(&|p| padded(&p.eq[i])) {
                self.eq[i].set(smoothed.section(i, rate));
            }
        }
        if differs(&|p| padded(&p.limiter)) {
            let [threshold, release, makeup] = smoothed.limiter;
            self.limiter.set(threshold, release.exp2_libm(), makeup);
        }
        if differs(&|p| padded(&p.colour)) {
            let [threshold, release, makeup] = smoothed.colour;
            self.colour.set(threshold, release.exp2_libm(), makeup);
        }
        if differs(&|p| p.punch) {
            self.punch.set(smoothed.punch);
        }
        if differs(&|p| p.low_band) {
            self.low_band.set(smoothed.low_band);
        }
        if differs(&|p| padded(&[p.low_band_hz])) {
            self.crossover.set(smoothed.low_band_hz.exp2_libm());
        }
    }

    /// Applies discrete settings and computes everything again. Stages that were off start without state.
    pub fn switch(&mut self, switched: SwitchedParams, smoothed: &SmoothedParams) {
        for (i, stage) in ToneStage::ALL.into_iter().enumerate() {
            if !self.switched.on[i] && switched.on[i] {
                self.reset_stage(stage);
            }
        }
        if self.switched.low_cut != switched.low_cut || self.switched.low_slope != switched.low_slope {
            self.low_cut.iter_mut().for_each(Filter::reset);
        }
        if self.switched.high_cut != switched.high_cut || self.switched.high_slope != switched.high_slope {
            self.high_cut.iter_mut().for_each(Filter::reset);
        }
        self.switched = switched;
        self.applied = None;
        self.apply(smoothed);
    }

    /// Sets the saturation, which glides by itself: drive in dB, mix 0 to 1.
    pub fn drive(&mut self, character: Character, drive_db: f32, mix: f32) {
        self.saturation.set(character, drive_db, mix);
    }

    /// Processes the frames in place; `ahead` holds the frames after them and is overwritten. `lookahead` processes
    /// these and keeps nothing between calls.
    pub fn process(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&mut [f32]; 2],
        lookahead: &mut ToneStages,
    ) {
        if !self.switched.whole_bypassed {
            if let Some((first, last)) = self.process_all(left, right, ahead, lookahead) {
                (self.whole.before, self.whole.after) = (first, last);
            }
            return;
        }
        let (mut dry_left, mut dry_right) = ([0.0f32; TONE_BLOCK], [0.0f32; TONE_BLOCK]);
        let n = left.len();
        dry_left[..n].copy_from_slice(left);
        dry_right[..n].copy_from_slice(right);
        self.process_all(left, right, ahead, lookahead);
        match_dry(&mut self.whole, [&dry_left[..n], &dry_right[..n]], left, right);
    }

    /// Processes all stages in order. Returns the measured powers before the first and after the last stage, where
    /// loudness is measured all the time. A bypassed last stage is heard at the loudness that its output would have.
    fn process_all(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&mut [f32]; 2],
        lookahead: &mut ToneStages,
    ) -> Option<(LoudnessPower, LoudnessPower)> {
        let [ahead_left, ahead_right] = ahead;
        let order = self.switched.order;
        let on = self.switched.on;
        let looks = |s: &ToneStage| matches!(s, ToneStage::Limiter | ToneStage::Colour) && on[*s as usize];
        let limiters = order.iter().filter(|s| looks(s)).count();
        let mut to_come = limiters;
        let window = ahead_left.len().checked_div(limiters).unwrap_or(0);
        let mut known = window * limiters;
        // `power` is that of the sound between two stages; behind a bypassed one it is not known
        let (mut first, mut last, mut power) = (None, None, None);
        for stage in order.into_iter().filter(|&s| on[s as usize]) {
            if looks(&stage) {
                let (al, ar) = (&mut ahead_left[..known], &mut ahead_right[..known]);
                power = self.process_matched(stage, left, right, [&al[..window], &ar[..window]], power);
                to_come -= 1;
                if to_come > 0 && window > 0 {
                    known -= window;
                    lookahead.copy_stage(stage, self);
                    let ((l, later_l), (r, later_r)) = (al.split_at_mut(known), ar.split_at_mut(known));
                    lookahead.process_long(stage, l, r, [later_l, later_r]);
                }
            } else {
                power = self.process_matched(stage, left, right, [&[], &[]], power);
                if to_come > 0 && window > 0 {
                    lookahead.copy_stage(stage, self);
                    let (l, r) = (&mut ahead_left[..known], &mut ahead_right[..known]);
                    lookahead.process_long(stage, l, r, [&[], &[]]);
                }
            }
            let matcher = &self.matchers[stage as usize];
            first = first.or(Some(matcher.before));
            last = Some(matcher.after);
        }
        first.zip(last).filter(|_| self.tracks_loudness)
    }

    /// [`ToneStages::process_stage`] for up to [`TONE_BLOCK`] frames, with the loudness before and after measured, so
    /// that the stage can be bypassed at any time. `power` is that of the input, if already measured; returns that
    /// of the output.
    fn process_matched(
        &mut self,
        stage: ToneStage,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&[f32]; 2],
        power: Option<LoudnessPower>,
    ) -> Option<LoudnessPower> {
        let i = stage as usize;
        if self.switched.bypassed[i] || !self.tracks_loudness {
            self.process_stage(stage, left, right, ahead);
            return None;
        }
        match power {
            Some(power) => self.matchers[i].before = power,
            None => self.matchers[i].before.follow([left, right]),
        }
        self.process_wet(stage, left, right, ahead);
        self.matchers[i].after.follow([left, right]);
        Some(self.matchers[i].after)
    }

    /// [`ToneStages::process_stage`] for any length; every frame has the same look-ahead.
    fn process_long(&mut self, stage: ToneStage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let window = ahead[0].len();
        if matches!(stage, ToneStage::Limiter | ToneStage::Colour) && window > 0 {
            // The limiter splits long blocks itself and looks ahead across them.
            return self.process_stage(stage, left, right, ahead);
        }
        for (l, r) in left.chunks_mut(TONE_BLOCK).zip(right.chunks_mut(TONE_BLOCK)) {
            self.process_stage(stage, l, r, [&[], &[]]);
        }
    }

    fn process_stage(&mut self, stage: ToneStage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        if !self.switched.bypassed[stage as usize] {
            return self.process_wet(stage, left, right, ahead);
        }
        let window = ahead[0].len();
        let mut from = 0;
        while from < left.len() {
            let n = (left.len() - from).min(TONE_BLOCK);
            let (mut dry_left, mut dry_right) = ([0.0f32; TONE_BLOCK], [0.0f32; TONE_BLOCK]);
            dry_left[..n].copy_from_slice(&left[from..from + n]);
            dry_right[..n].copy_from_slice(&right[from..from + n]);
            let (l, later_l) = left[from..].split_at_mut(n);
            let (r, later_r) = right[from..].split_at_mut(n);
            // The frames after the last block are in `ahead`; those after earlier blocks are in the slices.
            let next = if later_l.len() >= window { [&later_l[..window], &later_r[..window]] } else { ahead };
            self.process_wet(stage, l, r, next);
            match_dry(&mut self.matchers[stage as usize], [&dry_left[..n], &dry_right[..n]], l, r);
            from += n;
        }
    }

    /// The stage itself, not bypassed.
    fn process_wet(&mut self, stage: ToneStage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        match stage {
            ToneStage::Cuts => {
                let s = self.switched;
                for (on, slope, filters) in [
                    (s.low_cut, s.low_slope, &mut self.low_cut),
                    (s.high_cut, s.high_slope, &mut self.high_cut),
                ] {
                    let sections = if slope == Slope::TwentyFour { 2 } else { 1 };
                    if on {
                        process_in_turn(&mut filters[..sections], left, right);
                    }
                }
            }
            ToneStage::Limiter => self.limiter.process(left, right, ahead),
            ToneStage::Saturation => self.saturation.process(left, right),
            ToneStage::Eq => {
                let filters = self.eq.iter_mut().zip(self.switched.eq);
                process_in_turn(filters.filter(|(_, on)| *on).map(|(filter, _)| filter), left, right);
            }
            ToneStage::Punch => self.punch.process(left, right),
            ToneStage::LowBand => {
                let (mut low_left, mut low_right) = ([0.0f32; TONE_BLOCK], [0.0f32; TONE_BLOCK]);
                let n = left.len();
                let (ll, lr) = (&mut low_left[..n], &mut low_right[..n]);
                self.crossover.split(left, right, [ll, lr]);
                self.low_band.process(ll, lr);
                for ((l, r), (bl, br)) in left.iter_mut().zip(right).zip(ll.iter().zip(lr.iter())) {
                    (*l, *r) = (*l + bl, *r + br);
                }
            }
            ToneStage::Colour => self.colour.process(left, right, ahead),
        }
    }

    fn copy_stage(&mut self, stage: ToneStage, from: &ToneStages) {
        self.switched = from.switched;
        self.matchers[stage as usize] = from.matchers[stage as usize];
        match stage {
            ToneStage::Cuts => (self.low_cut, self.high_cut) = (from.low_cut, from.high_cut),
            ToneStage::Limiter => self.limiter = from.limiter,
            ToneStage::Saturation => self.saturation = from.saturation,
            ToneStage::Eq => self.eq = from.eq,
            ToneStage::Punch => self.punch = from.punch,
            ToneStage::LowBand => (self.low_band, self.crossover) = (from.low_band, from.crossover),
            ToneStage::Colour => self.colour = from.colour,
        }
    }

    fn reset_stage(&mut self, stage: ToneStage) {
        self.matchers[stage as usize].reset();
        match stage {
            ToneStage::Cuts => self.low_cut.iter_mut().chain(&mut self.high_cut).for_each(Filter::reset),
            ToneStage::Limiter => self.limiter.reset(),
            ToneStage::Saturation => self.saturation.reset(),
            ToneStage::Eq => self.eq.iter_mut().for_each(Filter::reset),
            ToneStage::Punch => self.punch.reset(),
            ToneStage::LowBand => {
                self.low_band.reset();
                self.crossover.reset();
            }
            ToneStage::Colour => self.colour.reset(),
        }
    }

    /// See [`Saturation::draft`].
    pub fn draft(&mut self) {
        self.saturation.draft();
    }

    /// Measures loudness only while a stage is bypassed from now on.
    pub fn disable_loudness_matching(&mut self) {
        self.tracks_loudness = false;
    }

    /// Clears all state except the measured loudness.
    pub fn rest(&mut self) {
        let (matchers, whole) = (self.matchers, self.whole);
        self.reset();
        (self.matchers, self.whole) = (matchers, whole);
        self.matchers.iter_mut().chain([&mut self.whole]).for_each(LoudnessMatcher::rest);
    }

    /// Clears all state.
    pub fn reset(&mut self) {
        ToneStage::ALL.into_iter().for_each(|s| self.reset_stage(s));
        self.whole.reset();
    }

    /// Largest gain reduction of a stage since the last call, dB; 0 for stages that are off or bypassed, and for those
    /// that are not dynamics.
    pub fn take_reduction_db(&mut self, stage: ToneStage) -> f32 {
        let db = match stage {
            ToneStage::Limiter => self.limiter.take_reduction_db(),
            ToneStage::Colour => self.colour.take_reduction_db(),
            ToneStage::Punch => self.punch.compressor.take_reduction_db() * self.punch.amount,
            ToneStage::LowBand => self.low_band.compressor.take_reduction_db() * self.low_band.amount,
            _ => 0.0,
        };
        let s = &self.switched;
        let heard = s.on[stage as usize] && !s.bypassed[stage as usize] && !s.whole_bypassed;
        if heard { db } else { 0.0 }
    }
}

/// Replaces the wet signal by the dry one at the wet one's loudness.
fn match_dry(matcher: &mut LoudnessMatcher, dry: [&[f32]; 2], left: &mut [f32], right: &mut [f32]) {
    let mut ratios = [1.0f64; TONE_BLOCK];
    let ratios = &mut ratios[..left.len()];
    matcher.follow(dry, [left, right], ratios);
    for (i, ratio) in ratios.iter().enumerate() {
        let gain = (1.0 / ratio).sqrt() as f32;
        (left[i], right[i]) = (dry[0][i] * gain, dry[1][i] * gain);
    }
}

fn set_sections(filters: &mut [Filter; 2], sections: [EqSection; 2]) {
    for (f, s) in filters.iter_mut().zip(sections) {
        f.set(s);
    }
}

fn padded(values: &[f32]) -> [f32; 7] {
    std::array::from_fn(|i| values.get(i).copied().unwrap_or(0.0))
}

/// A compressor with an amount and a make-up gain.
#[derive(Debug, Clone, Copy)]
struct CompressorStage {
    compressor: Compressor,
    amount: f32,
    makeup: Glide,
}

impl CompressorStage {
    fn new(sample_rate: f64) -> Self {
        let curve = CompressorSettings::from(&crate::kit::Compressor::default());
        Self {
            compressor: Compressor::new(curve, sample_rate),
            amount: 1.0,
            makeup: Glide::new(1.0, (sample_rate * 0.01) as u32),
        }
    }

    /// Threshold, ratio, knee, attack, release, make-up gain and amount, as in [`SmoothedParams::punch`].
    fn set(&mut self, smoothed: [f32; 7]) {
        let [threshold_db, ratio, knee_db, attack, release, makeup_db, amount] = smoothed;
        self.compressor.set(CompressorSettings {
            threshold_db,
            ratio: ratio.exp2_libm(),
            knee_db,
            attack_ms: attack.exp2_libm(),
            release_ms: release.exp2_libm(),
        });
        self.amount = amount;
        self.makeup.set_target(db_to_gain(f64::from(makeup_db * amount)));
    }

    fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        let mut gains = [1.0f32; TONE_BLOCK];
        let gains = &mut gains[..left.len()];
        self.compressor.reductions_db(left, right, gains);
        for ((l, r), g) in left.iter_mut().zip(right).zip(gains) {
            let gain = exp2_fast(*g * self.amount * (-1.0 / 6.020_6)) * self.makeup.next_frame() as f32;
            (*l, *r) = (*l * gain, *r * gain);
        }
    }

    fn reset(&mut self) {
        self.compressor.reset();
        self.makeup.jump();
    }
}

/// 2 to a power, by `libm`: the same bits on every machine.
trait Exp2Libm {
    fn exp2_libm(self) -> Self;
}

impl Exp2Libm for f32 {
    fn exp2_libm(self) -> f32 {
        libm::exp2(f64::from(self)) as f32
    }
}

impl Exp2Libm for f64 {
    fn exp2_libm(self) -> f64 {
        libm::exp2(self)
    }
}
