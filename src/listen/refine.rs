//! From a frame to the sample where a hit's energy begins to rise.

use super::envelope::Envelope;

/// First sample of the hit whose attack lies around `centre`, no earlier than `earliest`.
pub(super) fn start(envelope: &Envelope, centre: usize, earliest: usize) -> usize {
    let ms = envelope.rate * 0.001;
    let block = |sample: f64| ((sample / envelope.step as f64).max(0.0) as usize).min(envelope.power.len());
    let c = centre as f64;
    let (lo, hi) = (block(c - 12.0 * ms), block(c + 12.0 * ms));
    if lo >= hi {
        return centre.max(earliest);
    }
    let at = (lo..hi).max_by(|&a, &b| envelope.power[a].total_cmp(&envelope.power[b])).unwrap_or(lo);
    let peak = envelope.power[at];
    let before = &envelope.power[block(c - 30.0 * ms)..lo.max(1)];
    let background = before.iter().sum::<f32>() / before.len().max(1) as f32;
    let least = (peak * 0.0025).max(background * 4.0).min(peak * 0.5);
    let mut i = at;
    while i > block(c - 30.0 * ms) && envelope.power[i - 1] >= least {
        i -= 1;
    }
    (i * envelope.step).max(earliest)
}
