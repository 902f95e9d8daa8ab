//! How long the kit can ring after its last key, for hosts that ask before they end a bounce.

use kitwright_core::{
    kit::{KeyPart, Kit, Layer, Pad, Slice, Trims},
    settings::PadTrims,
    units::st_to_ratio,
};

/// Allowance for what follows the voices: the tone chain's and ceiling's releases, diffusion, seconds.
const AFTER: f64 = 1.0;
/// Allowance for variation and drops in pitch, which make a slice play longer: four semitones.
const SLOWER: f64 = 1.26;

/// Longest time from a trigger to silence over all pads and key parts, seconds; an upper bound, 0 for a silent kit.
pub(super) fn ring_seconds(kit: &Kit, trims: &Trims) -> f64 {
    let pads = kit.doc.pads.iter().zip(&trims.pads);
    let pads = pads.map(|(pad, of)| pad_seconds(kit, pad, trims, of));
    let longest = pads.chain(kit.doc.key_parts.iter().map(key_part_seconds)).fold(0.0, f64::max);
    if longest > 0.0 { longest + AFTER } else { 0.0 }
}

fn pad_seconds(kit: &Kit, pad: &Pad, trims: &Trims, of: &PadTrims) -> f64 {
    let layers = pad.layers.iter().filter(|l| l.settings.on);
    let longest = layers.map(|layer| layer_seconds(kit, pad, layer, trims, of)).fold(0.0, f64::max);
    if longest > 0.0 && pad.cloud.copies > 0 {
        longest + f64::from(pad.cloud.spread_ms * of.spread) / 1000.0
    } else {
        longest
    }
}

/// A key may be held for as long as the player likes; what follows is the release, within this.
fn key_part_seconds(part: &KeyPart) -> f64 {
    let s = &part.settings;
    let plays = s.on && part.slice.is_some();
    if plays { f64::from(s.attack_ms + s.decay_ms + s.release_ms) / 1000.0 } else { 0.0 }
}

fn layer_seconds(kit: &Kit, pad: &Pad, layer: &Layer, trims: &Trims, of: &PadTrims) -> f64 {
    let s = &layer.settings;
    let pitch = s.pitch_st + of.pitch_st + trims.kit.pitch_st + (s.fine_ct + of.fine_ct) / 100.0;
    let slower = SLOWER / st_to_ratio(f64::from(pitch));
    let own = layer.slice.as_slice();
    let slices = if own.is_empty() { &pad.slices[..] } else { own };
    let playback = slices.iter().map(|slice| slice_seconds(kit, slice)).fold(0.0, f64::max) * slower;
    let envelope_ms = s.attack_ms + of.attack_ms + (s.hold_ms + s.decay_ms + s.release_ms) * of.length;
    let envelope = f64::from(envelope_ms) / 1000.0;
    // a held pad may loop for as long as its key is down; what follows is the release, within this. A tail has no end of
    // its own.
    let endless = s.loop_on || (s.tail_ms > 0.0 && !s.reverse);
    let sounding = if endless { envelope } else { playback.min(envelope) };
    if playback > 0.0 { sounding + f64::from(s.delay_ms) / 1000.0 } else { 0.0 }
}

fn slice_seconds(kit: &Kit, slice: &Slice) -> f64 {
    kit.takes
        .get(slice.take)
        .map_or(0.0, |take| slice.end.saturating_sub(slice.start) as f64 / f64::from(take.sample_rate))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::{
        engine::{Engine, PlayKit},
        take::Take,
    };
    use std::sync::Arc;

    fn kit(change: impl FnOnce(&mut Pad)) -> Arc<Kit> {
        let samples = (0..48_000).map(|i| (i as f32 * 0.1).sin() * 0.5).collect();
        let mut kit = Kit::default();
        kit.takes.push(Arc::new(Take::from_samples("tone", 48_000, vec![samples])));
        let pad = &mut kit.doc.pads[0];
        pad.slices = vec![Slice { take: 0, start: 0, end: 48_000, gain_db: 0.0, velocities: [0.0, 1.0] }];
        change(pad);
        Arc::new(kit)
    }

    /// Seconds for which the engine rings.
    fn ringing_seconds(kit: &Arc<Kit>, trims: &Trims) -> f64 {
        let mut engine = Engine::new(48_000.0);
        engine.set_kit(Arc::new(PlayKit::new(kit.clone(), 48_000.0)));
        engine.set_trims(trims);
        engine.note_on(36, 1.0);
        engine.render(64);
        engine.note_off(36);
        let mut frames = 64;
        while !engine.is_silent() && frames < 48_000 * 60 {
            engine.render(256);
            frames += 256;
        }
        frames as f64 / 48_000.0
    }

    #[test]
    fn the_estimated_tail_covers_the_ringing_and_is_bounded() {
        assert_eq!(ring_seconds(&Kit::default(), &Trims::default()), 0.0);
        let mut low = Trims::default();
        low.pads[0].pitch_st = -24.0;
        low.pads[0].length = 4.0;
        let plain = Trims::default();
        let cases: [(&str, Arc<Kit>, &Trims); 6] = [
            ("plain", kit(|_| {}), &plain),
            ("two octaves down", kit(|_| {}), &low),
            ("short", kit(|p| p.layers[0].settings.decay_ms = 50.0), &plain),
            (
                "with a tail",
                kit(|p| {
                    p.slices[0].end = 4800;
                    (p.layers[0].settings.tail_ms, p.layers[0].settings.decay_ms) = (25.0, 4000.0);
                }),
                &plain,
            ),
            ("late", kit(|p| p.layers[0].settings.delay_ms = 500.0), &plain),
            (
                "with a cloud",
                kit(|p| {
                    p.cloud.copies = 20;
                    p.cloud.spread_ms = 250.0;
                }),
                &plain,
            ),
        ];
        for (what, kit, trims) in cases {
            let (estimate, ringing_seconds) = (ring_seconds(&kit, trims), ringing_seconds(&kit, trims));
            assert!(ringing_seconds > 0.01, "{what} is silent");
            assert!(
                estimate >= ringing_seconds && estimate < 3.0 * ringing_seconds + 2.0,
                "{what}: {estimate} s for {ringing_seconds} s"
            );
        }
    }
}
