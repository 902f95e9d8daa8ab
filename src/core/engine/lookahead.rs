//! Voices rendered ahead of the output, so that a pad's limiters can look ahead without latency.
//!
//! The grains of such a voice are rendered some frames early into a ring and output when they are due. When
//! something changes what they will do (a key release, a pitch trim that moves), the voice is rewound to that
//! frame and rendered ahead again: the change is heard on its frame, and the limiters see the new future.
//! Rewinding restores one of two snapshots of the grains, taken at or before the frame that is heard now, and
//! renders the frames in between once more without using them.
//!
//! While a pitch keeps moving, rewinding in each block would cost several times the rendering itself. The voice
//! then runs on, and the move is heard late by the length of the look-ahead. It cannot be rewound until all
//! that was rendered before the move has been output.

use super::{
    grain::{GRAIN_BLOCK, Scratch},
    play_kit::PlayKit,
    ramp::Ramp,
    voice::{LookAhead, MixBus, NONE, VoicePart},
    voice_pool::VoicePool,
};

impl VoicePool {
    /// Adds the next frames of a voice to the buses of its layers and its cloud, through its ring if the voice
    /// has look-ahead. `context`: kit, pitch bend in semitones and absolute frame of the first frame; `own`
    /// is scratch memory for the voice alone, `[channel]`.
    pub fn mix<'a>(
        &mut self,
        voice: u16,
        context: (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        own: &mut [Vec<f32>; 2],
        buses: [&mut MixBus<'a>; 2],
    ) {
        if self.voices[voice as usize].lookahead.ahead > 0 {
            self.mix_ahead(voice, context, scratch, buses);
        } else {
            self.mix_direct(voice, context, scratch, own, buses);
        }
    }

    /// Renders the grains ahead into the voice's ring. What is due leaves the ring through the fade, so that a
    /// fade acts on its frame although later frames are known.
    fn mix_ahead<'a>(
        &mut self,
        voice: u16,
        (kit, bend, now): (&PlayKit, &Ramp, u64),
        scratch: &mut Scratch,
        buses: [&mut MixBus<'a>; 2],
    ) {
        let v = self.voices[voice as usize];
        let LookAhead { ahead, ready, .. } = v.lookahead;
        let n = buses[0].now[0].len();
        let fade = v.fade.unwrap_or(Ramp::still(1.0));
        let mut ring = std::mem::take(&mut self.rings[voice as usize]);
        for ((part, bus), ring) in VoicePart::ALL.into_iter().zip(buses).zip(&mut ring) {
            self.free_ended(voice, part, now);
            let [left, right] = ring;
            let mut from = ready;
            while from < n + ahead {
                let to = (from + GRAIN_BLOCK).min(n + ahead);
                let (l, r) = (&mut left[from..to], &mut right[from..to]);
                l.fill(0.0);
                r.fill(0.0);
                let context = (kit, bend, now + from as u64);
                self.render_grains(voice, part, context, scratch, [l, r]);
                from = to;
            }
            for (c, ring) in [left, right].into_iter().enumerate() {
                fade.add_scaled(now, &ring[..n], bus.now[c]);
                let known = bus.ahead[c].len().min(ahead);
                fade.add_scaled(now + n as u64, &ring[n..n + known], &mut bus.ahead[c][..known]);
                ring.copy_within(n..n + ahead, 0);
            }
        }
        self.rings[voice as usize] = ring;
        self.voices[voice as usize].lookahead.ready = ahead;
        self.update_snapshots(voice, now + n as u64);
    }

    /// Before frame `now`: once the later snapshot's frame has been output, replaces the earlier snapshot by the
    /// grains as they are.
    fn update_snapshots(&mut self, voice: u16, now: u64) {
        let state = &mut self.voices[voice as usize].lookahead;
        if state.marks[1 - state.earlier] > now {
            return;
        }
        let place = state.earlier;
        state.marks[place] = now + state.ready as u64;
        state.earlier = 1 - place;
        for part in VoicePart::ALL {
            let mut link = self.first(voice, part);
            while link != NONE {
                self.snapshots[link as usize][place] = self.grains[link as usize].grain;
                link = self.grains[link as usize].next;
            }
        }
    }

    /// Rewinds the grains of a voice with look-ahead to frame `now`, the next one to be output; does nothing when
    /// no snapshot is early enough. `kit` and `bend` must be those they were rendered with.
    pub fn rewind(&mut self, voice: u16, (kit, bend, now): (&PlayKit, &Ramp, u64), scratch: &mut Scratch) {
        let state = self.voices[voice as usize].lookahead;
        if state.ready == 0 || state.marks[state.earlier] > now {
            return;
        }
        let place = state.earlier;
        let mut unused = [[0.0; GRAIN_BLOCK]; 2];
        for part in VoicePart::ALL {
            let mut link = self.first(voice, part);
            while link != NONE {
                let slot = &mut self.grains[link as usize];
                let (next, ended) = (slot.next, slot.over != u64::MAX);
                slot.grain = self.snapshots[link as usize][place];
                if ended && !slot.grain.is_done() {
                    slot.over = u64::MAX;
                    self.count(voice, part, true);
                }
                link = next;
            }
            let mut at = state.marks[place];
            while at < now {
                let n = (now - at).min(GRAIN_BLOCK as u64) as usize;
                let [left, right] = unused.each_mut().map(|t| &mut t[..n]);
                self.render_grains(voice, part, (kit, bend, at), scratch, [left, right]);
                at += n as u64;
            }
        }
        self.voices[voice as usize].drained_since = None;
        self.voices[voice as usize].lookahead.ready = 0;
        self.restart_snapshots(voice, now);
    }

    /// Takes both snapshots anew before frame `now` is output, after the grains, or what they will do, have
    /// changed: the voice cannot be rewound to an earlier frame.
    pub fn restart_snapshots(&mut self, voice: u16, now: u64) {
        let state = &mut self.voices[voice as usize].lookahead;
        state.marks = [now + state.ready as u64; 2];
        for part in VoicePart::ALL {
            let mut link = self.first(voice, part);
            while link != NONE {
                self.snapshots[link as usize] = [self.grains[link as usize].grain; 2];
                link = self.grains[link as usize].next;
            }
        }
    }
}
