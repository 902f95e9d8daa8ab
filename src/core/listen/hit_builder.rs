//! Hits of one take made from their starts: where they end and what they are like.

use super::{
    describe::Describer,
    ends::Ends,
    envelope::TakeEnvelope,
    hit::{Description, Hit},
};
use crate::take::Take;

/// Ends and describes hits of one take.
pub(super) struct HitBuilder<'a> {
    take: &'a Take,
    ends: Ends,
    describer: Describer<'a>,
}

impl<'a> HitBuilder<'a> {
    pub(super) fn new(take: &'a Take) -> Self {
        Self::with_gate(take, &TakeEnvelope::of(take), None)
    }

    /// `gate_db` as in `DetectOptions`.
    pub(super) fn with_gate(take: &'a Take, envelope: &TakeEnvelope, gate_db: Option<f32>) -> Self {
        Self { take, ends: Ends::new(envelope, gate_db), describer: Describer::new(take) }
    }

    /// First frame after the hit that starts at `start`; `next` is where the next one starts.
    pub(super) fn end(&self, start: u64, next: u64) -> u64 {
        self.ends.end(self.take, start as usize, next as usize) as u64
    }

    pub(super) fn describe(&mut self, start: u64, end: u64) -> Description {
        self.describer.describe(start as usize, end as usize)
    }

    /// A hit of these frames that counts as set by hand.
    pub(super) fn hit_by_hand(&mut self, start: u64, end: u64) -> Hit {
        Hit { start, end, by_hand: true, description: self.describe(start, end) }
    }

    /// `hit` with other bounds.
    pub(super) fn described(&mut self, hit: &Hit, start: u64, end: u64) -> Hit {
        Hit { start, end, by_hand: hit.by_hand, description: self.describe(start, end) }
    }
}
