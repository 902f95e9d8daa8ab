//! One pad at work: its hits, its cloud's diffusion, its tone chain, its place in the mix.
//!
//! A pad has two sides. A kit that changes the pad fades the side that sounds and starts the other one,
//! so that neither settings nor takes ever change under a sounding hit.

use super::{
    diffuser::Diffuser,
    hits::{Hits, Onto},
    play_kit::{PlayKit, pan},
    ramp::Ramp,
    reading::Scratch,
    strike::{Drawn, Stroke},
    tone::{Reductions, ToneChain},
    variation::{Counter, Song},
};
use crate::{
    kit::{Tone, Trims},
    settings::{KitTrims, PadTrims},
};

/// Everything softer than this is silence: -120 dBFS.
const SILENCE: f32 = 1e-6;
/// So long must a pad be silent before it stops, ms: longer than the gaps in a diffuser's echo.
const REST_MS: f64 = 80.0;
/// A pitch that has rested for so long is heard on its frame when it moves, ms; one that keeps moving is heard as
/// late as hits run ahead.
const BEND_REST_MS: f64 = 20.0;
/// Time in which trims glide, ms.
pub(super) const GLIDE_MS: f64 = 8.0;

/// One side: a kit's version of the pad.
#[derive(Debug)]
struct Side {
    /// Slot of its kit.
    kit: Option<usize>,
    hits: Vec<u16>,
    chain: ToneChain,
    diffuser: Diffuser,
    /// Fades to 0 when another kit takes over.
    stay: Ramp,
    /// Peak since the last look, and frames of silence.
    peak: f32,
    rested: u64,
    /// Whether it may still sound.
    busy: bool,
    /// Frames that its limiters look ahead: so far ahead its hits are rendered, without delaying them.
    ahead: usize,
}

/// One of the sixteen pads.
#[derive(Debug)]
pub(super) struct Pad {
    index: usize,
    sides: [Side; 2],
    current: usize,
    counter: Counter,
    trims: PadTrims,
    gains: [Ramp; 2],
    in_main: Ramp,
    cloud_gain: Ramp,
    bend: Ramp,
    /// Frame of the bend's last move.
    bent: Option<u64>,
    sample_rate: f64,
}

/// Buffers shared by all pads.
#[derive(Debug)]
pub(super) struct Buffers {
    pub scratch: Scratch,
    own: [Vec<f32>; 2],
    dry: [Vec<f32>; 2],
    cloud: [Vec<f32>; 2],
    ahead: [Vec<f32>; 2],
    cloud_ahead: [Vec<f32>; 2],
}

impl Buffers {
    pub fn new(frames: usize, ahead: usize) -> Self {
        let pair = |n: usize| [vec![0.0; n], vec![0.0; n]];
        Self {
            scratch: Scratch::default(),
            own: pair(frames),
            dry: pair(frames),
            cloud: pair(frames),
            ahead: pair(ahead),
            cloud_ahead: pair(ahead),
        }
    }
}

/// Kits by slot.
pub(super) type Kits = [Option<std::sync::Arc<PlayKit>>];

impl Pad {
    pub fn new(index: usize, sample_rate: f64) -> Self {
        Self {
            index,
            sides: [Side::new(sample_rate), Side::new(sample_rate)],
            current: 0,
            counter: Counter::default(),
            trims: PadTrims::default(),
            gains: [Ramp::still(1.0); 2],
            in_main: Ramp::still(1.0),
            cloud_gain: Ramp::still(1.0),
            bend: Ramp::still(0.0),
            bent: None,
            sample_rate,
        }
    }

    /// See [`ToneChain::draft`].
    pub fn draft(&mut self) {
        self.sides.iter_mut().for_each(|s| s.chain.draft());
    }

    /// See [`ToneChain::follow_no_more`].
    pub fn follow_no_more(&mut self) {
        self.sides.iter_mut().for_each(|s| s.chain.follow_no_more());
    }

    /// Silences it at once and counts anew; kit and trims stay. Its hits are cleared by the caller.
    pub fn reset(&mut self) {
        for side in &mut self.sides {
            side.stop();
        }
        self.sides[1 - self.current].kit = None;
        self.counter = Counter::default();
        self.bent = None;
        for ramp in self.gains.iter_mut().chain([&mut self.in_main, &mut self.cloud_gain, &mut self.bend]) {
            *ramp = Ramp::still(ramp.target());
        }
    }

    /// Whether it may sound.
    pub fn is_busy(&self) -> bool {
        self.sides.iter().any(|s| s.busy)
    }

    /// Whether a side of it needs the kit in `slot`.
    pub fn uses(&self, slot: usize) -> bool {
        self.sides.iter().any(|s| s.kit == Some(slot))
    }

    /// Frame until which the side left behind still fades; `None` when it is free.
    pub fn leaving_until(&self) -> Option<u64> {
        let other = &self.sides[1 - self.current];
        other.kit.map(|_| other.stay.end())
    }

    /// Goes over to the kit in `slot`. The other side must be free unless the pad is the same in both.
    pub fn adopt(&mut self, slot: usize, kits: &Kits, hits: &mut Hits, now: u64) {
        let Some(kit) = &kits[slot] else { return };
        let old = self.sides[self.current].kit;
        if old.and_then(|o| kits[o].as_ref()).is_some_and(|o| o.same_pad(kit, self.index)) {
            self.sides[self.current].kit = Some(slot);
            return;
        }
        let side = &mut self.sides[self.current];
        if side.busy {
            side.stay.go(0.0, now, hits.fade_frames());
            for &hit in &side.hits {
                hits.fade(hit, now);
            }
            self.current = 1 - self.current;
        }
        let side = &mut self.sides[self.current];
        side.stop();
        side.kit = Some(slot);
        side.stay = Ramp::still(1.0);
        self.tune(kits);
    }

    /// Takes trims; what can glide does so within `frames`, at once when 0.
    pub fn set_trims(
        &mut self,
        trims: &Trims,
        kits: &Kits,
        (hits, scratch): (&mut Hits, &mut Scratch),
        now: u64,
        frames: u32,
    ) {
        let new = trims.pads[self.index];
        let changed = new != self.trims;
        self.trims = new;
        let solo = trims.pads.iter().any(|p| p.solo);
        let heard = !new.mute && (new.solo || !solo);
        let gain = |db: f32| if db == 0.0 { 1.0 } else { crate::units::db_to_gain(db) };
        let level = if heard { gain(new.level_db) } else { 0.0 };
        for (ramp, side) in self.gains.iter_mut().zip(pan(f64::from(new.pan))) {
            ramp.go(level * side, now, frames);
        }
        self.in_main.go(if new.in_main { 1.0 } else { 0.0 }, now, frames);
        self.cloud_gain.go(gain(new.cloud_db), now, frames);
        let bend = new.pitch_st + new.fine_ct / 100.0 + trims.kit.pitch_st;
        if bend != self.bend.target() {
            // What was rendered ahead knew nothing of it.
            let rest = (BEND_REST_MS * self.sample_rate / 1000.0) as u64;
            let rested = self.bent.is_none_or(|at| now >= at + rest);
            for side in &self.sides {
                let Some(kit) = side.kit.and_then(|k| kits[k].as_ref()) else { continue };
                for &hit in &side.hits {
                    if rested {
                        hits.rewind(hit, (kit, &self.bend, now), scratch);
                    }
                    hits.mark(hit, now);
                }
            }
            self.bent = Some(now);
            self.bend.go(bend, now, frames);
        }
        if changed {
            let side = &mut self.sides[self.current];
            if side.busy && frames > 0 {
                if let Some(kit) = side.kit.and_then(|k| kits[k].as_ref()) {
                    let pad = &kit.pads[self.index];
                    side.chain.set(&pad.pad.tone, &self.trims, note(pad.note_hz, self.bend.target()));
                }
            } else {
                self.tune(kits);
            }
        }
    }

    /// Passes stages of its tone chain by, or no longer; bit 0 is the first of [`Stage`].
    pub fn bypass(&mut self, stages: u8) {
        for stage in Tone::ORDER {
            for side in &mut self.sides {
                side.chain.bypass(stage, stages & (1 << stage as u8) != 0);
            }
        }
    }

    /// Sets the silent chain of the current side.
    fn tune(&mut self, kits: &Kits) {
        let side = &mut self.sides[self.current];
        if let Some(kit) = side.kit.and_then(|k| kits[k].as_ref()) {
            let pad = &kit.pads[self.index];
            side.chain.set_now(&pad.pad.tone, &self.trims, note(pad.note_hz, self.bend.target()));
            side.ahead = side.chain.lookahead();
        }
    }

    /// Starts a hit; what was drawn, or `None` when the pad has nothing to play.
    pub fn strike(
        &mut self,
        velocity: f32,
        (kits, kit_trims, song): (&Kits, &KitTrims, &Song),
        hits: &mut Hits,
        now: u64,
    ) -> Option<Drawn> {
        let side = &mut self.sides[self.current];
        let kit = side.kit.and_then(|k| kits[k].as_ref())?;
        let stroke = Stroke {
            kit,
            pad: self.index,
            trims: &self.trims,
            kit_trims,
            song,
            bend: &self.bend,
            now,
            sample_rate: self.sample_rate,
            velocity,
            ahead: side.ahead,
        };
        let (hit, drawn) = stroke.start(&mut self.counter, hits)?;
        if side.hits.len() < side.hits.capacity() {
            side.hits.push(hit);
        }
        side.busy = true;
        side.rested = 0;
        Some(drawn)
    }

    /// The key is let go before frame `now`.
    pub fn release(&mut self, kits: &Kits, hits: &mut Hits, scratch: &mut Scratch, now: u64) {
        let side = &self.sides[self.current];
        let Some(kit) = side.kit.and_then(|k| kits[k].as_ref()) else { return };
        for &hit in &side.hits {
            if hits.is_held(hit) {
                hits.rewind(hit, (kit, &self.bend, now), scratch);
                hits.release(hit);
                hits.mark(hit, now);
            }
        }
    }

    /// Fades all hits out.
    pub fn choke(&mut self, hits: &mut Hits, now: u64) {
        self.sides[self.current].hits.iter().for_each(|&h| hits.fade(h, now));
    }

    /// Largest gain reductions of the side that plays since the last call.
    pub fn take_reductions(&mut self) -> Reductions {
        self.sides[self.current].chain.take_reductions()
    }

    /// The pad's choke group; 0 is none.
    pub fn choke_group(&self, kits: &Kits) -> u8 {
        let kit = self.sides[self.current].kit.and_then(|k| kits[k].as_ref());
        kit.map_or(0, |k| k.pads[self.index].pad.settings.choke_group)
    }

    /// Writes the next frames of the pad, after its place in the mix but before any ceiling, to `out`,
    /// and adds them to `main` as far as they belong there.
    pub fn render(
        &mut self,
        kits: &Kits,
        hits: &mut Hits,
        buffers: &mut Buffers,
        now: u64,
        out: [&mut [f32]; 2],
        main: [&mut [f32]; 2],
    ) {
        let n = out[0].len();
        let [left, right] = out;
        left.fill(0.0);
        right.fill(0.0);
        for side in &mut self.sides {
            let Some(kit) = side.kit.and_then(|k| kits[k].as_ref()).filter(|_| side.busy) else { continue };
            let trims = (&self.bend, &self.cloud_gain);
            side.render((kit, self.index), trims, hits, buffers, now, n);
            let gains = kit.pads[self.index].gains;
            for ((out, dry), gain) in [&mut *left, &mut *right].into_iter().zip(&mut buffers.dry).zip(gains) {
                let dry = &mut dry[..n];
                if gain != 1.0 {
                    dry.iter_mut().for_each(|x| *x *= gain);
                }
                side.stay.add_scaled(now, dry, out);
            }
        }
        self.gains[0].scale(now, left);
        self.gains[1].scale(now, right);
        let [main_left, main_right] = main;
        self.in_main.add_scaled(now, left, main_left);
        self.in_main.add_scaled(now, right, main_right);
    }

    /// After the frames before `now`: gives back what has ended. On the grid of rests (`look`, every so
    /// many frames) a side that has long been silent stops.
    pub fn tidy(&mut self, hits: &mut Hits, now: u64, look: Option<u64>) {
        for (s, side) in self.sides.iter_mut().enumerate() {
            side.hits.retain(|&h| !hits.ended(h, now, look.is_some()));
            if s != self.current && side.kit.is_some() && (!side.busy || side.stay.end() <= now) {
                side.hits.iter().for_each(|&h| hits.drop_now(h));
                side.stop();
                side.kit = None;
            }
            if let Some(frames) = look.filter(|_| side.busy) {
                side.look(frames, (REST_MS * self.sample_rate / 1000.0) as u64);
            }
        }
    }
}

/// The first `n` frames of both channels, silent.
fn cut(buffers: &mut [Vec<f32>; 2], n: usize) -> [&mut [f32]; 2] {
    let [left, right] = buffers;
    let pair = [&mut left[..n], &mut right[..n]];
    pair.map(|channel| {
        channel.fill(0.0);
        channel
    })
}

/// The fundamental after the trims' pitch.
fn note(hz: Option<f32>, bend: f32) -> Option<f32> {
    hz.map(|hz| hz * libm::exp2f(bend / 12.0))
}

impl Side {
    fn new(sample_rate: f64) -> Self {
        Self {
            kit: None,
            hits: Vec::with_capacity(128),
            chain: ToneChain::new(sample_rate),
            diffuser: Diffuser::new(sample_rate),
            stay: Ramp::still(1.0),
            peak: 0.0,
            rested: 0,
            busy: false,
            ahead: 0,
        }
    }

    /// Stops as good as new.
    fn stop(&mut self) {
        self.rest();
        self.chain.reset();
    }

    /// Stops, and comes back as it was.
    fn rest(&mut self) {
        self.hits.clear();
        self.chain.rest();
        self.diffuser.clear();
        self.peak = 0.0;
        self.rested = 0;
        self.busy = false;
    }

    /// Leaves the side's sound, through its tone chain, in `buffers.dry`.
    fn render(
        &mut self,
        (kit, index): (&PlayKit, usize),
        (bend, cloud_gain): (&Ramp, &Ramp),
        hits: &mut Hits,
        buffers: &mut Buffers,
        now: u64,
        n: usize,
    ) {
        let far = self.ahead;
        let Buffers { scratch, own, dry, cloud, ahead, cloud_ahead } = buffers;
        let mut layers = Onto { now: cut(dry, n), ahead: cut(ahead, far) };
        let mut copies = Onto { now: cut(cloud, n), ahead: cut(cloud_ahead, far) };
        let mut clouded = self.diffuser.busy;
        for &hit in &self.hits {
            clouded |= hits.has_copies(hit);
            hits.add_to(hit, (kit, bend, now), scratch, own, &mut layers, &mut copies);
        }
        let [l, r] = layers.now;
        let [al, ar] = layers.ahead;
        if clouded {
            let [cl, cr] = copies.now;
            let diffusion = kit.pads[index].pad.cloud.diffusion;
            if diffusion > 0.0 {
                self.diffuser.process(diffusion, [&mut *cl, &mut *cr]);
            }
            cloud_gain.add_scaled(now, cl, l);
            cloud_gain.add_scaled(now, cr, r);
            let [fl, fr] = copies.ahead;
            if diffusion > 0.0 {
                self.diffuser.peek(diffusion, [&mut *fl, &mut *fr]);
            }
            cloud_gain.add_scaled(now + n as u64, fl, al);
            cloud_gain.add_scaled(now + n as u64, fr, ar);
        }
        self.chain.process(l, r, [al, ar]);
        let sum: f32 = l.iter().chain(r.iter()).map(|x| x * 0.0).sum();
        if sum != 0.0 {
            // Not finite: never in the output, and nothing of it stays inside.
            l.fill(0.0);
            r.fill(0.0);
            self.chain.reset();
            self.diffuser.clear();
        }
        self.peak = l.iter().chain(r.iter()).fold(self.peak, |p, x| p.max(x.abs()));
    }

    /// Stops after a long enough rest.
    fn look(&mut self, frames: u64, rest: u64) {
        let silent = std::mem::take(&mut self.peak) < SILENCE && self.hits.is_empty();
        self.rested = if silent { self.rested + frames } else { 0 };
        let empty = self.hits.is_empty() && self.chain.is_idle() && !self.diffuser.busy;
        if empty || self.rested >= rest {
            self.rest();
        }
    }
}
