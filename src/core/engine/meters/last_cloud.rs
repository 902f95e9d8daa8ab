//! The copies around a pad's latest hit, as they were drawn.

use crate::engine::cloud::{Copy, MAX_COPIES};
use std::sync::atomic::{
    AtomicU32,
    Ordering::{Acquire, Relaxed, Release},
    fence,
};

/// One copy of a cloud, as it was drawn.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ShownCopy {
    /// After the hit, ms.
    pub delay_ms: f32,
    /// Away from the hit's own pitch, semitones.
    pub pitch_st: f32,
    /// Relative to the hit's own level, dB (0 or less).
    pub level_db: f32,
    /// Added to the pan of its layer, -1 (left) to 1 (right).
    pub pan: f32,
    /// Share of the hit's own length, 0 to 1.
    pub length: f32,
    /// Read against the direction of its layer.
    pub reverse: bool,
}

/// The copies around a pad's latest hit. The engine never waits for a reader; a reader notices when a new
/// hit came in between, and looks again (H.-J. Boehm, "Can seqlocks get along with programming language
/// memory models?", 2012).
#[derive(Debug)]
pub struct LastCloud {
    /// Odd while the engine writes.
    version: AtomicU32,
    count: AtomicU32,
    copies: [[AtomicU32; 6]; MAX_COPIES],
}

impl Default for LastCloud {
    fn default() -> Self {
        Self {
            version: AtomicU32::new(0),
            count: AtomicU32::new(0),
            copies: std::array::from_fn(|_| Default::default()),
        }
    }
}

impl LastCloud {
    /// Only the audio thread calls this: there is one writer.
    pub(in crate::engine) fn show(&self, copies: &[Copy]) {
        let version = self.version.load(Relaxed);
        self.version.store(version.wrapping_add(1), Relaxed);
        fence(Release);
        self.count.store(copies.len() as u32, Relaxed);
        for (fields, copy) in self.copies.iter().zip(copies) {
            let reverse = if copy.reverse { 1.0 } else { 0.0 };
            let values = [copy.delay_ms, copy.pitch_st, copy.level_db, copy.pan, copy.length, reverse];
            for (field, value) in fields.iter().zip(values) {
                field.store((value as f32).to_bits(), Relaxed);
            }
        }
        self.version.store(version.wrapping_add(2), Release);
    }

    /// Puts the copies into `out`, in the order in which they were drawn (empty: a hit without a cloud).
    /// `false`, with `out` as it was, when new hits came faster than they could be read: ask again later.
    pub fn read(&self, out: &mut Vec<ShownCopy>) -> bool {
        (0..8).any(|_| self.try_read(out))
    }

    fn try_read(&self, out: &mut Vec<ShownCopy>) -> bool {
        let version = self.version.load(Acquire);
        if version & 1 == 1 {
            return false;
        }
        let count = (self.count.load(Relaxed) as usize).min(MAX_COPIES);
        let mut copies = [ShownCopy::default(); MAX_COPIES];
        for (copy, fields) in copies[..count].iter_mut().zip(&self.copies) {
            let [delay_ms, pitch_st, level_db, pan, length, reverse] =
                std::array::from_fn(|i| f32::from_bits(fields[i].load(Relaxed)));
            *copy = ShownCopy { delay_ms, pitch_st, level_db, pan, length, reverse: reverse != 0.0 };
        }
        fence(Acquire);
        if self.version.load(Relaxed) != version {
            return false;
        }
        out.clear();
        out.extend_from_slice(&copies[..count]);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_never_sees_two_hits_mixed() {
        let cloud = LastCloud::default();
        let hit = |n: usize| {
            let value = n as f64;
            let copy =
                Copy { delay_ms: value, pitch_st: value, level_db: value, pan: value, ..Copy::default() };
            [copy; MAX_COPIES]
        };
        let done = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                (0..100_000).for_each(|n| cloud.show(&hit(n)[..1 + n % MAX_COPIES]));
                done.store(true, Relaxed);
            });
            let mut copies = Vec::new();
            let mut seen = 0;
            while !done.load(Relaxed) || seen == 0 {
                if !cloud.read(&mut copies) || copies.is_empty() {
                    continue;
                }
                seen += 1;
                let n = copies[0].delay_ms;
                assert_eq!(copies.len(), 1 + n as usize % MAX_COPIES);
                for c in &copies {
                    assert_eq!([c.delay_ms, c.pitch_st, c.level_db, c.pan], [n; 4]);
                }
            }
        });
    }
}
