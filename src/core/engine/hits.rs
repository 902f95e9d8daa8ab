//! The hits that sound and their readings: fixed pools, linked by index, stolen with a fade.

use super::{
    foresight::{Foresight, Ring},
    play_kit::PlayKit,
    ramp::Ramp,
    reading::{Around, RUN, Reading, Scratch},
};

/// Hits sounding at most, apart from those that fade.
pub(super) const MAX_HITS: usize = 64;
/// Copies sounding or waiting at most, apart from those that fade.
pub(super) const MAX_COPIES: usize = 768;
/// Room for the hits and readings that fade.
const FADING_HITS: usize = 64;
const READINGS: usize = MAX_HITS * crate::kit::LAYERS + MAX_COPIES + 512;
/// Readings that have come to their end ahead of what is heard and wait there.
const ENDED: usize = READINGS;
/// No reading, no hit.
pub(super) const NONE: u16 = u16::MAX;
/// Fade of what is stolen, choked or left behind, ms.
pub(super) const FADE_MS: f64 = 4.0;

/// One stroke: its layers and copies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Hit {
    pub layers: u16,
    pub copies: u16,
    copy_count: u16,
    /// Readings that have not come to their end.
    alive: u16,
    pub fade: Option<Ramp>,
    held: bool,
    active: bool,
    pub foresight: Foresight,
    /// Frame at which its readings were found to have ended, while its ring still sounds.
    pub drains: Option<u64>,
}

impl Hit {
    const IDLE: Self = Self {
        layers: NONE,
        copies: NONE,
        copy_count: 0,
        alive: 0,
        fade: None,
        held: false,
        active: false,
        foresight: Foresight::NONE,
        drains: None,
    };
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Slot {
    pub reading: Reading,
    pub next: u16,
    /// Frame from which on nothing of it is heard; `u64::MAX` while it sounds.
    pub over: u64,
}

/// Every hit and reading of an engine.
#[derive(Debug)]
pub(super) struct Hits {
    pub hits: Vec<Hit>,
    pub slots: Vec<Slot>,
    /// Each slot's reading as it was at its hit's two marks.
    pub marked: Vec<[Reading; 2]>,
    free: u16,
    /// Readings that sound. One that ended ahead may come back (`rewind`), so this may pass [`READINGS`] for a moment.
    sounding: usize,
    fade_frames: u32,
    pub rings: Vec<Ring>,
}

/// Where a hit is put out, and what is known of the frames after.
pub(super) struct Onto<'a> {
    pub now: [&'a mut [f32]; 2],
    /// Empty when nobody looks ahead.
    pub ahead: [&'a mut [f32]; 2],
}

/// Which readings of a hit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    Layers,
    Copies,
}

impl Hits {
    /// For readings that run at most `most_ahead` frames ahead.
    pub fn new(sample_rate: f64, most_ahead: usize) -> Self {
        let ring = || vec![0.0; most_ahead + RUN];
        let mut new = Self {
            hits: vec![Hit::IDLE; MAX_HITS + FADING_HITS],
            slots: Vec::with_capacity(READINGS + ENDED),
            marked: Vec::with_capacity(READINGS + ENDED),
            free: NONE,
            sounding: 0,
            fade_frames: (FADE_MS * sample_rate / 1000.0).round() as u32,
            rings: (0..MAX_HITS + FADING_HITS)
                .map(|_| std::array::from_fn(|_| std::array::from_fn(|_| ring())))
                .collect(),
        };
        new.clear();
        new
    }

    /// Forgets everything at once.
    pub fn clear(&mut self) {
        self.hits.iter_mut().for_each(|h| h.active = false);
        // Slots are made when first needed: a fresh engine touches no memory of those it never uses.
        self.slots.clear();
        self.marked.clear();
        self.free = NONE;
        self.sounding = 0;
    }

    /// A hit without readings that starts at frame `now` and runs `ahead` frames ahead; `None` only when more
    /// than [`FADING_HITS`] fade at once.
    pub fn start(&mut self, held: bool, ahead: usize, now: u64) -> Option<u16> {
        let id = self.hits.iter().position(|h| !h.active)?;
        self.hits[id] = Hit { held, foresight: Foresight::new(ahead, now), active: true, ..Hit::IDLE };
        Some(id as u16)
    }

    /// Adds a reading to a hit; `false` when there is no room for it.
    pub fn add(&mut self, hit: u16, part: Part, reading: Reading) -> bool {
        let full = self.free == NONE && self.slots.len() == READINGS + ENDED;
        if self.sounding >= READINGS || full {
            return false;
        }
        let slot = Slot { reading, next: NONE, over: u64::MAX };
        let id = if self.free == NONE {
            self.slots.push(slot);
            self.marked.push([reading; 2]);
            (self.slots.len() - 1) as u16
        } else {
            let id = self.free;
            self.free = self.slots[id as usize].next;
            self.slots[id as usize] = slot;
            self.marked[id as usize] = [reading; 2];
            id
        };
        let h = &mut self.hits[hit as usize];
        let head = if part == Part::Layers { &mut h.layers } else { &mut h.copies };
        self.slots[id as usize].next = std::mem::replace(head, id);
        self.count(hit, part, true);
        true
    }

    /// A reading of a hit begins to sound, or ends.
    pub fn count(&mut self, hit: u16, part: Part, begins: bool) {
        let h = &mut self.hits[hit as usize];
        let step = |n: u16| if begins { n + 1 } else { n - 1 };
        h.alive = step(h.alive);
        if part == Part::Copies {
            h.copy_count = step(h.copy_count);
        }
        self.sounding = if begins { self.sounding + 1 } else { self.sounding - 1 };
    }

    /// Adds the next frames of a hit to `layers` and `copies`; readings that ended are given back.
    pub fn add_to<'a>(
        &mut self,
        hit: u16,
        around: (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        own: &mut [Vec<f32>; 2],
        layers: &mut Onto<'a>,
        copies: &mut Onto<'a>,
    ) {
        let h = self.hits[hit as usize];
        if h.foresight.ahead > 0 {
            self.run_ahead(hit, around, scratch, [layers, copies]);
            return;
        }
        for (part, onto) in [(Part::Layers, layers), (Part::Copies, copies)] {
            if self.first(hit, part) == NONE {
                continue;
            }
            let [left, right] = &mut onto.now;
            let Some(fade) = h.fade else {
                self.add_readings(hit, part, around, scratch, [left, right]);
                continue;
            };
            let n = left.len();
            let [a, b] = own;
            let (a, b) = (&mut a[..n], &mut b[..n]);
            a.fill(0.0);
            b.fill(0.0);
            self.add_readings(hit, part, around, scratch, [a, b]);
            fade.add_scaled(around.2, a, left);
            fade.add_scaled(around.2, b, right);
        }
    }

    pub fn first(&self, hit: u16, part: Part) -> u16 {
        let h = &self.hits[hit as usize];
        if part == Part::Layers { h.layers } else { h.copies }
    }

    /// Adds the next frames of a hit's readings, the first of which is the absolute frame `now`.
    pub fn add_readings(
        &mut self,
        hit: u16,
        part: Part,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        [left, right]: [&mut [f32]; 2],
    ) {
        let waits = self.hits[hit as usize].foresight.ahead > 0;
        let end = now + left.len() as u64;
        let mut some_ended = false;
        let mut link = self.first(hit, part);
        while link != NONE {
            let slot = &mut self.slots[link as usize];
            let next = slot.next;
            if slot.over == u64::MAX {
                let around = Around { channels: kit.channels(slot.reading.take()), bend, now };
                slot.reading.add_to(&around, scratch, [left, right]);
                if slot.reading.is_done() {
                    slot.over = end;
                    some_ended = true;
                    self.count(hit, part, false);
                }
            }
            link = next;
        }
        if some_ended && !waits {
            self.give_back_ended(hit, part, end);
        }
    }

    /// Gives back the readings of a hit of which nothing is heard from frame `now` on.
    pub fn give_back_ended(&mut self, hit: u16, part: Part, now: u64) {
        let mut link = self.first(hit, part);
        let (mut kept, mut last) = (NONE, NONE);
        while link != NONE {
            let slot = &mut self.slots[link as usize];
            let next = slot.next;
            if slot.over <= now {
                slot.next = self.free;
                self.free = link;
            } else {
                if last == NONE {
                    kept = link;
                } else {
                    self.slots[last as usize].next = link;
                }
                last = link;
            }
            link = next;
        }
        if last != NONE {
            self.slots[last as usize].next = NONE;
        }
        let h = &mut self.hits[hit as usize];
        *(if part == Part::Layers { &mut h.layers } else { &mut h.copies }) = kept;
    }

    /// After the frames before `now`: gives back a hit that has ended; `true` when it has. The ring of one
    /// that runs ahead is only found empty when `look` says that `now` lies on the grid of looks, so that
    /// the chunks do not matter.
    pub fn ended(&mut self, hit: u16, now: u64, look: bool) -> bool {
        let h = &self.hits[hit as usize];
        if h.fade.is_some_and(|f| f.end() <= now) {
            self.drop_now(hit);
            return true;
        }
        let h = &mut self.hits[hit as usize];
        if h.alive > 0 {
            return false;
        }
        if h.foresight.ahead == 0 {
            h.active = false;
        } else if look {
            let since = *h.drains.get_or_insert(now);
            h.active = now < since + h.foresight.ahead as u64;
        }
        if !self.hits[hit as usize].active {
            self.give_back(hit);
            return true;
        }
        false
    }

    fn give_back(&mut self, hit: u16) {
        for part in [Part::Layers, Part::Copies] {
            let mut link = self.first(hit, part);
            while link != NONE {
                let slot = &mut self.slots[link as usize];
                let (next, sounds) = (slot.next, slot.over == u64::MAX);
                slot.next = self.free;
                self.free = link;
                if sounds {
                    self.count(hit, part, false);
                }
                link = next;
            }
        }
        let h = &mut self.hits[hit as usize];
        (h.layers, h.copies) = (NONE, NONE);
    }

    /// Fades a hit out from frame `now` on.
    pub fn fade(&mut self, hit: u16, now: u64) {
        let h = &mut self.hits[hit as usize];
        if h.fade.is_none() {
            h.fade = Some(Ramp::between(1.0, 0.0, now, self.fade_frames));
        }
    }

    /// Ends a hit at once: its side is silent.
    pub fn drop_now(&mut self, hit: u16) {
        self.give_back(hit);
        self.hits[hit as usize].active = false;
    }

    /// Frames of every fade.
    pub fn fade_frames(&self) -> u32 {
        self.fade_frames
    }

    /// Whether copies of a hit sound or wait.
    pub fn has_copies(&self, hit: u16) -> bool {
        let h = &self.hits[hit as usize];
        // A ring may hold the end of copies that are gone.
        h.copy_count > 0 || h.foresight.ahead > 0
    }

    /// The key is let go before the next frame: a held hit is released where its readings are, so one that runs
    /// ahead is to go back first.
    pub fn release(&mut self, hit: u16) {
        let h = &mut self.hits[hit as usize];
        if !std::mem::take(&mut h.held) {
            return;
        }
        for head in [h.layers, h.copies] {
            let mut link = head;
            while link != NONE {
                let slot = &mut self.slots[link as usize];
                slot.reading.release();
                link = slot.next;
            }
        }
    }

    /// Whether the hit waits for its key to be let go.
    pub fn is_held(&self, hit: u16) -> bool {
        self.hits[hit as usize].held
    }

    /// Makes room for one more hit with so many copies: fades the quietest until it fits.
    pub fn make_room(&mut self, copies: usize, now: u64) {
        loop {
            let active = || self.hits.iter().enumerate().filter(|(_, h)| h.active && h.fade.is_none());
            let sounding: usize = active().map(|(_, h)| usize::from(h.copy_count)).sum();
            let too_many_hits = active().count() >= MAX_HITS;
            if !too_many_hits && (copies == 0 || sounding + copies <= MAX_COPIES) {
                return;
            }
            let quietest = active()
                .filter(|(_, h)| too_many_hits || h.copy_count > 0)
                .map(|(id, _)| (self.loudness(id as u16), id as u16))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, id)) = quietest else { return };
            self.fade(id, now);
        }
    }

    fn loudness(&self, hit: u16) -> f32 {
        let h = &self.hits[hit as usize];
        let mut loudest = 0.0_f32;
        for head in [h.layers, h.copies] {
            let mut link = head;
            while link != NONE {
                let slot = &self.slots[link as usize];
                if slot.over == u64::MAX {
                    loudest = loudest.max(slot.reading.loudness());
                }
                link = slot.next;
            }
        }
        loudest
    }

    /// Readings in use.
    pub fn voices(&self) -> usize {
        self.sounding
    }
}
