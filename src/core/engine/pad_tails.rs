//! The tails that the layers of a pad play: how long their noise is, and what they may take of the memory.

use super::{
    play_layer::PlayLayer,
    play_slice::{PlaySlice, SampleSource},
    tail::Tail,
};
use crate::{
    kit::{Kit, LayerSettings, Pad},
    units::st_to_ratio,
};
use std::sync::Arc;

/// After this time the noise of a tail repeats at least and at most, ms of the take: as long as its layer reads, where that
/// is known (our choice).
const PERIOD_MS: [f64; 2] = [300.0, 2400.0];
/// Samples in all tails of a pad at most (32 MB), so that no document asks for more memory than there is.
const MAX_SAMPLES: usize = 1 << 23;

/// Gives the layers of pad `index` the tails that they ask for, and returns these. Where they would be too large, the noise
/// of a layer repeats sooner, and where that does not help none of its slices has a tail: strokes of a pad end alike.
pub(super) fn add_tails(
    kit: &Kit,
    index: usize,
    pad: &Pad,
    slices: &[PlaySlice],
    layers: &mut [PlayLayer],
) -> Vec<Arc<Tail>> {
    let mut tails = Vec::new();
    for layer in layers {
        let read = layer.slice.as_ref().map_or(slices, std::slice::from_ref);
        let periods = [wanted_period_ms(pad, &layer.settings), PERIOD_MS[0]];
        let places = periods.into_iter().find_map(|ms| places_of(kit, read, &layer.settings, ms, &mut tails));
        let slice = |(slice, place): (&PlaySlice, Option<usize>)| {
            place.map(|place| tails[place].slice(SampleSource::Tail(index as u16, place as u16), slice))
        };
        layer.with_tails = read.iter().zip(places.unwrap_or_default()).map(slice).collect();
    }
    tails
}

/// Time for which a layer reads the take at the highest pitch that its settings give, within [`PERIOD_MS`].
fn wanted_period_ms(pad: &Pad, s: &LayerSettings) -> f64 {
    if pad.settings.held {
        return PERIOD_MS[1];
    }
    let cloud_st = if pad.cloud.copies > 0 { pad.cloud.pitch_st } else { 0.0 };
    let highest_st = s.pitch_st + s.fine_ct / 100.0 + s.drop_st.max(0.0) + cloud_st;
    let sounds_ms = f64::from(s.attack_ms + s.hold_ms + s.decay_ms);
    (sounds_ms * st_to_ratio(f64::from(highest_st))).clamp(PERIOD_MS[0], PERIOD_MS[1])
}

/// The place in `tails` of the tail of each slice that a layer reads, where it has one, with those that are not there yet
/// added; `None`, and nothing added, where they would all be too large.
fn places_of(
    kit: &Kit,
    slices: &[PlaySlice],
    layer: &LayerSettings,
    period_ms: f64,
    tails: &mut Vec<Arc<Tail>>,
) -> Option<Vec<Option<usize>>> {
    let before = tails.len();
    let mut samples: usize = tails.iter().map(|tail| tail.samples()).sum();
    let mut places = Vec::new();
    for slice in slices {
        let SampleSource::Take(take) = slice.source else { return None };
        let Some(tail) = Tail::of(kit.takes.get(take)?, slice, layer, period_ms) else {
            places.push(None);
            continue;
        };
        let place = tails.iter().position(|known| Arc::ptr_eq(known, &tail)).unwrap_or(tails.len());
        places.push(Some(place));
        if place == tails.len() {
            samples += tail.samples();
            tails.push(tail);
        }
        if samples > MAX_SAMPLES {
            tails.truncate(before);
            return None;
        }
    }
    Some(places)
}
