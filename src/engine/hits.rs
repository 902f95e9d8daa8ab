//! The hits that sound and their readings: fixed pools, linked by index, stolen with a fade.

use super::{
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
/// No reading, no hit.
const NONE: u16 = u16::MAX;
/// Fade of what is stolen, choked or left behind, ms.
pub(super) const FADE_MS: f64 = 4.0;

/// One stroke: its layers and copies.
#[derive(Debug, Clone, Copy)]
struct Hit {
    layers: u16,
    copies: u16,
    copy_count: u16,
    fade: Option<Ramp>,
    held: bool,
    active: bool,
    /// Its readings are this many frames ahead of what is put out.
    ahead: usize,
    /// Frames in its ring.
    ready: usize,
    /// Frame at which its readings were found to have ended, while its ring still sounds.
    drains: Option<u64>,
}

impl Hit {
    const IDLE: Self = Self {
        layers: NONE,
        copies: NONE,
        copy_count: 0,
        fade: None,
        held: false,
        active: false,
        ahead: 0,
        ready: 0,
        drains: None,
    };
}

/// What a hit that runs ahead has rendered and not yet put out: `[part][channel]`.
type Ring = [[Vec<f32>; 2]; 2];

#[derive(Debug, Clone, Copy)]
struct Slot {
    reading: Reading,
    next: u16,
}

/// Every hit and reading of an engine.
#[derive(Debug)]
pub(super) struct Hits {
    hits: Vec<Hit>,
    slots: Vec<Slot>,
    free: u16,
    free_slots: usize,
    fade_frames: u32,
    rings: Vec<Ring>,
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
            slots: Vec::with_capacity(READINGS),
            free: NONE,
            free_slots: 0,
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
        self.free = NONE;
        self.free_slots = READINGS;
    }

    /// A hit without readings that runs `ahead` frames ahead; `None` only when more than
    /// [`FADING_HITS`] fade at once.
    pub fn start(&mut self, held: bool, ahead: usize) -> Option<u16> {
        let id = self.hits.iter().position(|h| !h.active)?;
        self.hits[id] = Hit { held, ahead, active: true, ..Hit::IDLE };
        Some(id as u16)
    }

    /// Adds a reading to a hit; `false` when there is no room for it.
    pub fn add(&mut self, hit: u16, part: Part, reading: Reading) -> bool {
        if self.free_slots == 0 {
            return false;
        }
        self.free_slots -= 1;
        let slot = Slot { reading, next: NONE };
        let id = if self.free == NONE {
            self.slots.push(slot);
            (self.slots.len() - 1) as u16
        } else {
            let id = self.free;
            self.free = self.slots[id as usize].next;
            self.slots[id as usize] = slot;
            id
        };
        let h = &mut self.hits[hit as usize];
        h.copy_count += u16::from(part == Part::Copies);
        let head = if part == Part::Layers { &mut h.layers } else { &mut h.copies };
        self.slots[id as usize].next = std::mem::replace(head, id);
        true
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
        if h.ahead > 0 {
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

    /// The readings run ahead into the hit's ring; what is due leaves it through the fade, so that a
    /// fade acts on its frame although the future is known.
    fn run_ahead<'a>(
        &mut self,
        hit: u16,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        parts: [&mut Onto<'a>; 2],
    ) {
        let Hit { ahead, ready, fade, .. } = self.hits[hit as usize];
        let n = parts[0].now[0].len();
        let fade = fade.unwrap_or(Ramp::still(1.0));
        let mut ring = std::mem::take(&mut self.rings[hit as usize]);
        for ((part, onto), ring) in [Part::Layers, Part::Copies].into_iter().zip(parts).zip(&mut ring) {
            let [left, right] = ring;
            let mut from = ready;
            while from < n + ahead {
                let to = (from + RUN).min(n + ahead);
                let (l, r) = (&mut left[from..to], &mut right[from..to]);
                l.fill(0.0);
                r.fill(0.0);
                let around = (kit, bend, now + from as u64);
                self.add_readings(hit, part, around, scratch, [l, r]);
                from = to;
            }
            for (c, ring) in [left, right].into_iter().enumerate() {
                fade.add_scaled(now, &ring[..n], onto.now[c]);
                let known = onto.ahead[c].len().min(ahead);
                fade.add_scaled(now + n as u64, &ring[n..n + known], &mut onto.ahead[c][..known]);
                ring.copy_within(n..n + ahead, 0);
            }
        }
        self.rings[hit as usize] = ring;
        self.hits[hit as usize].ready = ahead;
    }

    fn first(&self, hit: u16, part: Part) -> u16 {
        let h = &self.hits[hit as usize];
        if part == Part::Layers { h.layers } else { h.copies }
    }

    fn add_readings(
        &mut self,
        hit: u16,
        part: Part,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        [left, right]: [&mut [f32]; 2],
    ) {
        let h = &mut self.hits[hit as usize];
        let mut link = if part == Part::Layers { h.layers } else { h.copies };
        let mut kept = NONE;
        let mut last = NONE;
        while link != NONE {
            let slot = &mut self.slots[link as usize];
            let next = slot.next;
            let around = Around { channels: kit.channels(slot.reading.take()), bend, now };
            slot.reading.add_to(&around, scratch, [left, right]);
            if slot.reading.is_done() {
                slot.next = self.free;
                self.free = link;
                self.free_slots += 1;
                h.copy_count -= u16::from(part == Part::Copies);
            } else {
                slot.next = NONE;
                if last == NONE {
                    kept = link;
                } else {
                    self.slots[last as usize].next = link;
                }
                last = link;
            }
            link = next;
        }
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
        if h.layers != NONE || h.copies != NONE {
            return false;
        }
        if h.ahead == 0 {
            h.active = false;
        } else if look {
            let since = *h.drains.get_or_insert(now);
            h.active = now < since + h.ahead as u64;
        }
        !h.active
    }

    fn give_back(&mut self, hit: u16) {
        let h = &mut self.hits[hit as usize];
        for head in [std::mem::replace(&mut h.layers, NONE), std::mem::replace(&mut h.copies, NONE)] {
            let mut link = head;
            while link != NONE {
                let slot = &mut self.slots[link as usize];
                let next = std::mem::replace(&mut slot.next, self.free);
                self.free = link;
                self.free_slots += 1;
                link = next;
            }
        }
        h.copy_count = 0;
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
        h.copy_count > 0 || h.ahead > 0
    }

    /// The key is let go: a held hit is released.
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
                loudest = loudest.max(self.slots[link as usize].reading.loudness());
                link = self.slots[link as usize].next;
            }
        }
        loudest
    }

    /// Readings in use.
    pub fn voices(&self) -> usize {
        READINGS - self.free_slots
    }
}
