//! Where tails begin: within every hit that is played, so that all strokes of a pad go on.

use crate::kit::Pad;

/// Share of a hit after which its tail begins at the latest: what is left of it is long enough to have its spectrum, or its
/// pitch (our choice).
pub const LATEST: f32 = 0.6;

/// Lets the tail of each layer begin within the shortest slice that it reads; `rate_of` tells the sample rate of a take, Hz.
pub fn begin_within_hits(pad: &mut Pad, rate_of: impl Fn(usize) -> f64) {
    let Pad { layers, slices, .. } = pad;
    for layer in layers.iter_mut().filter(|l| l.settings.tail_ms > 0.0) {
        let read = layer.slice.as_ref().map_or(&slices[..], std::slice::from_ref);
        let ms = |slice: &crate::kit::Slice| {
            1000.0 * slice.end.saturating_sub(slice.start) as f32 / rate_of(slice.take) as f32
        };
        let shortest_ms = read.iter().map(ms).fold(f32::INFINITY, f32::min);
        layer.settings.tail_ms = layer.settings.tail_ms.min(LATEST * shortest_ms);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Layer, LayerSettings, Role, Slice};

    #[test]
    fn tails_begin_within_the_shortest_hit_that_their_layer_reads() {
        let slice = |take: usize, ms: u64| Slice {
            take,
            start: 1000,
            end: 1000 + 48 * ms,
            gain_db: 0.0,
            velocities: [0.0, 1.0],
        };
        let layer = |tail_ms: f32, slice: Option<Slice>| Layer {
            slice,
            settings: LayerSettings { tail_ms, ..LayerSettings::default() },
        };
        let mut pad = Pad::empty(39, Role::Clap);
        pad.slices = vec![slice(0, 100), slice(0, 40), slice(1, 80)];
        pad.layers =
            vec![layer(35.0, None), layer(0.0, None), layer(35.0, Some(slice(0, 300))), layer(10.0, None)];
        // the second take has twice the rate: 80 ms of 48 kHz are 40 of it
        begin_within_hits(&mut pad, |take| [48_000.0, 96_000.0][take]);
        let tails: Vec<f32> = pad.layers.iter().map(|l| l.settings.tail_ms).collect();
        assert_eq!(tails, [24.0, 0.0, 35.0, 10.0]);
    }
}
