//! Outputs of pads and key parts that add up to the main output.

use super::{Engine, key_parts::KeyPartChannel};

impl Engine {
    /// An engine like [`Engine::offline`] whose outputs of pads and key parts are their shares of the main output: with
    /// the kit's level and the gain of the main output's ceiling instead of ceilings of their own, so that they add up to
    /// it. Pads that are not sent to the main output keep their own ceiling. The ceiling must not be switched while
    /// something sounds.
    pub fn stems(sample_rate: f64) -> Self {
        let mut engine = Self::offline(sample_rate);
        engine.stem_outputs = true;
        engine.main.record_gains();
        engine
    }

    /// Gives the pads and key parts that sound in the main output its level and its ceiling.
    pub(super) fn share_main(&mut self, from: usize, n: usize) {
        let pads = self.pads.iter().zip(&self.trims.pads).map(|(pad, trims)| pad.is_busy() && trims.in_main);
        let parts = self.key_parts.iter().map(KeyPartChannel::is_busy);
        let outputs = self.outputs.iter_mut().chain(&mut self.key_outputs);
        for (output, _) in outputs.zip(pads.chain(parts)).filter(|(_, sounds)| *sounds) {
            self.level.scale(self.now, &mut output.left[from..from + n]);
            self.level.scale(self.now, &mut output.right[from..from + n]);
            output.follow(&self.main, from, n);
        }
    }
}
