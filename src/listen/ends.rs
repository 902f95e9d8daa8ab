//! Where hits end: by decay to the noise floor or by the next hit.

use super::envelope::Envelope;

/// Length of a step of the decay, seconds.
const STEP_S: f64 = 0.01;

/// First sample after the hit that starts at `start`; `next` is where the next one starts.
pub(super) fn end(envelope: &Envelope, floor: f32, start: usize, next: usize) -> usize {
    let blocks = ((STEP_S * envelope.rate) as usize / envelope.step).max(1);
    let first = start / envelope.step;
    let last = (next / envelope.step).min(envelope.power.len());
    if first >= last {
        return next;
    }
    let mut peak = 0.0f32;
    for (k, chunk) in envelope.power[first..last].chunks(blocks).enumerate() {
        let level = chunk.iter().sum::<f32>() / chunk.len() as f32;
        peak = peak.max(level);
        if k > 0 && level < (floor * 1.6).max(peak * 1e-6) {
            return ((first + (k + 1) * blocks) * envelope.step).min(next);
        }
    }
    next
}

/// Power of the take's noise floor: the level its quietest tenth stays under.
pub(super) fn noise_floor(envelope: &Envelope) -> f32 {
    let blocks = ((STEP_S * envelope.rate) as usize / envelope.step).max(1);
    let mut levels: Vec<f32> =
        envelope.power.chunks(blocks).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect();
    if levels.is_empty() {
        return 0.0;
    }
    let at = levels.len() / 10;
    *levels.select_nth_unstable_by(at, f32::total_cmp).1
}
