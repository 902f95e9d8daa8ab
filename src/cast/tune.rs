//! Tuning: pads with a pitch move to the nearest note of the song's key.

use crate::{
    kit::{Band, Key, Kit, Pad, Role},
    units::{hz_to_note, note_to_hz},
};

/// Least confidence in a fundamental for it to be tuned.
const SURE: f32 = 0.5;

/// Whether pads of this role are tuned.
pub fn has_pitch(role: Role) -> bool {
    matches!(role, Role::Kick | Role::Rim | Role::LowTom | Role::HighTom)
}

/// Nearest frequency to `hz` that is a note of the key; equal temperament, A4 = 440 Hz (ISO 16:1975).
pub fn nearest_hz(key: Key, hz: f64) -> f64 {
    let note = hz_to_note(hz);
    let near = note.round() as i32;
    let scale = key.scale();
    let best = (near - 3..=near + 3)
        .filter(|n| scale.contains(&(n.rem_euclid(12) as u8)))
        .min_by(|a, b| (f64::from(*a) - note).abs().total_cmp(&(f64::from(*b) - note).abs()));
    note_to_hz(f64::from(best.unwrap_or(near)))
}

/// Moves every layer of the pad by the interval that brings `hit_hz` (the fundamental of the hit as it was
/// recorded), as the first layer plays it, to the nearest note of the key, and puts the bell there. Nothing
/// changes where there is no certain fundamental.
pub fn tune(pad: &mut Pad, key: Key, hit_hz: Option<f32>, confidence: f32) {
    let Some(hit_hz) = hit_hz.filter(|_| has_pitch(pad.role) && confidence >= SURE) else { return };
    let Some(first) = pad.layers.first() else { return };
    let pitch = f64::from(first.settings.pitch_st) + f64::from(first.settings.fine_ct) / 100.0;
    let now = f64::from(hit_hz) * (pitch / 12.0).exp2();
    let wanted = nearest_hz(key, now);
    let by = 12.0 * (wanted / now).log2();
    for layer in &mut pad.layers {
        let s = &mut layer.settings;
        let all = f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0 + by;
        s.pitch_st = (all.round() as f32).clamp(-48.0, 48.0);
        s.fine_ct = (((all - all.round()) * 100.0) as f32).clamp(-100.0, 100.0);
    }
    let gain_db = pad.tone.note_bell.gain_db;
    pad.tone.note_bell = Band { on: gain_db != 0.0, hz: wanted as f32, gain_db, q: pad.tone.note_bell.q };
}

/// Gives the kit a key and moves every pad that has a pitch to its nearest note; without one, pads stay where
/// they are. Pads that were tuned by hand move as well: by less than two semitones, like all others.
pub fn set_key(kit: &mut Kit, key: Option<Key>) {
    kit.doc.key = key;
    let Some(key) = key else { return };
    for pad in &mut kit.doc.pads {
        let hit = pad.audition.as_ref().and_then(|a| kit.doc.takes.get(a.take)?.hits.get(a.hit));
        if let Some(hit) = hit {
            tune(pad, key, hit.description.pitch_hz, hit.description.pitch_confidence);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pitched_pads_land_on_notes_of_the_key() {
        let key: Key = "A minor".parse().unwrap();
        for hz in [61.0f32, 77.7, 103.2, 180.9, 466.0, 491.3] {
            let mut pad = Pad::empty(45, Role::LowTom);
            pad.layers[0].settings.pitch_st = -6.3;
            tune(&mut pad, key, Some(hz), 0.9);
            let s = pad.layers[0].settings;
            let st = f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0;
            let note = hz_to_note(f64::from(hz) * (st / 12.0).exp2());
            assert!((note - note.round()).abs() < 0.005, "{hz} Hz lands at note {note}");
            assert!(key.scale().contains(&((note.round() as i32).rem_euclid(12) as u8)));
            assert!((st + 6.3).abs() <= 1.01, "moved by {} semitones", st + 6.3);
        }
    }

    #[test]
    fn what_has_no_pitch_is_left_alone() {
        let key: Key = "C".parse().unwrap();
        for (role, hz, sure) in
            [(Role::Shaker, Some(300.0), 1.0), (Role::Rim, None, 1.0), (Role::Rim, Some(300.0), 0.2)]
        {
            let before = Pad::empty(37, role);
            let mut pad = before.clone();
            tune(&mut pad, key, hz, sure);
            assert_eq!(pad, before);
        }
    }
}
