//! Hits that run ahead of what is heard, so that a pad's limiters see what is coming without any latency.
//!
//! The readings of such a hit are rendered some frames early into a ring and heard when they are due. When
//! something changes what they will do (a key let go, a pitch trim that moves), they go back to the frame at
//! which it happens and run ahead anew: the change is heard on its frame, and the limiters see the new
//! future. To go back, each reading is remembered at two marks, one of which lies at or before what is heard
//! now; the frames from there on are rendered once more and thrown away.
//!
//! While a pitch keeps moving, to go back in each block would cost several times what the sound itself does.
//! Then the hits run on, and the move is heard as late as they are ahead; until what was rendered before it
//! has been heard, they cannot go back.

use super::{
    hits::{Hits, NONE, Onto, Part},
    play_kit::PlayKit,
    ramp::Ramp,
    reading::{RUN, Scratch},
};

/// What a hit that runs ahead has rendered and not yet put out: `[part][channel]`.
pub(super) type Ring = [[Vec<f32>; 2]; 2];

/// How far ahead a hit is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Foresight {
    /// Its readings are this many frames ahead of what is put out.
    pub ahead: usize,
    /// Frames in its ring.
    ready: usize,
    /// Frames at which its readings are remembered, and which of the two is the earlier one.
    marks: [u64; 2],
    earlier: usize,
}

impl Foresight {
    /// Not ahead.
    pub const NONE: Self = Self { ahead: 0, ready: 0, marks: [0; 2], earlier: 0 };

    /// Of a hit that starts at frame `now`.
    pub fn new(ahead: usize, now: u64) -> Self {
        Self { ahead, ready: 0, marks: [now; 2], earlier: 0 }
    }
}

impl Hits {
    /// The readings run ahead into the hit's ring; what is due leaves it through the fade, so that a
    /// fade acts on its frame although the future is known.
    pub fn run_ahead<'a>(
        &mut self,
        hit: u16,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        parts: [&mut Onto<'a>; 2],
    ) {
        let h = self.hits[hit as usize];
        let Foresight { ahead, ready, .. } = h.foresight;
        let n = parts[0].now[0].len();
        let fade = h.fade.unwrap_or(Ramp::still(1.0));
        let mut ring = std::mem::take(&mut self.rings[hit as usize]);
        for ((part, onto), ring) in [Part::Layers, Part::Copies].into_iter().zip(parts).zip(&mut ring) {
            self.give_back_ended(hit, part, now);
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
        self.hits[hit as usize].foresight.ready = ahead;
        self.remember(hit, now + n as u64);
    }

    /// Before frame `now`: when the later mark has been heard, the earlier one moves to where the readings are.
    fn remember(&mut self, hit: u16, now: u64) {
        let f = &mut self.hits[hit as usize].foresight;
        if f.marks[1 - f.earlier] > now {
            return;
        }
        let place = f.earlier;
        f.marks[place] = now + f.ready as u64;
        f.earlier = 1 - place;
        for part in [Part::Layers, Part::Copies] {
            let mut link = self.first(hit, part);
            while link != NONE {
                self.marked[link as usize][place] = self.slots[link as usize].reading;
                link = self.slots[link as usize].next;
            }
        }
    }

    /// Takes the readings of a hit that runs ahead back to frame `now`, the next one to be heard, if they can
    /// go back. `kit` and `bend` are those with which they have run.
    pub fn rewind(&mut self, hit: u16, (kit, bend, now): (&PlayKit, &Ramp, u64), scratch: &mut Scratch) {
        let f = self.hits[hit as usize].foresight;
        if f.ready == 0 || f.marks[f.earlier] > now {
            return;
        }
        let place = f.earlier;
        let mut thrown = [[0.0; RUN]; 2];
        for part in [Part::Layers, Part::Copies] {
            let mut link = self.first(hit, part);
            while link != NONE {
                let slot = &mut self.slots[link as usize];
                let (next, ended) = (slot.next, slot.over != u64::MAX);
                slot.reading = self.marked[link as usize][place];
                if ended && !slot.reading.is_done() {
                    slot.over = u64::MAX;
                    self.count(hit, part, true);
                }
                link = next;
            }
            let mut at = f.marks[place];
            while at < now {
                let n = (now - at).min(RUN as u64) as usize;
                let [left, right] = thrown.each_mut().map(|t| &mut t[..n]);
                self.add_readings(hit, part, (kit, bend, at), scratch, [left, right]);
                at += n as u64;
            }
        }
        self.hits[hit as usize].drains = None;
        self.hits[hit as usize].foresight.ready = 0;
        self.mark(hit, now);
    }

    /// Remembers the readings of a hit as they are before frame `now` is heard, after they, or what they will
    /// do, have been changed: they cannot go back further.
    pub fn mark(&mut self, hit: u16, now: u64) {
        let f = &mut self.hits[hit as usize].foresight;
        f.marks = [now + f.ready as u64; 2];
        for part in [Part::Layers, Part::Copies] {
            let mut link = self.first(hit, part);
            while link != NONE {
                self.marked[link as usize] = [self.slots[link as usize].reading; 2];
                link = self.slots[link as usize].next;
            }
        }
    }
}
