//! The cloud of a pad's latest trigger, as it was drawn.

use crate::engine::cloud::{CloudGrain, MAX_GRAINS_PER_CLOUD};
use std::sync::atomic::{
    AtomicU32,
    Ordering::{Acquire, Relaxed, Release},
    fence,
};

/// One grain of a cloud, as it was drawn.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ShownGrain {
    /// Delay after the trigger, ms.
    pub delay_ms: f32,
    /// Pitch relative to the hit's, semitones.
    pub pitch_st: f32,
    /// Level relative to the hit's, dB, 0 or below.
    pub level_db: f32,
    /// Added to the pan of its layer, -1 (left) to 1 (right).
    pub pan: f32,
    /// Length as a share of the hit's, 0 to 1.
    pub length: f32,
    /// Whether it plays against the direction of its layer.
    pub reverse: bool,
}

/// The cloud of a pad's latest trigger, as a sequence lock: the engine never waits for a reader, and a reader
/// that was overtaken by a new trigger reads again (H.-J. Boehm, "Can seqlocks get along with programming language
/// memory models?", 2012).
#[derive(Debug)]
pub struct LastCloud {
    /// Odd while the engine writes.
    version: AtomicU32,
    count: AtomicU32,
    grains: [[AtomicU32; 6]; MAX_GRAINS_PER_CLOUD],
}

impl Default for LastCloud {
    fn default() -> Self {
        Self {
            version: AtomicU32::new(0),
            count: AtomicU32::new(0),
            grains: std::array::from_fn(|_| Default::default()),
        }
    }
}

impl LastCloud {
    /// Publishes a cloud. Audio thread only: there is one writer.
    pub(in crate::engine) fn show(&self, grains: &[CloudGrain]) {
        let version = self.version.load(Relaxed);
        self.version.store(version.wrapping_add(1), Relaxed);
        fence(Release);
        self.count.store(grains.len() as u32, Relaxed);
        for (fields, grain) in self.grains.iter().zip(grains) {
            let reverse = if grain.reverse { 1.0 } else { 0.0 };
            let values = [grain.delay_ms, grain.pitch_st, grain.level_db, grain.pan, grain.length, reverse];
            for (field, value) in fields.iter().zip(values) {
                field.store((value as f32).to_bits(), Relaxed);
            }
        }
        self.version.store(version.wrapping_add(2), Release);
    }

    /// Puts the grains into `out`, in the order in which they were drawn; none when the trigger had no cloud.
    /// Returns `false` and leaves `out` alone when new triggers came faster than they could be read: try again later.
    pub fn read(&self, out: &mut Vec<ShownGrain>) -> bool {
        (0..8).any(|_| self.try_read(out))
    }

    fn try_read(&self, out: &mut Vec<ShownGrain>) -> bool {
        let version = self.version.load(Acquire);
        if version & 1 == 1 {
            return false;
        }
        let count = (self.count.load(Relaxed) as usize).min(MAX_GRAINS_PER_CLOUD);
        let mut grains = [ShownGrain::default(); MAX_GRAINS_PER_CLOUD];
        for (grain, fields) in grains[..count].iter_mut().zip(&self.grains) {
            let [delay_ms, pitch_st, level_db, pan, length, reverse] =
                std::array::from_fn(|i| f32::from_bits(fields[i].load(Relaxed)));
            *grain = ShownGrain { delay_ms, pitch_st, level_db, pan, length, reverse: reverse != 0.0 };
        }
        fence(Acquire);
        if self.version.load(Relaxed) != version {
            return false;
        }
        out.clear();
        out.extend_from_slice(&grains[..count]);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_never_sees_two_clouds_mixed() {
        let cloud = LastCloud::default();
        let grains_of = |n: usize| {
            let value = n as f64;
            let grain = CloudGrain {
                delay_ms: value,
                pitch_st: value,
                level_db: value,
                pan: value,
                ..CloudGrain::default()
            };
            [grain; MAX_GRAINS_PER_CLOUD]
        };
        let done = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                (0..100_000).for_each(|n| cloud.show(&grains_of(n)[..1 + n % MAX_GRAINS_PER_CLOUD]));
                done.store(true, Relaxed);
            });
            let mut grains = Vec::new();
            let mut seen = 0;
            while !done.load(Relaxed) || seen == 0 {
                if !cloud.read(&mut grains) || grains.is_empty() {
                    continue;
                }
                seen += 1;
                let n = grains[0].delay_ms;
                assert_eq!(grains.len(), 1 + n as usize % MAX_GRAINS_PER_CLOUD);
                for c in &grains {
                    assert_eq!([c.delay_ms, c.pitch_st, c.level_db, c.pan], [n; 4]);
                }
            }
        });
    }
}
