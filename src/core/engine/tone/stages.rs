//! The stages of a tone chain and the sound inside them.

use super::settings::{EQ_FILTERS, Knobs, Switches};
use crate::{
    engine::dsp::{
        compressor::{Compressor, Curve},
        crossover::Crossover,
        eq::{Filter, Section},
        glide::Glide,
        limiter::Limiter,
        loudness::{Matcher, Power, SHORT_TERM_MS},
        math::{db_to_gain, exp2_fast},
        saturation::Saturation,
    },
    kit::{Character, Slope, Stage},
};

/// Most frames that one call processes.
pub const RUN: usize = 256;

/// Every stage, whether it is on or not. Plain data: copying it copies the sound inside.
#[derive(Debug, Clone, Copy)]
pub struct Stages {
    pub switches: Switches,
    sample_rate: f64,
    applied: Option<Knobs>,
    low_cut: [Filter; 2],
    high_cut: [Filter; 2],
    limiter: Limiter,
    saturation: Saturation,
    eq: [Filter; EQ_FILTERS],
    punch: Squeeze,
    low_band: Squeeze,
    crossover: Crossover,
    colour: Limiter,
    matchers: [Matcher; 7],
    whole: Matcher,
    /// Whether loudness is followed all the time.
    follows: bool,
}

impl Stages {
    pub fn new(sample_rate: f64) -> Self {
        let filter = Filter::new(Section::UNITY);
        Self {
            switches: Switches::default(),
            sample_rate,
            applied: None,
            low_cut: [filter; 2],
            high_cut: [filter; 2],
            limiter: Limiter::new(0.0, 60.0, 0.0, sample_rate),
            saturation: Saturation::new(sample_rate),
            eq: [filter; EQ_FILTERS],
            punch: Squeeze::new(sample_rate),
            low_band: Squeeze::new(sample_rate),
            crossover: Crossover::new(250.0, sample_rate),
            colour: Limiter::new(0.0, 60.0, 0.0, sample_rate),
            matchers: [Matcher::new(SHORT_TERM_MS, sample_rate); 7],
            whole: Matcher::new(SHORT_TERM_MS, sample_rate),
            follows: true,
        }
    }

    /// Takes settings into the filters; only what differs from the last ones is computed.
    pub fn apply(&mut self, knobs: &Knobs) {
        let rate = self.sample_rate;
        let old = self.applied.replace(*knobs);
        let differs = |part: &dyn Fn(&Knobs) -> [f32; 7]| old.is_none_or(|o| part(&o) != part(knobs));
        let cut_slopes = self.switches;
        // Slopes change only together with a crossfade, which applies everything anew.
        if differs(&|k| pad(&[k.low_cut])) {
            let fourth = cut_slopes.low_slope == Slope::TwentyFour;
            set(&mut self.low_cut, Section::low_cut(f64::from(knobs.low_cut).exp2_same(), fourth, rate));
        }
        if differs(&|k| pad(&[k.high_cut])) {
            let fourth = cut_slopes.high_slope == Slope::TwentyFour;
            set(&mut self.high_cut, Section::high_cut(f64::from(knobs.high_cut).exp2_same(), fourth, rate));
        }
        for i in 0..EQ_FILTERS {
            if differs(&|k| pad(&k.eq[i])) {
                self.eq[i].set(knobs.section(i, rate));
            }
        }
        if differs(&|k| pad(&k.limiter)) {
            let [threshold, release, makeup] = knobs.limiter;
            self.limiter.set(threshold, release.exp2_same(), makeup);
        }
        if differs(&|k| pad(&k.colour)) {
            let [threshold, release, makeup] = knobs.colour;
            self.colour.set(threshold, release.exp2_same(), makeup);
        }
        if differs(&|k| k.punch) {
            self.punch.set(knobs.punch);
        }
        if differs(&|k| k.low_band) {
            self.low_band.set(knobs.low_band);
        }
        if differs(&|k| pad(&[k.low_band_hz])) {
            self.crossover.set(knobs.low_band_hz.exp2_same());
        }
    }

    /// Takes switches and computes everything anew. Stages that were off begin silent.
    pub fn switch(&mut self, switches: Switches, knobs: &Knobs) {
        for (i, stage) in Stage::ALL.into_iter().enumerate() {
            if !self.switches.on[i] && switches.on[i] {
                self.reset_stage(stage);
            }
        }
        if self.switches.low_cut != switches.low_cut || self.switches.low_slope != switches.low_slope {
            self.low_cut.iter_mut().for_each(Filter::reset);
        }
        if self.switches.high_cut != switches.high_cut || self.switches.high_slope != switches.high_slope {
            self.high_cut.iter_mut().for_each(Filter::reset);
        }
        self.switches = switches;
        self.applied = None;
        self.apply(knobs);
    }

    /// Sets the saturation, which glides by itself.
    pub fn drive(&mut self, character: Character, drive_db: f32, mix: f32) {
        self.saturation.set(character, drive_db, mix);
    }

    /// Sends the frames through all stages; `ahead` is what follows them (overwritten), `scout` is
    /// used to look ahead and holds nothing between calls.
    pub fn process(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&mut [f32]; 2],
        scout: &mut Stages,
    ) {
        if !self.switches.whole_bypassed {
            if let Some((first, last)) = self.process_all(left, right, ahead, scout) {
                (self.whole.before, self.whole.after) = (first, last);
            }
            return;
        }
        let (mut dry_left, mut dry_right) = ([0.0f32; RUN], [0.0f32; RUN]);
        let n = left.len();
        dry_left[..n].copy_from_slice(left);
        dry_right[..n].copy_from_slice(right);
        self.process_all(left, right, ahead, scout);
        match_dry(&mut self.whole, [&dry_left[..n], &dry_right[..n]], left, right);
    }

    /// Powers of what went in and what came out, where the last stage is heard.
    fn process_all(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&mut [f32]; 2],
        scout: &mut Stages,
    ) -> Option<(Power, Power)> {
        let [ahead_left, ahead_right] = ahead;
        let order = self.switches.order;
        let on = self.switches.on;
        let looks = |s: &Stage| matches!(s, Stage::Limiter | Stage::Colour) && on[*s as usize];
        let limiters = order.iter().filter(|s| looks(s)).count();
        let mut to_come = limiters;
        let window = ahead_left.len().checked_div(limiters).unwrap_or(0);
        let mut known = window * limiters;
        let (mut first, mut power) = (None, None);
        for stage in order.into_iter().filter(|&s| on[s as usize]) {
            if looks(&stage) {
                let (al, ar) = (&mut ahead_left[..known], &mut ahead_right[..known]);
                power = self.process_followed(stage, left, right, [&al[..window], &ar[..window]], power);
                to_come -= 1;
                if to_come > 0 && window > 0 {
                    known -= window;
                    scout.copy_stage(stage, self);
                    let ((l, later_l), (r, later_r)) = (al.split_at_mut(known), ar.split_at_mut(known));
                    scout.process_long(stage, l, r, [later_l, later_r]);
                }
            } else {
                power = self.process_followed(stage, left, right, [&[], &[]], power);
                if to_come > 0 && window > 0 {
                    scout.copy_stage(stage, self);
                    let (l, r) = (&mut ahead_left[..known], &mut ahead_right[..known]);
                    scout.process_long(stage, l, r, [&[], &[]]);
                }
            }
            first = first.or(Some(self.matchers[stage as usize].before));
        }
        first.zip(power)
    }

    /// [`Stages::process_stage`], taking note of how loud the stage makes the sound, so that it can be bypassed at any
    /// time; up to [`RUN`] frames. `power` is that of the sound that comes in, where it has just been followed;
    /// returns that of the sound that goes out.
    fn process_followed(
        &mut self,
        stage: Stage,
        left: &mut [f32],
        right: &mut [f32],
        ahead: [&[f32]; 2],
        power: Option<Power>,
    ) -> Option<Power> {
        let i = stage as usize;
        if self.switches.bypassed[i] || !self.follows {
            self.process_stage(stage, left, right, ahead);
            return None;
        }
        match power {
            Some(power) => self.matchers[i].before = power,
            None => self.matchers[i].before.follow([left, right]),
        }
        self.work(stage, left, right, ahead);
        self.matchers[i].after.follow([left, right]);
        Some(self.matchers[i].after)
    }

    /// [`Stages::process_stage`] for any length; every frame looks equally far ahead.
    fn process_long(&mut self, stage: Stage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        let window = ahead[0].len();
        if matches!(stage, Stage::Limiter | Stage::Colour) && window > 0 {
            // The limiter cuts long stretches itself and sees over the cuts.
            return self.process_stage(stage, left, right, ahead);
        }
        for (l, r) in left.chunks_mut(RUN).zip(right.chunks_mut(RUN)) {
            self.process_stage(stage, l, r, [&[], &[]]);
        }
    }

    fn process_stage(&mut self, stage: Stage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        if !self.switches.bypassed[stage as usize] {
            return self.work(stage, left, right, ahead);
        }
        let window = ahead[0].len();
        let mut from = 0;
        while from < left.len() {
            let n = (left.len() - from).min(RUN);
            let (mut dry_left, mut dry_right) = ([0.0f32; RUN], [0.0f32; RUN]);
            dry_left[..n].copy_from_slice(&left[from..from + n]);
            dry_right[..n].copy_from_slice(&right[from..from + n]);
            let (l, later_l) = left[from..].split_at_mut(n);
            let (r, later_r) = right[from..].split_at_mut(n);
            // What follows the last run is `ahead`; before that it is the rest of the frames.
            let next = if later_l.len() >= window { [&later_l[..window], &later_r[..window]] } else { ahead };
            self.work(stage, l, r, next);
            match_dry(&mut self.matchers[stage as usize], [&dry_left[..n], &dry_right[..n]], l, r);
            from += n;
        }
    }

    fn work(&mut self, stage: Stage, left: &mut [f32], right: &mut [f32], ahead: [&[f32]; 2]) {
        match stage {
            Stage::Cuts => {
                let s = self.switches;
                for (on, slope, filters) in [
                    (s.low_cut, s.low_slope, &mut self.low_cut),
                    (s.high_cut, s.high_slope, &mut self.high_cut),
                ] {
                    let sections = if slope == Slope::TwentyFour { 2 } else { 1 };
                    if on {
                        filters[..sections].iter_mut().for_each(|f| f.process(left, right));
                    }
                }
            }
            Stage::Limiter => self.limiter.process(left, right, ahead),
            Stage::Saturation => self.saturation.process(left, right),
            Stage::Eq => {
                for (filter, _) in self.eq.iter_mut().zip(self.switches.eq).filter(|(_, on)| *on) {
                    filter.process(left, right);
                }
            }
            Stage::Punch => self.punch.process(left, right),
            Stage::LowBand => {
                let (mut low_left, mut low_right) = ([0.0f32; RUN], [0.0f32; RUN]);
                let n = left.len();
                let (ll, lr) = (&mut low_left[..n], &mut low_right[..n]);
                self.crossover.split(left, right, [ll, lr]);
                self.low_band.process(ll, lr);
                for ((l, r), (bl, br)) in left.iter_mut().zip(right).zip(ll.iter().zip(lr.iter())) {
                    (*l, *r) = (*l + bl, *r + br);
                }
            }
            Stage::Colour => self.colour.process(left, right, ahead),
        }
    }

    fn copy_stage(&mut self, stage: Stage, from: &Stages) {
        self.switches = from.switches;
        self.matchers[stage as usize] = from.matchers[stage as usize];
        match stage {
            Stage::Cuts => (self.low_cut, self.high_cut) = (from.low_cut, from.high_cut),
            Stage::Limiter => self.limiter = from.limiter,
            Stage::Saturation => self.saturation = from.saturation,
            Stage::Eq => self.eq = from.eq,
            Stage::Punch => self.punch = from.punch,
            Stage::LowBand => (self.low_band, self.crossover) = (from.low_band, from.crossover),
            Stage::Colour => self.colour = from.colour,
        }
    }

    fn reset_stage(&mut self, stage: Stage) {
        self.matchers[stage as usize].reset();
        match stage {
            Stage::Cuts => self.low_cut.iter_mut().chain(&mut self.high_cut).for_each(Filter::reset),
            Stage::Limiter => self.limiter.reset(),
            Stage::Saturation => self.saturation.reset(),
            Stage::Eq => self.eq.iter_mut().for_each(Filter::reset),
            Stage::Punch => self.punch.reset(),
            Stage::LowBand => {
                self.low_band.reset();
                self.crossover.reset();
            }
            Stage::Colour => self.colour.reset(),
        }
    }

    /// See [`Saturation::draft`].
    pub fn draft(&mut self) {
        self.saturation.draft();
    }

    /// From now on loudness is only followed where a stage is bypassed already.
    pub fn follow_no_more(&mut self) {
        self.follows = false;
    }

    /// Forgets all sound but how loud each stage made it.
    pub fn rest(&mut self) {
        let (matchers, whole) = (self.matchers, self.whole);
        self.reset();
        (self.matchers, self.whole) = (matchers, whole);
        self.matchers.iter_mut().chain([&mut self.whole]).for_each(Matcher::rest);
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        Stage::ALL.into_iter().for_each(|s| self.reset_stage(s));
        self.whole.reset();
    }

    /// Largest gain reduction of a stage since the last call, dB; 0 for stages that are off, bypassed or
    /// have none.
    pub fn take_reduction_db(&mut self, stage: Stage) -> f32 {
        let db = match stage {
            Stage::Limiter => self.limiter.take_reduction_db(),
            Stage::Colour => self.colour.take_reduction_db(),
            Stage::Punch => self.punch.compressor.take_reduction_db() * self.punch.amount,
            Stage::LowBand => self.low_band.compressor.take_reduction_db() * self.low_band.amount,
            _ => 0.0,
        };
        let s = &self.switches;
        let heard = s.on[stage as usize] && !s.bypassed[stage as usize] && !s.whole_bypassed;
        if heard { db } else { 0.0 }
    }
}

/// The dry sound at the loudness of what the stages made of it.
fn match_dry(matcher: &mut Matcher, dry: [&[f32]; 2], left: &mut [f32], right: &mut [f32]) {
    let mut ratios = [1.0f64; RUN];
    let ratios = &mut ratios[..left.len()];
    matcher.follow(dry, [left, right], ratios);
    for (i, ratio) in ratios.iter().enumerate() {
        let gain = (1.0 / ratio).sqrt() as f32;
        (left[i], right[i]) = (dry[0][i] * gain, dry[1][i] * gain);
    }
}

fn set(filters: &mut [Filter; 2], sections: [Section; 2]) {
    for (f, s) in filters.iter_mut().zip(sections) {
        f.set(s);
    }
}

fn pad(values: &[f32]) -> [f32; 7] {
    std::array::from_fn(|i| values.get(i).copied().unwrap_or(0.0))
}

/// A compressor with an amount and a gain afterwards.
#[derive(Debug, Clone, Copy)]
struct Squeeze {
    compressor: Compressor,
    amount: f32,
    makeup: Glide,
}

impl Squeeze {
    fn new(sample_rate: f64) -> Self {
        let curve = Curve::from(&crate::kit::Compressor::default());
        Self {
            compressor: Compressor::new(curve, sample_rate),
            amount: 1.0,
            makeup: Glide::new(1.0, (sample_rate * 0.01) as u32),
        }
    }

    /// Threshold, ratio, knee, attack and release (ratio and times as powers of two), gain after,
    /// amount.
    fn set(&mut self, knobs: [f32; 7]) {
        let [threshold_db, ratio, knee_db, attack, release, makeup_db, amount] = knobs;
        self.compressor.set(Curve {
            threshold_db,
            ratio: ratio.exp2_same(),
            knee_db,
            attack_ms: attack.exp2_same(),
            release_ms: release.exp2_same(),
        });
        self.amount = amount;
        self.makeup.aim(db_to_gain(f64::from(makeup_db * amount)));
    }

    fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        let mut gains = [1.0f32; RUN];
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

/// 2 to a power with the same bits on every machine.
trait Exp2Same {
    fn exp2_same(self) -> Self;
}

impl Exp2Same for f32 {
    fn exp2_same(self) -> f32 {
        libm::exp2(f64::from(self)) as f32
    }
}

impl Exp2Same for f64 {
    fn exp2_same(self) -> f64 {
        libm::exp2(self)
    }
}
