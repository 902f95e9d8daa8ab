//! Strokes that differ by chance: their draws may change a pad's loudness only so far.

use super::{auditioner::Auditioner, balance};
use crate::{kit::Pad, units::st_to_ratio};

/// Draws that are played.
const DRAWS: usize = 8;
/// Their loudness may lie this far apart, LU (our choice: twice what level variation alone makes of it).
const MAX_APART_LU: f32 = 2.0;
/// A draw this near to the mean stands for all, LU (our choice).
const TYPICAL_LU: f32 = 0.5;
/// What no loudness is measured of counts as this soft, LUFS: the absolute gate of ITU-R BS.1770.
const SILENT_LUFS: f32 = -70.0;
/// The start of a stroke varies by this at most, ms of what is heard: with it a stroke still begins within 2 ms of its key.
const MAX_EARLY_MS: f32 = 1.5;
/// Renderings of all draws at most.
const MAX_ROUNDS: usize = 4;

/// Keeps what the start varies by within [`MAX_EARLY_MS`] of what is heard: of a layer that is pitched down, the same stretch
/// of the hit takes longer, and a stroke that starts that much before its attack comes late.
pub fn hold_starts(pad: &mut Pad) {
    let pitches = pad.layers.iter().filter(|layer| layer.settings.on);
    let lowest_st = pitches.map(|layer| layer.settings.pitch_st).fold(0.0f32, f32::min);
    let start_ms = &mut pad.variation.start_ms;
    *start_ms = start_ms.min(MAX_EARLY_MS * st_to_ratio(lowest_st));
}

/// Calms a pad whose equal strokes differ too much in loudness by chance, since layers of one hit cancel at some starts, or
/// copies of a cloud at some pitches: halves what start and pitch vary by and the level range of a cloud; the
/// pitches of its copies, which make noise of tones, stay. The pad's held draw becomes one that is near the mean, so that
/// what is measured later stands for all. A silent pad stays as it is.
pub fn calm(auditioner: &mut Auditioner, pad: &mut Pad) {
    let Some(mut least) = Draws::of(auditioner, pad) else { return };
    let mut calmer = pad.clone();
    for _ in 0..MAX_ROUNDS {
        if least.apart_lu <= MAX_APART_LU {
            break;
        }
        let (variation, cloud) = (&mut calmer.variation, &mut calmer.cloud);
        for range in [&mut variation.start_ms, &mut variation.pitch_ct, &mut cloud.level_range_db] {
            *range *= 0.5;
        }
        // smaller ranges may meet worse places first
        if let Some(heard) = Draws::of(auditioner, &calmer).filter(|heard| heard.apart_lu < least.apart_lu) {
            (*pad, least) = (calmer.clone(), heard);
        }
    }
    pad.variation.frozen = least.typical as f32;
}

/// What was heard of the first draws of a pad.
#[derive(Debug)]
struct Draws {
    /// From the softest to the loudest, LU.
    apart_lu: f32,
    /// The pad's draw, or, where it is further from their mean than [`TYPICAL_LU`], the nearest.
    typical: usize,
}

impl Draws {
    /// `None` where all are silent.
    fn of(auditioner: &mut Auditioner, pad: &Pad) -> Option<Self> {
        let mut lufs = [0.0f32; DRAWS];
        for (draw, lufs) in lufs.iter_mut().enumerate() {
            let mut held = pad.clone();
            held.variation.frozen = draw as f32;
            let [left, right] = auditioner.play(&held, balance::MAX_STROKE_S);
            *lufs = balance::loudness(&left, &right).unwrap_or(SILENT_LUFS);
        }
        if lufs.iter().all(|l| *l <= SILENT_LUFS) {
            return None;
        }
        let mean = lufs.iter().sum::<f32>() / DRAWS as f32;
        let (low, high) = lufs.iter().fold((f32::MAX, f32::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
        let off = |draw: usize| (lufs[draw] - mean).abs();
        // what was searched and measured before knows the present draw
        let nearest = (0..DRAWS).min_by(|&a, &b| off(a).total_cmp(&off(b)))?;
        let present = (pad.variation.frozen as usize).min(DRAWS - 1);
        let typical = if off(present) <= TYPICAL_LU { present } else { nearest };
        Some(Self { apart_lu: high - low, typical })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        kit::{Kit, Layer, LayerSettings, Slice, TakeEntry},
        take::Take,
    };
    use std::sync::Arc;

    /// A pad that reads a click of 2 ms and rings on softly: starts that vary by more than that miss it.
    fn click(start_ms: f32) -> Kit {
        let tone = |i: usize| (i as f32 * 0.3).sin() * (-(i as f32) / 6000.0).exp();
        let samples = (0..24_000).map(|i| tone(i) * if i < 96 { 0.9 } else { 0.01 }).collect();
        let take = Arc::new(Take::from_samples("click", 48_000, vec![samples]));
        let mut kit = Kit::default();
        let pad = &mut kit.doc.pads[0];
        pad.slices = vec![Slice { take: 0, start: 0, end: 24_000, gain_db: 0.0, velocities: [0.0, 1.0] }];
        pad.layers = vec![Layer { slice: None, settings: LayerSettings::default() }];
        pad.variation.start_ms = start_ms;
        kit.doc.takes = vec![TakeEntry::new(&take, Vec::new())];
        kit.takes = vec![take];
        kit
    }

    #[test]
    fn a_pad_whose_strokes_differ_too_much_by_chance_is_calmed() {
        let kit = click(20.0);
        let mut auditioner = Auditioner::new(&kit);
        let mut pad = kit.doc.pads[0].clone();
        let before = Draws::of(&mut auditioner, &pad).unwrap();
        assert!(before.apart_lu > 4.0, "{before:?}");
        calm(&mut auditioner, &mut pad);
        let after = Draws::of(&mut auditioner, &pad).unwrap();
        assert!(after.apart_lu < 0.5 * before.apart_lu, "{after:?} after {before:?}");
        assert!(pad.variation.start_ms < 20.0 && pad.variation.start_ms > 0.1, "{}", pad.variation.start_ms);
        assert_eq!(pad.variation.frozen, after.typical as f32);
    }

    #[test]
    fn starts_vary_by_no_more_than_is_in_time_where_a_layer_is_pitched_down() {
        let mut pad = click(0.9).doc.pads[0].clone();
        for (pitch_st, start_ms) in [(12.0, 0.9), (0.0, 0.9), (-12.0, 0.75), (-24.0, 0.375)] {
            pad.layers[0].settings.pitch_st = pitch_st;
            let mut held = pad.clone();
            hold_starts(&mut held);
            assert!((held.variation.start_ms - start_ms).abs() < 1e-4, "{pitch_st} st: {held:?}");
        }
    }

    #[test]
    fn an_even_pad_and_a_silent_one_stay() {
        for kit in [click(0.1), Kit::default()] {
            let mut pad = kit.doc.pads[0].clone();
            calm(&mut Auditioner::new(&kit), &mut pad);
            assert_eq!(pad.variation.start_ms, kit.doc.pads[0].variation.start_ms);
        }
    }
}
