//! A layer's envelope for pictures: the engine's own envelope at a low sample rate.

use kitwright_core::{
    engine::dsp::envelope::{AmpEnvelope, Entry, Hold},
    kit::LayerSettings,
};

/// Levels (0 to 1) at `steps` equal distances over `seconds` of a one-shot pad.
pub fn levels(layer: &LayerSettings, seconds: f64, steps: usize) -> Vec<f32> {
    let mut levels = vec![0.0; steps];
    let rate = steps as f64 / seconds.max(1e-4);
    AmpEnvelope::new(layer.into(), Hold::OneShot, Entry::Whole, rate).fill(&mut levels);
    levels
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_envelope_rises_holds_and_falls() {
        let layer = LayerSettings {
            attack_ms: 10.0,
            hold_ms: 20.0,
            decay_ms: 70.0,
            decay_curve: 0.0,
            ..Default::default()
        };
        let levels = levels(&layer, 0.2, 200);
        assert!((levels[5] - 0.5).abs() < 0.15);
        assert_eq!(levels[20], 1.0);
        assert!((levels[65] - 0.5).abs() < 0.05);
        assert_eq!(levels[150], 0.0);
    }
}
