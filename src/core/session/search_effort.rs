//! How long the searches of a session take.

use std::sync::atomic::{AtomicU32, Ordering::Relaxed};

/// Share of the trials of each search that are made.
#[derive(Debug)]
pub(super) struct SearchEffort(AtomicU32);

impl Default for SearchEffort {
    fn default() -> Self {
        Self(AtomicU32::new(1.0f32.to_bits()))
    }
}

impl SearchEffort {
    /// Above 0 to 1.
    pub fn share(&self) -> f32 {
        f32::from_bits(self.0.load(Relaxed))
    }

    /// Takes another share; less than a hundredth is a hundredth.
    pub fn set(&self, share: f32) {
        self.0.store(share.clamp(0.01, 1.0).to_bits(), Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn searches_are_whole_until_another_share_is_set_and_never_empty() {
        let effort = SearchEffort::default();
        assert_eq!(effort.share(), 1.0);
        for (wanted, taken) in [(0.25, 0.25), (0.0, 0.01), (-3.0, 0.01), (7.0, 1.0)] {
            effort.set(wanted);
            assert_eq!(effort.share(), taken, "{wanted}");
        }
    }
}
